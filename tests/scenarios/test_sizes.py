"""A fleet of five hundred tanks is run and keeps the contract (small ones: tests/cli). Evidence: contract."""

from datetime import timedelta

import polars as pl
import pytest

from tests.support.lakes import tiny_lake, write
from tests.support.runs import tankdrift_here

TANKS = 500
SITES = 125


@pytest.fixture(scope="module")
def many(tmp_path_factory):
    """Five hundred tanks at 125 sites over two days, a reading every two hours and a sale every four."""
    tables = tiny_lake(days=2, tanks=1)
    sites = [f"S{number:03}" for number in range(SITES)]
    names = pl.DataFrame({"new": [f"T{number:04}" for number in range(TANKS)], "site": sites * (TANKS // SITES)})

    def each(table: str, *columns: str) -> pl.DataFrame:
        """The one tank's rows for every tank, its name put into `columns`."""
        frame = tables[table].join(names, how="cross")
        named = [pl.col(column).str.replace("T1", pl.col("new"), literal=True) for column in columns]
        home = [pl.col("site").alias("site_id")] if "site_id" in frame.columns else []
        return frame.with_columns(*named, *home).select(tables[table].columns)

    every_two_hours = pl.col("ts").dt.truncate("2h") == pl.col("ts")
    tables["readings"] = tables["readings"].filter(every_two_hours)
    tables["sales"] = tables["sales"].filter(pl.col("ts_start").dt.hour() % 4 == 0)
    folder = tmp_path_factory.mktemp("many")
    write(
        folder / "lake",
        {
            "sites": tables["sites"].join(names.select("site").unique(maintain_order=True), how="cross")
            .with_columns(site_id="site").drop("site"),
            "tanks": each("tanks", "tank_id"),
            "strapping": each("strapping", "tank_id"),
            "meters": each("meters", "meter_id"),
            "meter_feeds": each("meter_feeds", "meter_id", "tank_id"),
            "readings": each("readings", "tank_id"),
            "sales": each("sales", "sale_id", "meter_id"),
            "meter_totals": each("meter_totals", "meter_id"),
            "deliveries": tables["deliveries"],
            "events": tables["events"].with_columns(site_id=pl.lit(sites[0])),
        },
    )  # fmt: skip
    done = tankdrift_here("run", folder / "lake", "--out", folder / "out", "--direct")
    return folder / "out", done


def test_five_hundred_tanks_are_run(many):
    out, done = many
    assert done.returncode == 0, done.stderr
    days = pl.read_parquet(out / "tank_days.parquet")
    assert days["tank_id"].n_unique() == TANKS
    assert days["trading_day"].max() - days["trading_day"].min() >= timedelta(days=1)
    assert pl.read_parquet(out / "statements.parquet")["tank_id"].n_unique() == TANKS
    assert len(list((out / "report" / "tanks").iterdir())) == TANKS


def test_what_five_hundred_tanks_leave_keeps_the_contract(many):
    out, _ = many
    done = tankdrift_here("check", out)
    assert (done.returncode, done.stderr) == (0, ""), done.stdout
