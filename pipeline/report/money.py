"""What went missing, was explained, came back and is at risk, by site and month, in litres and each site's currency."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import polars as pl

from pipeline.contract.vocabulary import CAUSES
from pipeline.report import format as fmt
from pipeline.report import money_text as words
from pipeline.report.case import Case
from pipeline.report.drawing import Chart, chart
from pipeline.report.restated import chart_litres
from pipeline.report.tables import Tables
from pipeline.report.worklist import current_losses, each_currency, litres_lost, money_lost, prices_of
from pipeline.said.sayings import closings

Row = dict[str, Any]
NAMED = tuple(cause for cause in CAUSES if cause != "unexplained")
"""Parts of a variance that are put down to a cause by name."""
AMOUNTS = ("lost", "named_lost", "gained", "named_gained", "chart", "risk", "recovered")


@dataclass(frozen=True)
class Amount:
    """Litres, None where nothing is known of them, and what they are worth by currency, None where a price is not."""

    litres: float | None = None
    money: Mapping[str, float] | None = field(default_factory=dict)

    def __add__(self, other: "Amount") -> "Amount":
        """Both together; each currency by itself."""
        if self.litres is None or other.litres is None:
            litres = other.litres if self.litres is None else self.litres
        else:
            litres = self.litres + other.litres
        if self.money is None or other.money is None:
            return Amount(litres, None)
        both = {k: self.money.get(k, 0.0) + other.money.get(k, 0.0) for k in {**self.money, **other.money}}
        return Amount(litres, both)

    @property
    def words(self) -> str:
        """The money, each currency by itself; nothing where there is none, or it is not known."""
        return each_currency({k: v for k, v in (self.money or {}).items() if v})


def site_months(tables: Tables, tanks: Mapping[str, Row], cases: Sequence[Case]) -> list[Row]:
    """A row a site and month, the newest month first.

    Parameters
    ----------
    tables : Tables
    tanks : mapping of str to dict
        Rows of `summaries.tanks` by tank.
    cases : sequence of Case

    Returns
    -------
    list of dict
        `site_id`, `site`, `month`, `sales_l`, `variance_l`, `shrink_pct`, an `Amount` for each of `AMOUNTS`, and
        `risk_span`, litres at risk with their 95 % interval, None where nothing is.
    """
    sites = {r["site_id"]: r for r in tables.rows("sites")}
    # Few months have a case or a recovery, and adding up the others takes long in a large fleet.
    own = tables.once("site months", lambda: _by_place(_tank_months(tables, tanks)))
    sums = tables.once("site months' sums", lambda: {place: totals(rows) for place, rows in own.items()})
    said = [
        {"case": c, "site_id": c.row["site_id"], "month": c.row["ts_start"].astimezone(c.tz).date().replace(day=1)}
        for c in current_losses(cases)
        if c.row["ts_start"] is not None
    ]
    more = _by_place([*said, *_recovered(tables, sites)])
    found = sums | {place: totals([*own.get(place, []), *rows]) for place, rows in more.items()}
    rows = [
        total | {"site_id": site_id, "month": month, "site": sites.get(site_id, {}).get("name") or site_id or ""}
        for (site_id, month), total in found.items()
    ]
    return sorted(rows, key=lambda r: (-r["month"].toordinal(), r["site"], r["site_id"] or ""))


def _by_place(rows: Iterable[Row]) -> dict[tuple[str, date], list[Row]]:
    """Rows by site and month."""
    found: dict[tuple[str, date], list[Row]] = defaultdict(list)
    for row in rows:
        found[row["site_id"], row["month"]].append(row)
    return found


def by_month(rows: Sequence[Row]) -> list[Row]:
    """The fleet's rows, a month each, the newest first."""
    months = sorted({r["month"] for r in rows}, reverse=True)
    return [totals([r for r in rows if r["month"] == month]) | {"month": month} for month in months]


def totals(rows: Iterable[Row]) -> Row:
    """Rows added up; nothing of what is not known in any of them, and each currency by itself."""
    own = list(rows)
    losses = [c for r in own for c in (r.get("cases") or ([r["case"]] if "case" in r else []))]
    sales, variance = (_known_sum(r.get(name) for r in own) for name in ("sales_l", "variance_l"))
    amounts = {name: sum((r[name] for r in own if name in r), Amount()) for name in AMOUNTS}
    if losses:
        amounts["risk"] = Amount(litres_lost(losses)[0], money_lost(losses) or None)
    return amounts | {
        "sales_l": sales, "variance_l": variance, "cases": losses,
        "shrink_pct": None if variance is None or not sales else -100 * variance / sales,
        "risk_span": litres_lost(losses) if losses else None,
        "risk_text": fmt.estimate(*litres_lost(losses), "l") if losses else "",
    }  # fmt: skip


def trend(months: Sequence[Row]) -> Chart | None:
    """The fleet's shrink by month; None where no month has one."""
    known = [m for m in reversed(months) if m["shrink_pct"] is not None]
    if not known:
        return None
    trace = {
        "type": "scatter", "mode": "lines+markers", "name": words.TREND,
        "x": [m["month"].isoformat() for m in known], "y": [round(m["shrink_pct"], 3) for m in known],
        "line": {"color": "@ink", "width": 1.6}, "marker": {"size": 8, "color": "@ink"},
        "hovertemplate": "%{x|%b %Y}: %{y:+.2f} %<extra></extra>",
    }  # fmt: skip
    made = chart("shrink", [trace], words.AXIS, height=220)
    made["layout"]["xaxis"] = {"dtick": "M1", "tickformat": "%b %Y", "tickformatstops": []}
    return made


def money_records(rows: Sequence[Row]) -> dict[str, Any]:
    """What is saved of the list: a row a site and month; money in whole cells with its currency."""
    columns = ["month", "site", "sales_l", "variance_l", "shrink_pct", *(f"{name}_l" for name in AMOUNTS),
               "risk_low_l", "risk_high_l", "currency", *(f"{name}_money" for name in AMOUNTS)]  # fmt: skip
    return {"columns": columns, "rows": {key(r): _record(r) for r in rows}}


def key(row: Row) -> str:
    """What a site's month goes by."""
    return f"{row['site_id']} {row['month']}"


def _record(row: Row) -> list[Any]:
    currencies = sorted({c for name in AMOUNTS for c in row[name].money or {}})
    only = currencies[0] if len(currencies) == 1 else None
    span = row["risk_span"] or (None, None, None)
    figures = [row["sales_l"], row["variance_l"], row["shrink_pct"], *(row[n].litres for n in AMOUNTS), *span[1:]]
    money = [(row[n].money or {}).get(only) if only else row[n].words for n in AMOUNTS]
    return [
        str(row["month"]), row["site"], *(_cell(v) for v in figures), only or ", ".join(currencies),
        *(_cell(v) for v in money),
    ]  # fmt: skip


def _cell(value: Any) -> Any:
    return round(value, 4) if isinstance(value, float) else value


def _known_sum(values: Iterable[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return sum(known) if known else None


def _tank_months(tables: Tables, tanks: Mapping[str, Row]) -> Iterable[Row]:
    """Each tank's months: sales, variance, what is lost or gained, and what a cause by name has of it.

    What an old chart put into a day is no part of any of these, and stands as `chart`.
    """
    restated = chart_litres(tables)
    day = ["tank_id", "trading_day"]
    days = tables["tank_days"].join(restated, on=day, how="left", maintain_order="left")
    days = days.with_columns(variance_l=pl.col("variance_l") - pl.col("chart_l").fill_null(0.0))
    month = pl.col("trading_day").dt.month_start().alias("month")
    known = pl.when(pl.col("variance_l").count() > 0).then(pl.col("variance_l").sum())
    sold = pl.when(pl.col("sales_l").count() > 0).then(pl.col("sales_l").sum())
    of_chart = pl.when(pl.col("chart_l").count() > 0).then(pl.col("chart_l").sum()).alias("chart_l")
    sums = days.group_by("tank_id", month).agg(sold.alias("sales_l"), known.alias("variance_l"), of_chart)
    parts = tables["variance_parts"].filter(pl.col("part").is_in(NAMED)).drop_nulls("litres")
    parts = pl.concat([parts.filter(pl.col("part") != "chart_error"),
                       parts.filter(part="chart_error").join(restated, on=day, how="anti")])  # fmt: skip
    by_name = parts.group_by("tank_id", month).agg(pl.col("litres").sum().alias("named_l"))
    prices = prices_of(tables)
    for row in sums.join(by_name, on=["tank_id", "month"], how="left").sort("tank_id", "month").iter_rows(named=True):
        tank = tanks.get(row["tank_id"])
        if tank is None or row["month"] is None:
            continue
        price, currency = prices(tank)
        named = None if row["variance_l"] is None else row["named_l"] or 0.0
        sides = (("lost", row["variance_l"], -1.0), ("gained", row["variance_l"], 1.0),
                 ("named_lost", named, -1.0), ("named_gained", named, 1.0))  # fmt: skip
        yield row | {"site_id": tank["site_id"], "chart": Amount(row["chart_l"])} | {
            name: _valued(None if litres is None else max(sign * litres, 0.0), price, currency)
            for name, litres, sign in sides
        }  # fmt: skip


def _valued(litres: float | None, price: float | None, currency: str | None) -> Amount:
    """Litres with what they are worth; of nothing that is nothing, whatever the price."""
    if not litres:
        return Amount(litres)
    return Amount(litres, None if price is None or not currency else {currency: litres * price})


def _recovered(tables: Tables, sites: Mapping[str, Row]) -> Iterable[Row]:
    """What came back, by the closings that hold; litres are those agreed on."""
    for row in closings(tables["sayings"]).drop_nulls("recovered").iter_rows(named=True):
        currency = sites.get(row["site_id"], {}).get("currency")
        learned = row["learned_on"] or row["at"].date()
        litres = None if row["litres"] is None else abs(row["litres"])
        money = {currency: row["recovered"]} if currency else None
        yield {"site_id": row["site_id"], "month": learned.replace(day=1), "recovered": Amount(litres, money)}
