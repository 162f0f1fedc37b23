"""Kind of evidence: contract, and known truth. Two whole examples, walked by their pages alone, to the first mail.

What the pages say is done as it stands there, in a fresh folder, with the exports that `tests/support/newcomer.py`
makes of the simulator's fleets: settings and commands, a PostgreSQL server where one is spoken of, and a mail server.
How long each step takes is printed (pytest -s) and asserted nowhere.
"""

import contextlib
import email
import email.policy
import re
import shlex
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Final

import polars as pl
import pytest
from aiosmtpd.controller import Controller

from pipeline.load import lake_tables
from pipeline.store import open_store
from tests.support import newcomer
from tests.support.newcomer import HAPPENED, STANDING, World
from tests.support.runs import ROOT, tankdrift_here
from tests.support.servers import free_port, postgres

NOW: Final = newcomer.MIDNIGHT + timedelta(hours=6)
"""The morning after the exports' last day."""


class _Inbox:
    """A mail server's handler: what came, as sender's subject and text."""

    def __init__(self) -> None:
        self.mails: list[tuple[str, str]] = []

    async def handle_DATA(self, server, session, envelope):  # noqa: N802 (the library's name)
        told = email.message_from_bytes(envelope.content, policy=email.policy.default)
        self.mails.append((str(told["subject"]), told.get_body(preferencelist=("plain",)).get_content()))
        return "250 OK"


@contextlib.contextmanager
def _mail_server() -> Iterator[tuple[str, _Inbox]]:
    inbox, port = _Inbox(), free_port()
    controller = Controller(inbox, hostname="127.0.0.1", port=port)
    controller.start()
    try:
        yield f"mailto://127.0.0.1:{port}/?mode=insecure&from=tankdrift@example.org&to=operations@example.org", inbox
    finally:
        controller.stop()


@dataclass
class Walk:
    """A page that was walked: what its commands said and left, and the mails that came."""

    page: str
    world: World
    place: Path
    said: dict[str, SimpleNamespace] = field(default_factory=dict)
    mails: list[tuple[str, str]] = field(default_factory=list)


def _blocks(page: str, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", page, re.DOTALL | re.MULTILINE)


def _walk(page: str, world: World, place: Path, environment: dict[str, str]) -> Walk:
    """Do what the page's commands say, in their order; what it exports is found in `environment`."""
    walk = Walk(page, world, place)
    (settings,) = _blocks(page, "toml")
    (place / "tankdrift.toml").write_text(settings, encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch, _mail_server() as (mail, inbox):
        for name in ("TANKDRIFT_LAKE", "TANKDRIFT_OUT", "PREFECT_API_URL"):
            patch.delenv(name, raising=False)
        patch.chdir(place)
        for line in "".join(_blocks(page, "sh")).splitlines():
            words = shlex.split(line)
            if words[0] == "export":
                name = words[1].partition("=")[0]
                patch.setenv(name, (environment | {"MAIL_OPERATIONS": mail})[name])
                continue
            began = time.perf_counter(), time.process_time()
            walk.said[line] = tankdrift_here(*words[1:], now=NOW)
            took = time.perf_counter() - began[0], time.process_time() - began[1]
            print(f"{took[0]:6.1f} s, {took[1]:5.1f} s of CPU: {line}")
        walk.mails = inbox.mails
    return walk


@pytest.fixture(scope="module")
def chain(tmp_path_factory):
    page = (ROOT / "docs" / "example-csv-chain.md").read_text(encoding="utf-8")
    world, place = newcomer.chain(), tmp_path_factory.mktemp("chain")
    newcomer.write_chain(world, place)
    return _walk(page, world, place, {})


@pytest.fixture(scope="module")
def company(tmp_path_factory):
    page = (ROOT / "docs" / "example-sql-historian.md").read_text(encoding="utf-8")
    world, place = newcomer.company(), tmp_path_factory.mktemp("company")
    newcomer.write_company(world, place)
    with postgres() as address:
        newcomer.keep_company(world, address)
        return _walk(page, world, place, {"HISTORIAN": address})


@pytest.fixture(params=["chain", "company"])
def walk(request):
    return request.getfixturevalue(request.param)


def test_every_command_of_the_page_ends_well(walk):
    names = [line.split()[1] for line in walk.said]
    assert names == [*(["map"] * (len(names) - 2)), "doctor", "nightly"]
    assert len(names) > 4
    for line, done in walk.said.items():
        assert done.returncode == 0, (line, done.stdout, done.stderr)


def test_map_says_what_the_page_says_it_does(walk):
    said = "".join(done.stdout for line, done in walk.said.items() if " map " in line)
    *proposed, _, _ = _blocks(walk.page, "text")
    for line in "".join(proposed).splitlines():
        assert line in said, line


def test_what_lies_there_is_what_the_page_shows(walk):
    """Headings and units of every file, by its first line and by the line that the page shows of it."""
    shown = re.findall(r"^\| `([\w/*.-]+\.csv)` .*`(.+?)`<br>`(.+?)` \|$", walk.page, re.MULTILINE)
    assert len(shown) == len(re.findall(r"^\| `\S+\.csv` ", walk.page, re.MULTILINE)) > 5
    for name, head, row in shown:
        files = [one for one in walk.place.rglob("*.csv") if one.relative_to(walk.place).match(name)]
        texts = [one.read_text(encoding="utf-8").splitlines() for one in files]
        assert {lines[0] for lines in texts} == {head}, name
        assert row in [line for lines in texts for line in lines], name


def test_the_doctor_says_that_all_is_well(walk):
    lines = walk.said["tankdrift doctor"].stdout.splitlines()
    assert len(lines) > 6
    assert [line for line in lines if not line.startswith("ok ")] == []


def test_the_mail_names_the_case(walk):
    """The right tank, cause and litres, by the simulator's truth; as the page shows it."""
    *_, night, shown = _blocks(walk.page, "text")
    ((subject, body),) = walk.mails
    assert f"`{subject}`" in walk.page
    assert body.splitlines() == shown.splitlines()
    assert night in walk.said["tankdrift nightly"].stdout
    (case,) = pl.read_parquet(walk.place / "out" / "cases.parquet").iter_rows(named=True)
    fault = walk.world.fault
    assert (case["tank_id"], case["cause"]) == (walk.world.tank_id, fault.cause)
    assert case["tank_id"] in body
    assert case["litres_low"] < fault.litres < case["litres_high"]


_CHAIN: Final = {
    "level_mm": 0.0005 * 25.4, "water_mm": 0.0005 * 25.4, "temp_c": 0.05 / 1.8, "volume_l": 0.0005 * 3.785411784,
    "unit_price": 0.0005 / 3.785411784, "ticket_volume_l": 0.05 * 3.785411784, "ticket_temp_c": 0.05 / 1.8,
    "ticket_density_15_kg_m3": 0.05 * 842.0 / 168.0, "capacity_l": 0.05 * 3.785411784,
    "safe_fill_l": 0.05 * 3.785411784, "diameter_mm": 0.005 * 25.4, "length_mm": 0.0005 * 304.8,
    "strapping.volume_l": 0.005 * 3.785411784,
}  # fmt: skip
"""What a figure may be off by the rounding of the chain's files: half of its last place, in the contract's unit.

A degree API is ρ / (API + 131.5), of the heaviest diesel here 842 / 168 kg/m³. The company's files round nothing.
"""
_ELSEWHERE: Final = (
    "tilt_mm_per_m",
    "probe_position_mm",
    "manifold_id",
    "latitude",
    "longitude",
    "valid_from",
    "valid_to",
)
"""What the exports do not tell, or tell as 'for all time'."""


def _is_told_once(frame: pl.DataFrame, zone: str) -> pl.Expr:
    """Whether no local time of a row is shown twice, in the hour that a clock change repeats."""
    each = [pl.lit(value=True)]
    for name, dtype in frame.schema.items():
        if dtype == pl.Datetime("us", "UTC"):
            local = pl.col(name).dt.convert_time_zone(zone).dt.replace_time_zone(None)
            first, last = (local.dt.replace_time_zone(zone, ambiguous=one) for one in ("earliest", "latest"))
            each.append(first == last)
    return pl.all_horizontal(each)


@pytest.mark.parametrize("table", [*STANDING, *HAPPENED])
def test_the_lake_is_the_simulators_own(walk, table):
    """Keys, words and instants are the same, figures within the rounding of the files: no unit or clock has slipped."""
    with open_store(walk.place / "out", read_only=True) as store:
        found = lake_tables(store)[table]
    expected, zone = walk.world.tables[table], walk.world.zone
    order = [one for one in expected.columns if one not in _ELSEWHERE and found[one].count()]
    figures = [name for name in order if expected.schema[name] == pl.Float64]
    rounded = [*figures, *(["ts_ticket"] if zone == newcomer.CHICAGO else [])]
    exact = [name for name in order if name not in rounded]
    by = [*exact, *(["level_mm"] if table == "strapping" else [])]
    both = (one.select(order) for one in (found, expected))
    found, expected = (one.filter(_is_told_once(one, zone)).sort(by) for one in both)
    assert expected.height > 1
    assert found.select(exact).equals(expected.select(exact))
    for name in figures:
        most = _CHAIN.get(f"{table}.{name}", _CHAIN.get(name, 0.0)) if zone == newcomer.CHICAGO else 0.0
        assert found[name].is_null().equals(expected[name].is_null()), name
        assert (found[name] - expected[name]).abs().max() <= most + 1e-6, name
    if "ts_ticket" in order and zone == newcomer.CHICAGO:
        assert found["ts_ticket"].equals(expected["ts_ticket"].dt.truncate("1m"))
