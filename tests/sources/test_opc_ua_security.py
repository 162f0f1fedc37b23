"""Kind of evidence: contract, against a real server that signs, encrypts and asks for a name and a password."""

from datetime import timedelta
from types import SimpleNamespace

import polars as pl
import pytest

from pipeline.errors import ArgumentError, SourceError
from pipeline.sources.config import OpcuaConfig, read_operations
from pipeline.sources.opcua import OpcuaSource
from pipeline.sources.table_config import Tag
from tests.support.lakes import START
from tests.support.opc_ua import CLIENT_URI, SERVER_URI, Guarded, papers, serve
from tests.support.servers import Loop, free_port

PASSWORD = "heron-gate-41"
SHORT = {"timeout_s": 1.0}
"""A server of this library says nothing to what it cannot decrypt: so long it is waited for."""


def _values() -> pl.DataFrame:
    ts = [START + timedelta(minutes=n) for n in range(60)]
    schema = {"tag": pl.String, "ts": pl.Datetime("us", "UTC"), "value": pl.Float64, "quality": pl.Int64}
    return pl.DataFrame(
        {"tag": ["LVL"] * 60, "ts": ts, "value": [900.0 - n for n in range(60)], "quality": [0] * 60}, schema=schema
    )


@pytest.fixture(scope="module")
def plant(tmp_path_factory):
    """The server, and the papers of it, of us, and of two others."""
    folder = tmp_path_factory.mktemp("opcua")
    made = {
        "ours": papers(folder, "ours", CLIENT_URI),
        "other": papers(folder, "other", CLIENT_URI),
        "server": papers(folder, "server", SERVER_URI),
        "old": papers(folder, "old", CLIENT_URI, days=(-9, -2)),
        "nameless": papers(folder, "nameless", None),
    }
    guarded = Guarded(made["server"], made["ours"], {"reader": PASSWORD})
    port, loop = free_port(), Loop()
    server, space = loop.run(serve(port, _values(), guarded=guarded))
    yield SimpleNamespace(address=f"opc.tcp://127.0.0.1:{port}/plant", space=space, folder=folder, **made)
    loop.run(server.stop())
    loop.close()


@pytest.fixture
def source(plant, monkeypatch):
    monkeypatch.setenv("PLANT_PASSWORD", PASSWORD)
    monkeypatch.setenv("OTHER_PASSWORD", "heron-gate-40")

    def made(**changes) -> OpcuaSource:
        settings = {
            "name": "plant", "kind": "opcua", "address": plant.address, "user": "reader",
            "password": "env:PLANT_PASSWORD", "policy": "Basic256Sha256", "certificate": plant.ours.certificate,
            "private_key": plant.ours.key, "server_certificate": plant.server.certificate, "retries": 0,
            "tags": (Tag(tag=f"ns={plant.space};s=LVL", tank_id="T1", column="level_mm"),), "values_a_request": 25,
        }  # fmt: skip
        return OpcuaSource(OpcuaConfig(**settings | changes))

    return made


def _told(source: OpcuaSource) -> list[float]:
    return source.fetch("readings", START, START + timedelta(days=1)).rows["level_mm"].to_list()


def test_history_comes_over_a_connection_that_is_signed_and_encrypted(source):
    one = source()
    one.check()
    assert _told(one) == [900.0 - n for n in range(60)]


@pytest.mark.parametrize(
    ("changes", "said", "mend"),
    [
        (lambda plant: {"password": "env:OTHER_PASSWORD"}, "the OPC UA server refuses user reader",
         "see user and password"),
        (lambda plant: {"user": None, "password": None}, "the OPC UA server refuses whoever gives no user",
         "see user and password"),
        (lambda plant: {"policy": "None", "certificate": None, "private_key": None, "server_certificate": None},
         "the OPC UA server does not offer the policy None", "set policy to one of Basic256Sha256"),
        (lambda plant: {"policy": "Aes256Sha256RsaPss", **SHORT},
         "the OPC UA server does not offer the policy Aes256Sha256RsaPss",
         "set policy to one of Basic256Sha256"),
        (lambda plant: {"mode": "sign", **SHORT}, "the OPC UA server does not offer sign with Basic256Sha256",
         "set mode to sign_and_encrypt"),
        (lambda plant: {"server_certificate": plant.other.certificate, **SHORT},
         "the OPC UA server shows another certificate than FOLDER/other.der",
         "ask who runs it; if it was renewed, export it there and put it in its place"),
        (lambda plant: {"certificate": plant.other.certificate, "private_key": plant.other.key},
         "the OPC UA server does not take FOLDER/other.der", "have it trusted there"),
        (lambda plant: {"private_key": plant.other.key},
         "private_key FOLDER/other-key.pem is not the key of certificate FOLDER/ours.der",
         "name the two that were made together"),
        (lambda plant: {"private_key": plant.ours.certificate},
         "private_key FOLDER/ours.der is no key, or key_password does not open it",
         "put the key there in DER or PEM; see key_password"),
        (lambda plant: {"certificate": plant.folder / "nowhere.der"},
         "certificate FOLDER/nowhere.der: No such file or directory", "put it there, or mend certificate"),
        (lambda plant: {"server_certificate": plant.ours.key},
         "server_certificate FOLDER/ours-key.pem holds no certificate", "put one there in DER or PEM"),
        (lambda plant: {"certificate": plant.nameless.certificate, "private_key": plant.nameless.key},
         "certificate FOLDER/nameless.der names no application (a URI in its SubjectAltName)",
         "have it made anew with one, as OPC UA asks"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_one_line_with_what_mends_it(source, plant, changes, said, mend):
    wrong = source(**changes(plant))
    for ask in (wrong.check,) if SHORT.items() <= changes(plant).items() else (wrong.check, lambda: _told(wrong)):
        with pytest.raises(SourceError) as caught:
            ask()
        assert caught.value.said == "plant: " + said.replace("FOLDER", str(plant.folder))
        assert caught.value.mend == mend
        assert "heron-gate" not in str(caught.value)


def test_a_certificate_that_is_out_of_date_is_said(source, plant):
    with pytest.raises(SourceError, match=r"old\.der is good from 20..-..-.. to 20..-..-.. only; have it made anew"):
        source(certificate=plant.old.certificate, private_key=plant.old.key).check()


@pytest.mark.parametrize(
    ("security", "said"),
    [
        ('policy = "Basic256Sha256"\ncertificate = "a.der"',
         "policy Basic256Sha256 needs private_key, server_certificate"),
        ('certificate = "a.der"', "certificates are of no use without policy"),
        ('policy = "Basic256"', "Input should be 'None', 'Aes128Sha256RsaOaep', 'Basic256Sha256' or"),
        ('policy = "None"\nkey_password = "fen-orchard-12"', "a secret stands here by reference alone"),
    ],
)  # fmt: skip
def test_settings_that_cannot_be(tmp_path, security, said):
    path = tmp_path / "tankdrift.toml"
    path.write_text(f'[[sources]]\nname = "plant"\nkind = "opcua"\naddress = "opc.tcp://127.0.0.1:4"\n{security}\n')
    with pytest.raises(ArgumentError) as caught:
        read_operations(path)
    assert said in str(caught.value)
    assert "fen-orchard-12" not in str(caught.value)


def test_papers_lie_as_seen_from_the_settings(tmp_path):
    path = tmp_path / "tankdrift.toml"
    path.write_text(
        '[[sources]]\nname = "plant"\nkind = "opcua"\naddress = "opc.tcp://127.0.0.1:4"\npolicy = "Basic256Sha256"\n'
        'certificate = "a.der"\nprivate_key = "/k.pem"\nserver_certificate = "p/b.der"\ntag_file = "tags.csv"\n'
    )
    (plant,) = read_operations(path).sources
    found = [plant.certificate, plant.private_key, plant.server_certificate, plant.tag_file]
    assert [str(place) for place in found] == [
        str(tmp_path / "a.der"), "/k.pem", str(tmp_path / "p" / "b.der"), str(tmp_path / "tags.csv")
    ]  # fmt: skip
