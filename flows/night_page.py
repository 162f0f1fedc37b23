"""What a night came to, in words: for the terminal, and for Prefect's page."""

from pathlib import Path

from flows import summary
from pipeline.freshness import not_fresh
from pipeline.nightly import Night
from pipeline.sources.collect import Collected


def collected_line(entry: Collected) -> str:
    """One line about a table of a source."""
    merged = entry.merged
    told = f"{merged.new:,} new, {merged.corrected:,} corrected, {merged.doubles:,} known, {merged.refused:,} refused"
    more = "".join(f"; {text}" for text in (entry.note, entry.error) if text)
    return f"{entry.source} {entry.table}: {told} in {entry.seconds:.1f} s{more}"


def as_text(night: Night, out: Path) -> str:
    """Some lines for the terminal."""
    lines = [collected_line(entry) for entry in night.collected]
    lines += list(not_fresh(night.freshness))
    lines += [f"told {notice.role}: {notice.title}" for notice in night.notices if notice.error is None]
    lines += night.odd
    lines += night.failures
    if night.outcome is not None:
        lines.append(summary.as_text(night.outcome, out))
    return "\n".join(lines)


def as_markdown(night: Night) -> str:
    """A page for Prefect: what came in, what was refused, what is stale, how long each stage took, what failed."""
    lines = ["# Night", ""]
    if night.failures:
        lines += ["**Failed**", "", *(f"- {line}" for line in night.failures), ""]
    lines += ["| source | table | new | corrected | known | refused | until (UTC) | s |"]
    lines += ["| --- | --- | ---: | ---: | ---: | ---: | --- | ---: |"]
    for entry in night.collected:
        merged = entry.merged
        until = "" if entry.newest is None else f"{entry.newest:%Y-%m-%d %H:%M}"
        lines.append(
            f"| {entry.source} | {entry.table} | {merged.new:,} | {merged.corrected:,} | {merged.doubles:,} "
            f"| {merged.refused:,} | {until} | {entry.seconds:.1f} |"
        )
    lines += ["", "**Not fresh**", "", *([f"- {line}" for line in not_fresh(night.freshness)] or ["- nothing"]), ""]
    if night.odd:
        lines += ["**Odd**", "", *(f"- {line}" for line in night.odd), ""]
    lines += [f"- {stage}: {seconds:.1f} s" for stage, seconds in night.stages]
    lines += [f"- told {notice.role}: {notice.title}" for notice in night.notices if notice.error is None]
    if night.outcome is not None:
        lines += ["", summary.as_markdown(night.outcome)]
    return "\n".join(lines)
