"""Commands of operations: from sources to the lake, the night's work, and how things stand."""

import argparse
import os
import sys
from collections.abc import Callable
from contextlib import nullcontext
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import available_timezones

from pipeline.errors import ArgumentError, CheckFailedError, OperationError
from pipeline.plain_text import printable

if TYPE_CHECKING:
    from pipeline.sources.collect import Collected
    from pipeline.sources.config import Operations

Command = Callable[[str, Callable[[argparse.Namespace], None], str], argparse.ArgumentParser]


def add_source_commands(command: Command, day: Callable[[str], date]) -> None:
    """Add the commands of operations to the command line."""
    collect = command("collect", _collect, "ask every source and bring the lake up to what they hold")
    nightly = command("nightly", _nightly, "do a night's work: collect, look, publish, tell")
    backfill = command("backfill", _backfill, "ask sources again for a stretch of days, whatever was read before")
    record = command("record", _record, "ask Modbus devices as time goes by, and append what they say to the lake")
    publish = command(
        "publish", _publish, "write the report and the files again, where they are not of the last analysis"
    )
    notify = command("notify", _notify, "send what quiet hours have held, once they are over")
    watch = command("watch", _watch, "say how old the newest data is; leaves with 1 where some is stale")
    doctor = command("doctor", _doctor, "check settings, connections, clocks, contract and space; say how to mend each")
    look = command("map", _map, "look at a file that nobody has described, and propose the settings that read it")
    look.add_argument("file", type=Path, metavar="FILE", help="CSV or Parquet")
    look.add_argument("--table", metavar="TABLE", help="the table of the lake that it is (the one that it fits best)")
    look.add_argument(
        "--timezone", metavar="ZONE", help="zone of its times where they name none, such as Europe/Berlin"
    )
    for sub in (collect, nightly, backfill, record, publish, notify, watch, doctor):
        sub.add_argument("--config", type=Path, default=Path("tankdrift.toml"), metavar="FILE", help="tankdrift.toml")
    for sub in (collect, nightly, backfill, record, publish, notify):
        add_log(sub)
    for sub in (collect, nightly, backfill, record):
        sub.add_argument("--source", action="append", metavar="NAME", help="this source alone (may be repeated)")
    backfill.add_argument("--from", dest="first", type=day, required=True, metavar="YYYY-MM-DD", help="first UTC day")
    backfill.add_argument("--to", dest="last", type=day, metavar="YYYY-MM-DD", help="last UTC day (today)")
    doctor.add_argument("--wait", type=float, default=0.0, metavar="S", help="for a Prefect server that comes up (0)")
    record.add_argument("--minutes", type=float, metavar="M", help="stop after so long (never)")


def add_log(command: argparse.ArgumentParser) -> None:
    """Add the option that says how a command writes what it is doing."""
    about = "how to write what it is doing to standard error: lines for people, or an object of JSON a line"
    command.add_argument("--log", choices=("text", "json"), help=about)


def _operations(options: argparse.Namespace) -> "Operations":
    """The settings; what they say of the log is then in the options, where the command line says nothing of it."""
    from pipeline.sources.config import read_operations

    operations = read_operations(options.config)
    if "log" in options:
        options.log = options.log or operations.watch.log
    known = [source.name for source in operations.sources]
    for name in getattr(options, "source", None) or []:
        if name not in known:
            raise ArgumentError(f"--source {name}: there is no such source; there are {', '.join(known) or 'none'}")
    return operations


def _map(options: argparse.Namespace) -> None:
    from pipeline.sources.proposal_text import as_settings
    from pipeline.sources.propose import proposed, read_head
    from pipeline.sources.vocabulary import COLUMNS

    if options.table is not None and options.table not in COLUMNS:
        raise ArgumentError(f"--table {options.table}: there is no such table; there are {', '.join(COLUMNS)}")
    if options.timezone is not None and options.timezone not in available_timezones():
        raise ArgumentError(f"--timezone {options.timezone}: there is no such zone; try one like Europe/Berlin")
    frame, separator, encoding = read_head(options.file)
    proposal = proposed(frame, options.file.name, separator, encoding, options.table)
    sys.stdout.write(as_settings(options.file, frame, proposal, options.timezone))


def _collect(options: argparse.Namespace) -> None:
    from flows.progress import shown
    from pipeline.sources.collect import collect

    operations = _operations(options)
    with shown(options.log):
        done = collect(operations, now=options.now, names=options.source)
    _say(done)


def _say(done: "list[Collected]") -> None:
    from flows.night_page import collected_line

    sys.stdout.writelines(collected_line(entry) + "\n" for entry in done)
    errors = [entry.error for entry in done if entry.error]
    if errors:
        more = f" (and {len(errors) - 1} more)" if len(errors) > 1 else ""
        raise OperationError(f"the rest is done, but: {errors[0]}{more}")


def _nightly(options: argparse.Namespace) -> None:
    from flows.night_page import as_text
    from flows.progress import shown
    from pipeline.nightly import run_night
    from pipeline.settings import settings_from

    operations = _operations(options)
    with shown(options.log):
        night = run_night(operations, now=options.now, names=options.source)
    sys.stdout.write(printable(as_text(night, operations.out)) + "\n")
    night.require_whole(settings_from(operations.run).max_quarantine_pct)


def _backfill(options: argparse.Namespace) -> None:
    from flows.progress import shown
    from pipeline.sources.collect import collect

    start = datetime.combine(options.first, time(), UTC)
    end = options.now if options.last is None else datetime.combine(options.last + timedelta(days=1), time(), UTC)
    if end <= start:
        raise ArgumentError(f"--from {options.first} comes after --to {options.last}")
    operations = _operations(options)
    with shown(options.log):
        done = collect(operations, now=options.now, names=options.source, start=start, end=end)
    _say(done)


def _record(options: argparse.Namespace) -> None:
    from flows.progress import shown
    from flows.recorder import record_all

    operations = _operations(options)
    until = None if options.minutes is None else options.now + timedelta(minutes=options.minutes)
    with shown(options.log):
        counts = record_all(operations, names=options.source, until=until)
    sys.stdout.writelines(
        f"{name}: {merged.new} new rows, {merged.corrected} corrected\n" for name, merged in counts.items()
    )


def _publish(options: argparse.Namespace) -> None:
    from flows.progress import shown
    from pipeline.nightly import publish_last

    operations = _operations(options)
    with shown(options.log):
        publish_last(operations)
    sys.stdout.write(f"report: {operations.out / 'report' / 'index.html'}\n")


def _notify(options: argparse.Namespace) -> None:
    from flows.progress import shown
    from pipeline.nightly import tell

    operations = _operations(options)
    with shown(options.log) if options.log == "json" else nullcontext():
        told = tell(operations, now=options.now)
    sys.stdout.writelines(f"told {notice.role}: {notice.title}\n" for notice in told)
    if not told:
        sys.stdout.write("nobody is to be told anything now\n")


def _watch(options: argparse.Namespace) -> None:
    from pipeline.freshness import freshness, not_fresh
    from pipeline.nightly import late_night

    operations = _operations(options)
    found = freshness(operations.lake, now=options.now, stale_after_hours=operations.stale_after_hours)
    late = late_night(operations, now=options.now)
    lines = list(not_fresh(found))
    sys.stdout.writelines(line + "\n" for line in ([late] if late else []) + lines)
    if lines:
        raise CheckFailedError(f"{len(lines)} of {found.height} are not fresh")
    if late:
        raise CheckFailedError(late)
    sys.stdout.write(f"all {found.height} are fresh\n")


def _doctor(options: argparse.Namespace) -> None:
    from pipeline.doctor import examine

    prefect = os.environ.get("PREFECT_API_URL")
    found = examine(options.config, now=options.now, prefect=prefect, wait_s=options.wait)
    for finding in found:
        sys.stdout.write(printable(f"{'ok  ' if finding.is_well else 'BAD '} {finding.what}: {finding.said}\n"))
        if finding.mend:
            sys.stdout.write(printable(f"       {finding.mend}\n"))
    bad = sum(not finding.is_well for finding in found)
    if bad:
        raise CheckFailedError(f"{bad} of {len(found)} checks failed")
