"""What a run came to, in words: for the terminal, and for Prefect's page."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from pipeline.report.said_text import NEWS, NOTHING_NEW
from pipeline.stages import Outcome

_NAMED: Final = 5


def as_text(outcome: Outcome, out: Path) -> str:
    """A few lines for the terminal: what came in and was refused, the cases, the first of them, and where to look."""
    read = int(outcome.intake["rows_read"].sum())
    refused = ", ".join(
        f"{row['rows_refused']:,} of {row['table']}"
        for row in outcome.intake.iter_rows(named=True)
        if row["rows_refused"]
    )
    return "\n".join(
        [
            f"data to {outcome.last_day}: {read:,} rows read, refused: {refused or 'none'}",
            _cases(outcome),
            *_news(outcome),
            *_first(outcome),
            *_without_chart(outcome),
            *_in_part(outcome),
            *_other_charts(outcome),
            f"report: {out / 'report' / 'index.html'}",
        ]
    )


def as_markdown(outcome: Outcome) -> str:
    """A page for Prefect: what came in, what was refused, which cases there are."""
    lines = [
        f"# Run over data to {outcome.last_day}",
        "",
        _cases(outcome),
        *_news(outcome),
        *_without_chart(outcome),
        *_in_part(outcome),
        *_other_charts(outcome),
        "",
    ]
    lines += ["| table | rows read | doubles | refused | refused % |", "| --- | ---: | ---: | ---: | ---: |"]
    lines += [
        f"| {row['table']} | {row['rows_read']:,} | {row['doubles']:,} | {row['rows_refused']:,} "
        f"| {row['refused_pct']:.3g} |"
        for row in outcome.intake.iter_rows(named=True)
    ]
    return "\n".join(lines)


def _news(outcome: Outcome) -> list[str]:
    """A line about what is new of the cases since the run before; none where there was no run before."""
    if outcome.news is None:
        return []
    counts = ", ".join(f"{n} {NEWS[kind]}" for kind, n in outcome.news.items())
    return [f"since the run before: {counts or NOTHING_NEW}"]


def _first(outcome: Outcome) -> list[str]:
    """One line each for the cases at the head of the worklist: how soon, how sure, what."""
    return [
        f"  {row['urgency'].replace('_', ' ')}, {_percent(row['probability'])}: {row['summary']}"
        for row in outcome.first.iter_rows(named=True)
    ]


def _without_chart(outcome: Outcome) -> list[str]:
    """A line about the tanks that have no chart, the first few by name."""
    return _named("no usable chart, so no stock and no losses", outcome.without_chart)


def _in_part(outcome: Outcome) -> list[str]:
    """A line about the tanks that go by what is left of their chart."""
    return _named("rows of the chart refused, judged by the rest", outcome.charts_in_part)


def _other_charts(outcome: Outcome) -> list[str]:
    """A line about the tanks that went by other charts than the lake's."""
    return _named("by another chart than the lake's", outcome.other_charts)


def _named(what: str, tank_ids: Sequence[str]) -> list[str]:
    """A line about some tanks, the first few by name; none where there are none."""
    names = [" ".join(name.split()) for name in tank_ids]
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return [f"{what}: {', '.join(names[:_NAMED])}{more}"] if names else []


def _percent(share: float) -> str:
    """A probability in whole per cent, never said to be certain."""
    return f"{min(max(round(100 * share), 1), 99)} %"


def _cases(outcome: Outcome) -> str:
    total = int(outcome.cases["cases"].sum())
    named = [f"{row['cases']} {row['urgency'].replace('_', ' ')}" for row in outcome.cases.iter_rows(named=True)]
    return f"{total} case{'' if total == 1 else 's'}{': ' + ', '.join(named) if named else ''}"
