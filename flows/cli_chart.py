"""The command about tanks' charts."""

import argparse
import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import OperationError
from pipeline.plain_text import printable

if TYPE_CHECKING:
    from pipeline.chart_review import Review

Command = Callable[[str, Callable[[argparse.Namespace], None], str], argparse.ArgumentParser]

STEPS_MM = (1, 5, 10)
_NAMED = 5


def add_chart_command(command: Command, day: Callable[[str], date]) -> None:
    """Add the command to the command line."""
    sub = command("chart", _chart, "say what trading alone tells of the tanks' charts, and put them right")
    add = sub.add_argument
    add("out", type=Path, metavar="OUT", help="folder of a run; pages and tables go into OUT/charts")
    add("--tank", metavar="T", help="that tank alone, by common practice (all, which tell each other)")
    add("--step-mm", type=int, choices=STEPS_MM, metavar="N", help="a row every 1, 5 or 10 mm beside the site's own")
    add("--valid-from", type=day, metavar="YYYY-MM-DD", help="first day of the tables (the day after the data's last)")
    add("--csv", type=Path, metavar="DIR", help="folder for each judged tank's corrected chart as CSV")
    add("--parquet", type=Path, metavar="DIR", help="the same as Parquet")


def _chart(options: argparse.Namespace) -> None:
    from flows.progress import shown
    from pipeline.chart_review import Asked, review_charts, write_review

    asked = Asked(options.tank, options.step_mm, options.valid_from)
    with shown():
        review = review_charts(options.out, asked)
        page = write_review(review, options.out, csv=options.csv, parquet=options.parquet)
    sys.stdout.write(printable(_as_text(review, page)))
    if review.broken:
        raise OperationError(f"the rest is done, but: {review.broken[0]}")


def _as_text(review: "Review", page: Path) -> str:
    """How many charts were judged, what those worth a new table cost, where to look; of a lone one its figures."""
    charts = review.frames["charts"]
    worth, untold = charts.filter(verdict="new_table"), charts.filter(verdict="untold")
    lines = [
        f"{charts.height - untold.height} of {charts.height} charts judged by data to {review.as_of}, "
        f"worth a new table: {worth.height or 'none'}"
    ]
    for row in worth.head(_NAMED).iter_rows(named=True):
        side = "few" if row["off_l"] > 0 else "many"
        is_priced = row["daily_l"] is not None
        cost = f"{row['daily_l']:,.0f} l a month ({row['daily_pct']:.2f} % of sales); " if is_priced else ""
        off = f"{abs(row['off_l']):,.0f} l too {side} between {row['off_low_mm']:,.0f} and {row['off_high_mm']:,.0f} mm"
        lines.append(f"  {row['tank_id']}: {cost}{off}")
    if charts.height == 1:
        lines += _figures(review)
    lines += [
        f"  {row['tank_id']} cannot be told: {row['reason']}" for row in untold.head(_NAMED).iter_rows(named=True)
    ]
    if worth.height:
        lines.append(f"tables: {page.parent / 'strapping.csv'} and .parquet")
    return "\n".join([*lines, f"charts: {page}"]) + "\n"


def _figures(review: "Review") -> list[str]:
    """A line for each figure of a lone tank's chart: with its interval, or that this data cannot tell it."""
    from pipeline.report.chart_words import FIGURE_NAMES, TOLD

    lines = []
    for row in review.frames["figures"].iter_rows(named=True):
        name, unit = FIGURE_NAMES[row["name"]]
        known = row["value"] is not None
        span = f"{row['value']:,.2f} {unit} ({row['low']:,.2f} to {row['high']:,.2f})" if known else ""
        lines.append(f"  {name}: {span if row['is_told'] else ': '.join(filter(None, (TOLD[0], span)))}")
    return lines
