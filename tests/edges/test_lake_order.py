"""Kind of evidence: property. What a lake says does not hang on how its rows are laid into files."""

import random
import tempfile
from datetime import date, timedelta
from pathlib import Path

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.lake import read_lake
from tests.support.lakes import START, tiny_lake, write, write_part


def _untidy() -> dict[str, pl.DataFrame]:
    """The tiny lake with doubles, conflicts and wrong rows among its readings and sales."""
    tables = tiny_lake(days=2)
    readings, sales = tables["readings"], tables["sales"]
    tables["readings"] = pl.concat([
        readings,
        readings.gather_every(7),
        readings.gather_every(11).with_columns(level_mm=pl.col("level_mm") + 1),
        readings.gather_every(50).with_columns(quality=pl.lit("bad")),
        readings.gather_every(60).with_columns(tank_id=pl.lit("T9")),
        readings.gather_every(90).with_columns(ts=pl.col("ts") - timedelta(days=20_000)),
    ])  # fmt: skip
    tables["sales"] = pl.concat([
        sales,
        sales.gather_every(5),
        sales.gather_every(9).with_columns(volume_l=pl.col("volume_l") * -1),
        sales.gather_every(13).with_columns(unit_price=pl.lit(None, pl.Float64)),
    ])  # fmt: skip
    return tables


@given(seed=st.integers(0, 2**32), files=st.integers(1, 4), strays=st.booleans())
@settings(max_examples=15)
def test_any_order_and_any_split_into_files_reads_the_same(seed, files, strays):
    tables = _untidy()
    rng = random.Random(seed)
    with tempfile.TemporaryDirectory() as folder:
        plain = read_lake(write(Path(folder) / "plain", tables))
        path = write(Path(folder) / "other", {n: f for n, f in tables.items() if n not in ("readings", "sales")})
        for name in ("readings", "sales"):
            time = "ts" if name == "readings" else "ts_end"
            places = [
                (START.date() + timedelta(days=rng.randrange(2)) if strays else row[time].date(), rng.randrange(files))
                for row in tables[name].iter_rows(named=True)
            ]
            shuffled = tables[name].with_columns(
                _day=pl.Series([place[0] for place in places]), _file=pl.Series([place[1] for place in places])
            ).sample(fraction=1, shuffle=True, seed=seed)  # fmt: skip
            for (day, number), part in shuffled.partition_by("_day", "_file", as_dict=True, include_key=False).items():
                assert isinstance(day, date)
                write_part(path, name, day, part, name=f"f{number}")
        other = read_lake(path)
    assert not plain.quarantine.is_empty()
    assert other.quarantine.equals(plain.quarantine)
    for name, frame in plain.tables.items():
        assert other.tables[name].equals(frame), name
