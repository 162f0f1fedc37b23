"""What a run came to, in words: for the terminal, and for Prefect's page."""

from pathlib import Path

from pipeline.stages import Outcome


def as_text(outcome: Outcome, out: Path) -> str:
    """A few lines for the terminal: cases by urgency, what came in and was refused, and where to look."""
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
            f"report: {out / 'report' / 'index.html'}",
        ]
    )


def as_markdown(outcome: Outcome) -> str:
    """A page for Prefect: what came in, what was refused, which cases there are."""
    lines = [f"# Run over data to {outcome.last_day}", "", _cases(outcome), ""]
    lines += ["| table | rows read | doubles | refused | refused % |", "| --- | ---: | ---: | ---: | ---: |"]
    lines += [
        f"| {row['table']} | {row['rows_read']:,} | {row['doubles']:,} | {row['rows_refused']:,} "
        f"| {row['refused_pct']:.3g} |"
        for row in outcome.intake.iter_rows(named=True)
    ]
    return "\n".join(lines)


def _cases(outcome: Outcome) -> str:
    total = int(outcome.cases["cases"].sum())
    named = [f"{row['cases']} {row['urgency'].replace('_', ' ')}" for row in outcome.cases.iter_rows(named=True)]
    return f"{total} case{'' if total == 1 else 's'}{': ' + ', '.join(named) if named else ''}"
