"""Signed and encrypted connections to OPC UA servers: what is on disk for them, and why a server may turn us away."""

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

from pipeline.errors import SourceError
from pipeline.sources.config import OpcuaConfig
from pipeline.sources.secrets import looked_up

if TYPE_CHECKING:
    from asyncua.client.client import Client
    from cryptography.x509 import Certificate

POLICIES: Final = "http://opcfoundation.org/UA/SecurityPolicy#"
"""What the address of each security policy begins with (OPC 10000-7, 6.6)."""


async def secure(client: "Client", config: OpcuaConfig) -> None:
    """Have a client sign, or sign and encrypt, as the settings say.

    The server is taken for who it is by the certificate in the settings, never by one that it shows.

    Raises
    ------
    SourceError
        If a certificate or the key is not there, cannot be read, does not fit or is out of date.
    """
    if config.policy == "None":
        return
    from asyncua.crypto import security_policies
    from asyncua.crypto.uacrypto import CertProperties
    from asyncua.ua import MessageSecurityMode

    own, server = _certificate(config, "certificate"), _certificate(config, "server_certificate")
    key = _key_of(own, config)
    client.application_uri = _application_uri(own, config)
    await client.set_security(
        getattr(security_policies, f"SecurityPolicy{config.policy}"),
        certificate=CertProperties(_der(own)),
        private_key=CertProperties(key),
        server_certificate=CertProperties(_der(server)),
        mode=MessageSecurityMode.Sign if config.mode == "sign" else MessageSecurityMode.SignAndEncrypt,
    )


async def why_refused(config: OpcuaConfig) -> SourceError | None:
    """What of the settings' security a server has otherwise; None where it has not, or cannot be asked.

    What a server offers it says to anybody, before anything is signed.
    """
    from asyncua.client.client import Client
    from asyncua.ua.uaerrors import UaError

    try:
        offered = await Client(looked_up(config.address), timeout=config.timeout_s).connect_and_get_server_endpoints()
    except (UaError, OSError, TimeoutError):
        return None
    known = {"Sign": "sign", "SignAndEncrypt": "sign_and_encrypt"}
    names = {
        (one.SecurityPolicyUri.removeprefix(POLICIES), known.get(one.SecurityMode.name, "sign_and_encrypt"))
        for one in offered
    }
    policies = {name for name, _ in names}
    if config.policy not in policies:
        mend = f"set policy to one of {', '.join(sorted(policies))}"
        return SourceError(f"{config.name}: the OPC UA server does not offer the policy {config.policy}", mend=mend)
    if config.policy == "None":
        return None
    if (config.policy, config.mode) not in names:
        said = f"{config.name}: the OPC UA server does not offer {config.mode} with {config.policy}"
        return SourceError(said, mend=f"set mode to {min(mode for name, mode in names if name == config.policy)}")
    expected = _der(_certificate(config, "server_certificate"))
    if not any((one.ServerCertificate or b"").startswith(expected) for one in offered):
        said = f"{config.name}: the OPC UA server shows another certificate than {config.server_certificate}"
        mend = "ask who runs it; if it was renewed, export it there and put it in its place"
        return SourceError(said, mend=mend)
    said = f"{config.name}: the OPC UA server does not take {config.certificate}"
    return SourceError(said, mend="have it trusted there")


def _content(config: OpcuaConfig, setting: str) -> bytes:
    path: Path = getattr(config, setting)
    try:
        content = path.read_bytes()
    except OSError as error:
        said = f"{config.name}: {setting} {path}: {error.strerror}"
        raise SourceError(said, mend=f"put it there, or mend {setting}") from error
    return content


def _certificate(config: OpcuaConfig, setting: str) -> "Certificate":
    from cryptography.x509 import load_der_x509_certificate, load_pem_x509_certificate

    content, path = _content(config, setting), getattr(config, setting)
    try:
        found = (load_pem_x509_certificate if b"-----BEGIN" in content else load_der_x509_certificate)(content)
    except ValueError as error:
        said = f"{config.name}: {setting} {path} holds no certificate"
        raise SourceError(said, mend="put one there in DER or PEM") from error
    now = datetime.now(UTC)
    if not found.not_valid_before_utc <= now <= found.not_valid_after_utc:
        said = (
            f"{config.name}: {setting} {path} is good from {found.not_valid_before_utc:%Y-%m-%d} "
            f"to {found.not_valid_after_utc:%Y-%m-%d} only"
        )
        raise SourceError(said, mend="have it made anew, or set this machine's clock")
    return found


def _key_of(certificate: "Certificate", config: OpcuaConfig) -> bytes:
    """The certificate's key, in DER."""
    from cryptography.hazmat.primitives import serialization

    content = _content(config, "private_key")
    password = None if config.key_password is None else looked_up(config.key_password).encode()
    is_text = b"-----BEGIN" in content
    load = serialization.load_pem_private_key if is_text else serialization.load_der_private_key
    try:
        key = load(content, password)
    except (ValueError, TypeError) as error:
        said = f"{config.name}: private_key {config.private_key} is no key, or key_password does not open it"
        raise SourceError(said, mend="put the key there in DER or PEM; see key_password") from error
    if key.public_key() != certificate.public_key():
        said = f"{config.name}: private_key {config.private_key} is not the key of certificate {config.certificate}"
        raise SourceError(said, mend="name the two that were made together")
    der, bare = serialization.Encoding.DER, serialization.NoEncryption()
    return key.private_bytes(der, serialization.PrivateFormat.PKCS8, bare)


def _application_uri(certificate: "Certificate", config: OpcuaConfig) -> str:
    """The name by which the certificate calls this application; servers turn away who calls himself otherwise."""
    from cryptography.x509 import ExtensionNotFound, SubjectAlternativeName, UniformResourceIdentifier

    try:
        names = certificate.extensions.get_extension_for_class(SubjectAlternativeName).value
        found = names.get_values_for_type(UniformResourceIdentifier)
    except ExtensionNotFound:
        found = []
    if not found:
        said = f"{config.name}: certificate {config.certificate} names no application (a URI in its SubjectAltName)"
        raise SourceError(said, mend="have it made anew with one, as OPC UA asks")
    return str(found[0])


def _der(certificate: "Certificate") -> bytes:
    from cryptography.hazmat.primitives.serialization import Encoding

    return certificate.public_bytes(Encoding.DER)
