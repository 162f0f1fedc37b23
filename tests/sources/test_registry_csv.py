"""Kind of evidence: contract, and a value worked by hand. A CSV of tanks as somebody keeps it, yes/no columns too."""

import polars as pl
import pytest

from flows.cli import main

SETTINGS = """
lake = "lake"
min_free_gb = 0

[[sources]]
name = "registry"
kind = "files"
place = "fleet"
[sources.tables.tanks]
pattern = "tanks.csv"
[sources.tables.tanks.columns]
capacity_l = { column = "Capacity", unit = "gal_us" }
diameter_mm = { column = "Diameter", unit = "in" }
"""

HEAD = "tank_id,site_id,product,Capacity,safe_fill_l,shape,end_shape,Diameter,length_mm,buried,wall_count"


@pytest.mark.parametrize(("word", "buried"), [("yes", True), ("No", False), ("TRUE", True), ("0", False)])
def test_tanks_come_from_a_csv(tmp_path, word, buried):
    """10,000 gal are 37,854.117840 l, 96 in are 2,438.4 mm (NIST SP 811, appendix B.8)."""
    (tmp_path / "fleet").mkdir()
    (tmp_path / "lake").mkdir()
    row = f"T1,S1,diesel_b7,10000,36000,horizontal_cylinder,flat,96,8100,{word},2"
    (tmp_path / "fleet" / "tanks.csv").write_text(f"{HEAD}\n{row}\n")
    (tmp_path / "tankdrift.toml").write_text(SETTINGS)
    assert main(["collect", "--config", str(tmp_path / "tankdrift.toml")]) == 0
    [path] = (tmp_path / "lake" / "tanks").glob("*.parquet")
    found = pl.read_parquet(path).row(0, named=True)
    assert found["buried"] is buried
    assert found["capacity_l"] == pytest.approx(37854.117840, abs=1e-6)
    assert found["diameter_mm"] == pytest.approx(2438.4, abs=1e-6)


def test_a_word_that_is_neither_yes_nor_no_is_refused(tmp_path):
    (tmp_path / "fleet").mkdir()
    row = "T1,S1,diesel_b7,10000,36000,horizontal_cylinder,flat,96,8100,perhaps,2"
    (tmp_path / "fleet" / "tanks.csv").write_text(f"{HEAD}\n{row}\n")
    (tmp_path / "tankdrift.toml").write_text(SETTINGS)
    main(["collect", "--config", str(tmp_path / "tankdrift.toml")])
    [path] = (tmp_path / "lake" / "_refused").glob("registry.*tanks.parquet")
    assert pl.read_parquet(path)["reason"].to_list() == ["buried_unreadable"]
