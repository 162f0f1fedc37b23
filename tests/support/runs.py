"""How to run tankdrift as its users do, and what a run left."""

import contextlib
import io
import json
import re
import subprocess
import sys
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path

import polars as pl

from flows.cli import main
from pipeline.contract.run import PARQUET_TABLES
from pipeline.store import SCHEMAS, open_store

ROOT = Path(__file__).resolve().parents[2]
COMMAND = [sys.executable, "-c", "import sys; from flows.cli import main; sys.exit(main())"]
"""The command, from whatever place it was installed or checked out in."""


def tankdrift(*arguments: object, **options: object) -> subprocess.CompletedProcess[str]:
    """Run the command in a process of its own, in the root of the project."""
    command = [*COMMAND, *(str(argument) for argument in arguments)]
    return subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False, **options)  # type: ignore[call-overload]


def tankdrift_here(*arguments: object, now: datetime | None = None) -> subprocess.CompletedProcess[str]:
    """Run the command in this process, which has its libraries already: for the steps around what a test is about.

    `now` is what the clock says in UTC; left out, it is asked.
    """
    said, complained = io.StringIO(), io.StringIO()
    words = [str(argument) for argument in arguments]
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(complained):
        code = main(words, now=now)
    return subprocess.CompletedProcess(words, code, said.getvalue(), complained.getvalue())


_ONE_AFTER_ANOTHER = """
import json, sys
from tests.support.runs import tankdrift_here
done = [tankdrift_here(*words) for words in json.load(sys.stdin)]
json.dump([(one.returncode, one.stdout, one.stderr) for one in done], sys.stdout)
"""


def tankdrift_each(*commands: Sequence[object], env: Mapping[str, str]) -> list[subprocess.CompletedProcess[str]]:
    """Run some commands, one after another, in one process that has an environment of its own."""
    told = json.dumps([[str(word) for word in words] for words in commands])
    run = {"input": told, "capture_output": True, "text": True, "cwd": ROOT, "env": env, "check": True}
    done = subprocess.run([sys.executable, "-c", _ONE_AFTER_ANOTHER], **run)  # type: ignore[call-overload]
    results = zip(commands, json.loads(done.stdout), strict=True)
    return [subprocess.CompletedProcess(words, *result) for words, result in results]


_NEWS = re.compile(rb'<(p|small|details) class="(?:news|believed)">.*?</\1>', re.DOTALL)


def left(out: Path) -> dict[str, object]:
    """All that a run left, but for how long its steps took, and what its pages say of runs before it."""
    with open_store(out, read_only=True) as store:
        names = [name for name in SCHEMAS if name not in ("run_log", "_state", "_parts")]
        tables = {name: store.table(name) for name in names}
        tables["_refused"] = tables["_refused"].sort(pl.all())
        for name in ("readings", "sales", "meter_totals"):
            tables[name] = store.query(f"ingest/{name}")
    content: dict[str, object] = {name: frame.to_dicts() for name, frame in tables.items()}
    files = [*(out / f"{name}.parquet" for name in PARQUET_TABLES), *sorted((out / "report").rglob("*"))]
    return content | {str(path.relative_to(out)): _NEWS.sub(b"", path.read_bytes()) for path in files if path.is_file()}


def unlike(one: Path, other: Path) -> list[str]:
    """Names of what two runs left that is not the same."""
    here, there = left(one), left(other)
    return sorted(name for name in here.keys() | there.keys() if here.get(name) != there.get(name))
