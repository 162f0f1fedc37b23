"""Kind of evidence: contract. The examples of README.md and docs/operations.md, as they stand there, end to end.

What else there is: README's smallest settings and five commands are run by `test_five_commands.py`, its rule by
`tests/backtest/test_study.py`, what `make run` prints by `tests/scenarios/test_sample.py`,
those of docs/from-level-to-litres.md by `tests/physics/test_page.py` and `tests/cli/test_chart.py`.
"""

import re
import shlex
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl
import pytest

from flows.cli import main
from pipeline.load import lake_tables
from pipeline.store import open_store
from tests.support.desks import desk, visitor
from tests.support.lakes import START, rows, tiny_lake
from tests.support.runs import ROOT, unlike
from tests.support.servers import postgres, receiver

README = (ROOT / "README.md").read_text(encoding="utf-8")
OPERATIONS = (ROOT / "docs" / "operations.md").read_text(encoding="utf-8")
BERLIN = ZoneInfo("Europe/Berlin")


def test_the_five_commands_are_the_same_in_both_places():
    told = [
        [
            shlex.split(line, comments=True)
            for line in re.findall(r"```\w*\n(prefect server.*?)```", text, re.DOTALL)[0].splitlines()
        ]
        for text in (README, OPERATIONS)
    ]
    assert told[0] == told[1]
    assert len(told[0]) == 5


def test_the_readmes_commands_on_a_lake_of_ones_own(tmp_path, monkeypatch, capsys):
    """Options in brackets are given, too; the lake is smaller than the one that is simulated there."""
    monkeypatch.chdir(tmp_path)
    section = README.split("## On your own data")[1].split("\n## ")[0]
    lines = re.findall(r"^    \.venv/bin/tankdrift (.*?)(?:  +#.*)?$", section, re.MULTILINE)
    commands = {line.split()[0]: re.sub(r"[\[\]]", "", line) for line in lines}
    assert list(commands) == ["run", "check", "simulate", "backtest", "desk", "paper", "label"]
    commands["simulate"] = commands["simulate"].replace("--tanks 20 --days 90", "--tanks 1 --days 8")
    for name in ("simulate", "run", "check", "backtest"):
        words = commands[name].replace("LAKE", "lake").replace("OUT", "out").split()
        assert main([*words, *(["--direct"] if name == "backtest" else [])]) == 0, capsys.readouterr().err
    month = pl.read_parquet("out/statements.parquet").row(0, named=True)
    page = f"papers/month-{month['month']}-{month['tank_id']}.html"
    words = {"OUT": "out", "PAGE": page, "FILE": "month.pdf"}
    assert main([words.get(word, word) for word in commands["paper"].split()]) == 0, capsys.readouterr().err
    with pytest.raises(SystemExit, match="0"):
        main(commands["label"].split())
    assert "--verdict" in capsys.readouterr().out
    (morning,) = re.findall(
        r"^    \.venv/bin/tankdrift (desk .*?) +# desk: http://127.0.0.1:8765/", README, re.MULTILINE
    )
    assert morning == commands["desk"].replace("OUT", "out") == "desk out"
    with desk(tmp_path / "out") as address, visitor(address) as (client, _):
        assert "Worklist" in client.get("/index.html").text


def _written(tables, place):
    """The fleet's tables as the example's files have them."""
    for folder in ("fleet", "tills"):
        (place / folder).mkdir()
    gallons, inches = pl.col("capacity_l") / 3.785411784, pl.col("diameter_mm") / 25.4  # NIST SP 811, both exact
    files = {
        "fleet/sites.csv": tables["sites"],
        "fleet/tanks.csv": tables["tanks"]
        .with_columns(Capacity=gallons, Diameter=inches)
        .drop("capacity_l", "diameter_mm"),
        "fleet/charts.csv": tables["strapping"],
        "fleet/meters.csv": tables["meters"],
        "fleet/feeds.csv": tables["meter_feeds"],
        "tills/tickets-1.csv": tables["deliveries"],
    }
    for name, frame in files.items():
        frame.write_csv(place / name, datetime_format="%Y-%m-%d %H:%M:%S")
    lines = ["No;Hose;Lifted;Hung up;Litres;Kind"]
    for row in tables["sales"].sort("ts_end").iter_rows(named=True):
        lifted, hung = (f"{row[end].astimezone(BERLIN):%d.%m.%Y %H:%M:%S}" for end in ("ts_start", "ts_end"))
        litres = str(row["volume_l"]).replace(".", ",")
        lines.append(f"{row['sale_id']};{row['meter_id']};{lifted};{hung};{litres};S")
    (place / "tills" / "sales-1.csv").write_text("\n".join(lines) + "\n")


def _kept(tables, address, place):
    """The readings in the historian, and its tag map in the form that the example gives."""
    import adbc_driver_postgresql.dbapi

    columns = [name for name in ("level_mm", "water_mm", "temp_c") if tables["readings"][name].count()]
    long = tables["readings"].unpivot(columns, index=["tank_id", "ts"], variable_name="column", value_name="val")
    values = long.select(
        pl.concat_str("tank_id", "column", separator=".").alias("name"), pl.col("ts").alias("at"), "val"
    )
    with adbc_driver_postgresql.dbapi.connect(address) as connection, connection.cursor() as cursor:
        cursor.execute("create schema plant")
        values = values.with_columns(q=pl.lit(192))
        cursor.adbc_ingest("values", values.to_arrow(), mode="create", db_schema_name="plant")
        connection.commit()
    head = re.search(r'^tag_file = "tags.csv" *# (.*)$', OPERATIONS, re.MULTILINE)[1]
    tanks = tables["tanks"]["tank_id"]
    lines = [head, *(f"{tank}.{column},{tank},,{column}," for tank in tanks for column in columns)]
    (place / "tags.csv").write_text("\n".join(lines) + "\n")


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    """The tiny lake's three days, as the last three before now, in the example's files and database."""
    place = tmp_path_factory.mktemp("operations")
    begin = datetime.now(UTC).replace(minute=0, second=0, microsecond=0) - timedelta(days=3)
    standing = ("strapping", "meter_feeds")
    tables = {
        name: frame if name in standing else frame.with_columns(pl.selectors.datetime() + (begin - START))
        for name, frame in tiny_lake().items()
    }
    _written(tables, place)
    (settings,) = re.findall(r"```toml\n(.*?)```", OPERATIONS, re.DOTALL)
    assert "since = 2026-01-01T00:00:00Z" in settings  # else a window for each day since then
    settings = settings.replace("since = 2026-01-01T00:00:00Z", f"since = {begin:%Y-%m-%dT%H:%M:%SZ}")
    (place / "tankdrift.toml").write_text(settings.replace("/srv/", f"{place}/"))
    with postgres() as address, receiver() as (url, _), pytest.MonkeyPatch.context() as patch:
        _kept(tables, address, place)
        patch.setenv("HISTORIAN", address)
        patch.setenv("MAIL_OPERATIONS", url)
        for name in ("TANKDRIFT_LAKE", "TANKDRIFT_OUT", "PREFECT_API_URL"):
            patch.delenv(name, raising=False)
        patch.chdir(place)
        yield tables, place


@pytest.fixture(scope="module")
def night(fleet):
    """The same after a night."""
    assert main(["nightly"]) == 0
    return fleet


def test_the_settings_of_the_docs_are_well_by_the_doctor(fleet, capsys):
    assert main(["doctor"]) == 0, capsys.readouterr().out


def test_the_settings_of_the_docs_bring_in_what_was_written(night):
    """Every figure comes back as it was, through gallons, inches, commas, tags and Berlin's clock."""
    tables, place = night
    with open_store(place / "out", read_only=True) as store:
        found = lake_tables(store)
        refused = store.table("quarantine")
    assert refused.is_empty()
    for name in ("sites", "strapping", "meters", "meter_feeds", "sales", "readings", "deliveries"):
        order = [column for column in found[name].columns if column != "unit_price"]  # the tills drop none
        expected = tables[name].select(order)
        assert found[name].select(order).sort(order).equals(expected.sort(order)), name
    assert found["tanks"].equals(rows("tanks", *tables["tanks"].iter_rows(named=True)))
    assert (place / "out" / "report" / "index.html").is_file()


def test_the_commands_that_keep_and_restore_what_a_night_left(night, capsys):
    """As they stand there, but for the place of the new folder: a run over the same lake ends with the same tables."""
    _, place = night
    section = OPERATIONS.split("## Backup, restore, moving to another machine")[1]
    lines = section.split("```sh\n")[1].split("```")[0].replace("/srv/tankdrift", f"{place}/new").splitlines()
    assert [line.split()[1] for line in lines] == ["backup", "restore", "run"]
    (place / "users.txt").write_text("Ines\tas desk-user writes it\n")
    for line in lines:
        assert main(line.split()[1:]) == 0, capsys.readouterr().err
    assert unlike(place / "out", place / "new" / "out") == []


def test_the_commands_of_the_docs_after_a_night(night, capsys):
    """Each that stands on a line or between ticks, with its options."""
    assert night
    listed = "`tankdrift notify`, `watch`, `backtest`, `backfill` and `publish` are the others"
    assert listed in " ".join(OPERATIONS.split())
    (backfill,) = re.findall(r"`tankdrift (backfill --from \S+ --to \S+) \[--source NAME\]`", OPERATIONS)
    for command in ("notify", "watch", "publish", backfill, f"{backfill} --source historian"):
        assert main(command.split()) == 0, (command, capsys.readouterr())
    assert "all 3 are fresh" in capsys.readouterr().out
