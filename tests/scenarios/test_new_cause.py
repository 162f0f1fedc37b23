"""A stranger adds a cause by the files that DEVELOPERS.md names, and it reaches the table of cases and the pages."""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import polars as pl

from tests.support.lakes import START, rows, tiny_lake, write

ROOT = Path(__file__).parents[2]
RECORD = """RECORDS: Final = (
    Cause(
        name="scalding_load",
        noun="a load that came far too hot",
        title="Load came far too hot",
        short="Hot load",
        action="Ask the terminal where it was loaded.",
        cautions=(VAPOUR,),
        look=("@rust", ""),
        size=("°C", "above the usual"),
        has_litres=False,
        has_delivery=True,
        log_prior=-6.0,
    ),
"""
MODULE = '''"""Findings about loads that came far too hot."""

from pipeline.cases.finding import Evidence, Finding
from pipeline.cases.priors import LOG_PRIOR
from pipeline.estimate.known import known_day

LOG_BAYES = 14.0


def hot_findings(observed, tables):
    """A finding a load whose ticket says 60 °C or more."""
    drops = [drop.drop for unit in observed.units for drop in unit.drops]
    return [
        Finding(
            cause="scalding_load", site_id=observed.site_id, unit_id=row["tank_id"], tank_id=row["tank_id"],
            day=known_day(drop.end_s), start_s=drop.start_s, end_s=drop.end_s, delivery_id=row["delivery_id"],
            log_odds=LOG_PRIOR["scalding_load"] + LOG_BAYES, log_prior=LOG_PRIOR["scalding_load"],
            evidence=(Evidence("statistic", "the temperature on the ticket", row["ticket_temp_c"], "°C"),),
        )
        for row in tables["deliveries"].iter_rows(named=True)
        for drop in drops
        if row["ticket_temp_c"] >= 60.0
    ]
'''
IMPORTED = "from pipeline.cases.gauges import gauge_findings\n"
CALLED = "        *gauge_findings(observed),\n"
EDITS = {
    "contract/causes.py": lambda text: text.replace("RECORDS: Final = (\n", RECORD),
    "cases/hot_loads.py": lambda text: MODULE,
    "analysis.py": lambda text: text.replace(
        IMPORTED, f"{IMPORTED}from pipeline.cases.hot_loads import hot_findings\n"
    ).replace(CALLED, f"{CALLED}        *hot_findings(observed, tables),\n"),
}


def _changed(folder: Path) -> Path:
    """A copy of the project with the cause added."""
    folder.mkdir()
    for name in ("flows", "queries", "shared"):
        (folder / name).symlink_to(ROOT / name)
    shutil.copytree(ROOT / "pipeline", folder / "pipeline")
    for name, edit in EDITS.items():
        path = folder / "pipeline" / name
        before = path.read_text() if path.exists() else ""
        path.write_text(edit(before))
        assert path.read_text() != before
    return folder


def _hot_lake(folder: Path) -> Path:
    tables = tiny_lake(days=4)
    filled = pl.when((pl.col("tank_id") == "T1") & (pl.col("ts") >= START + pl.duration(hours=30))).then(600.0)
    tables["readings"] = tables["readings"].with_columns(pl.col("level_mm") - 900.0 + filled.otherwise(0.0))
    ticket = {"delivery_id": "D1", "tank_id": "T1", "ts_ticket": START.replace(day=30, hour=6),
              "ticket_volume_l": 3000.0, "ticket_temp_c": 71.0}  # fmt: skip
    return write(folder, tables | {"deliveries": rows("deliveries", ticket)})


def test_a_cause_is_added_in_the_files_that_are_named_for_it(tmp_path):
    named = re.search(r"^\| add a cause \| (.*) \|$", (ROOT / "DEVELOPERS.md").read_text(), re.M)
    assert named is not None
    assert {name for name in EDITS if name != "cases/hot_loads.py"} <= set(re.findall("`([^`]*)`", named[1]))
    lake, out = _hot_lake(tmp_path / "lake"), tmp_path / "out"
    home = _changed(tmp_path / "home")
    where = {**os.environ, "PYTHONPATH": str(home)}
    for words in (["run", str(lake), "--out", str(out), "--direct"], ["check", str(out)]):
        code = f"from flows.cli import main; raise SystemExit(main({words!r}))"
        done = subprocess.run([sys.executable, "-c", code], cwd=home, env=where, capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
    cases = pl.read_parquet(out / "cases.parquet").filter(pl.col("cause") == "scalding_load")
    assert cases.select("tank_id", "delivery_id").rows() == [("T1", "D1")]
    assert 0.5 < cases["probability"][0] <= 1.0
    page = (out / "report" / "index.html").read_text()
    assert "Load came far too hot" in page
    assert "Ask the terminal where it was loaded." in page
