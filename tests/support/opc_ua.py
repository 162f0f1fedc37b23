"""An OPC UA server on loopback that keeps history: open, or for who signs, encrypts and gives a name."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl

CLIENT_URI, SERVER_URI = "urn:example.org:tankdrift", "urn:example.org:plant"


@dataclass(frozen=True)
class Papers:
    """A certificate and its key, in DER and PEM."""

    certificate: Path
    key: Path


def papers(folder: Path, name: str, uri: str | None, *, days: tuple[int, int] = (-1, 30)) -> Papers:
    """Make a certificate of an application with that name, good between two days from now, signed by itself."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import rsa

    key = rsa.generate_private_key(public_exponent=65537, key_size=2048)
    called = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, name)])
    now = datetime.now(UTC)
    made = x509.CertificateBuilder().subject_name(called).issuer_name(called).public_key(key.public_key())
    made = made.serial_number(x509.random_serial_number())
    made = made.not_valid_before(now + timedelta(days=days[0])).not_valid_after(now + timedelta(days=days[1]))
    if uri is not None:
        names = [x509.UniformResourceIdentifier(uri), x509.DNSName("localhost")]
        made = made.add_extension(x509.SubjectAlternativeName(names), critical=False)
    found = Papers(folder / f"{name}.der", folder / f"{name}-key.pem")
    encoding, form = serialization.Encoding, serialization.PrivateFormat
    found.certificate.write_bytes(made.sign(key, hashes.SHA256()).public_bytes(encoding.DER))
    found.key.write_bytes(key.private_bytes(encoding.PEM, form.PKCS8, serialization.NoEncryption()))
    return found


@dataclass(frozen=True)
class Names:
    """Who may come: anybody who gives no name, and who is known by name and password."""

    users: Mapping[str, str]
    anonymous: bool = True

    def get_user(self, iserver, username=None, password=None, certificate=None):
        """Whom a name and a password make; the library asks this."""
        from asyncua.crypto.permission_rules import User, UserRole

        is_known = username in self.users and self.users[username] == password
        is_let_in = is_known or (username is None and self.anonymous)
        return User(role=UserRole.User, name=username) if is_let_in else None


@dataclass(frozen=True)
class Guarded:
    """What a server asks of who comes: a user with a password, and a certificate that it trusts."""

    own: Papers
    trusted: Papers
    users: Mapping[str, str]


async def serve(
    port: int, values: pl.DataFrame, *, guarded: Guarded | None = None, without_history: Sequence[str] = ()
):
    """Start a server with a node a tag; its namespace's number comes out with it.

    Parameters
    ----------
    port : int
    values : DataFrame
        `tag`, `ts`, `value` and, as `quality`, an OPC UA status code.
    guarded : Guarded, optional
        With it, the server speaks Basic256Sha256 alone, signed and encrypted, to who is known.
    without_history : sequence of str
        Tags whose nodes keep none.
    """
    from asyncua import Server, ua

    server = Server(user_manager=Names({}) if guarded is None else Names(guarded.users, anonymous=False))
    await server.init()
    server.set_endpoint(f"opc.tcp://127.0.0.1:{port}/plant")
    if guarded is None:
        server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
    else:
        await _guard(server, guarded)
    space = await server.register_namespace("plant")
    await server.start()
    for tag in values["tag"].unique(maintain_order=True):
        node = await server.nodes.objects.add_variable(ua.NodeId(tag, space), tag, 0.0)
        if tag not in without_history:
            await server.historize_node_data_change(node, period=None, count=0)
    await remember(server, space, values.filter(~pl.col("tag").is_in(without_history)))
    return server, space


async def remember(server, space: int, values: pl.DataFrame) -> None:
    """Have the server keep these values of its nodes, and none that it kept before."""
    from asyncua import ua

    storage = server.iserver.history_manager.storage
    for (tag,), part in values.partition_by("tag", as_dict=True).items():
        node = ua.NodeId(tag, space)
        storage._datachanges[node].clear()
        for ts, value, status in part.select("ts", "value", "quality").iter_rows():
            variant = ua.Variant(value, ua.VariantType.Double) if value is not None else ua.Variant(None)
            told = ua.DataValue(variant, ua.StatusCode(status), SourceTimestamp=ts.astimezone(UTC))
            await storage.save_node_value(node, told)


async def _guard(server, guarded: Guarded) -> None:
    from asyncua import ua
    from asyncua.common.utils import ServiceError
    from asyncua.crypto.uacrypto import der_from_x509
    from asyncua.crypto.validator import CertificateValidator

    async def trusted(certificate, application):
        await CertificateValidator().validate(certificate, application)
        if der_from_x509(certificate) != guarded.trusted.certificate.read_bytes():
            raise ServiceError(ua.StatusCodes.BadCertificateUntrusted)

    await server.set_application_uri(SERVER_URI)
    await server.load_certificate(guarded.own.certificate)
    await server.load_private_key(guarded.own.key)
    server.set_security_policy([ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt])
    server.set_identity_tokens([ua.UserNameIdentityToken])
    server.set_certificate_validator(trusted)
