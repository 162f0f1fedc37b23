"""Kind of evidence: contract. A file that unpacks to more than is read, or whose header lies, costs its own rows."""

import io
import json
import subprocess
import sys
from datetime import date

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipeline.errors import SourceError
from pipeline.lake import read_lake
from pipeline.lake_file import MOST_BYTES, MOST_ROWS
from pipeline.load import BATCH_ROWS
from pipeline.said.sayings import MOST_NAME, MOST_NOTE_BYTES
from pipeline.sources.files import FileSource
from pipeline.sources.table_config import FileTable
from tests.support.lakes import START, tiny_lake, write
from tests.support.runs import ROOT, tankdrift

MEGABYTES = 1_000_000
DAY = date(2024, 3, 30)


def _bomb(row: dict, times: int, a_group: int) -> bytes:
    """A Parquet file of a few kilobytes: one row so many times, in groups of rows that are alike."""
    group = pa.Table.from_pylist([row]).take(pa.array([0] * a_group, pa.int32()))
    file = io.BytesIO()
    with pq.ParquetWriter(file, group.schema, compression="zstd", use_dictionary=False) as writer:
        for _ in range(-(-times // a_group)):
            writer.write_table(group)
    return file.getvalue()


def _row(**other: object) -> dict:
    return {"ts": START, "tank_id": "T1", "level_mm": 1000.0, "quality": "good"} | other


BOMBS = {
    "rows": _bomb(_row(), MOST_ROWS + 1, 2_000_000),
    "bytes": _bomb(_row(quality="x" * MEGABYTES), MOST_BYTES // MEGABYTES + 1, 64),
}


@pytest.mark.parametrize("kind", BOMBS)
def test_a_small_file_that_unpacks_to_too_much_is_refused_unread_and_the_rest_goes_on(tmp_path, kind):
    """With 4 GB of memory to be had; what it holds would not go into it."""
    lake = write(tmp_path / "lake", tiny_lake())
    (lake / "readings" / f"day={DAY}" / "huge.parquet").write_bytes(BOMBS[kind])
    assert len(BOMBS[kind]) < MEGABYTES
    done = tankdrift("run", lake, "--out", tmp_path / "out", "--direct")
    assert done.returncode == 1, done.stderr
    last = done.stderr.splitlines()[-1]
    assert f"readings/day={DAY}/huge.parquet unpacks to " in last
    assert last.endswith(
        "at most 20,000,000 rows and 2,000,000,000 bytes are read of one file; split it into smaller ones"
    )
    assert read_lake(lake).quarantine["reason"].to_list() == ["file_too_large"]


def test_a_source_does_not_take_it_either(tmp_path):
    (tmp_path / "readings.parquet").write_bytes(BOMBS["rows"])
    source = FileSource("drops", str(tmp_path), {}, {"readings": FileTable(pattern="readings.parquet")})
    with pytest.raises(SourceError, match=r"drops: readings.parquet unpacks to 22,000,000 rows"):
        source.read("readings", "readings.parquet")


def test_headers_that_lie_are_read_as_they_stand_or_refused_within_the_memory_there_is(tmp_path):
    lake = write(tmp_path / "lake", tiny_lake())
    command = [sys.executable, "-m", "tests.support.odd_headers", str(lake), "300"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    told = [json.loads(line) for line in done.stdout.splitlines()]
    assert [seed for seed, _ in told] == list(range(300))
    assert sum(rows is None for _, rows in told) > 100
    assert sum(rows is not None for _, rows in told) > 20


def test_the_page_of_limits_says_what_is_read():
    page = (ROOT / "docs" / "operations.md").read_text()
    assert f"| a Parquet file | {MOST_ROWS:,} rows, {MOST_BYTES:,} bytes unpacked," in page
    assert f"whole days up to {BATCH_ROWS:,} rows" in page
    assert f"{MOST_NOTE_BYTES:,} bytes a note, {MOST_NAME} characters a name" in page
