"""What left tanks beyond their sales: draws, and cases of draws and missing sales, by place and hour."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, Final

from pipeline.report import beyond_text as words
from pipeline.report import format as fmt
from pipeline.report.case import Case
from pipeline.report.drawing import Chart, chart
from pipeline.report.fleet import Fleet, by_tank

Row = dict[str, Any]
OF_DRAWS: Final = ("bulk_theft", "slow_theft")
"""Causes whose litres are draws."""
CAUSES: Final = (*OF_DRAWS, "missing_sales")
"""Causes by which litres leave a tank and no sale shows them."""
NIGHT_FROM_H: Final = 22
NIGHT_TO_H: Final = 5
"""The hours of the site's clock that are called night, the first of them and the first after them; common practice, no
source."""
_NEAR: Final = timedelta(hours=2)
_TWO_SIDED: Final = 1.96


def beyond_sales(fleet: Fleet) -> list[Row]:
    """A row a draw, and a row a case of `CAUSES` that is of no draw or of missing sales; the newest first.

    Returns
    -------
    list of dict
        `key`, `at`, `until`, `sort` (draw, bulk_theft …), `is_night`, `litres` that left (positive) with `low_l` and
        `high_l`, None where not known, `case`, and the tank's `tank_id`, `site_id`, `site`, `product_label`, `tz`,
        `href`. Litres of a case are those of the worklist; a draw in its time may be part of them.
    """
    tanks = {t["tank_id"]: t for t in fleet.tanks}
    told = by_tank([c for c in fleet.cases if c.cause in CAUSES])
    draws = fleet.tables.once("draws", lambda: [_draw(r, tanks) for r in fleet.tables.rows("draws")])
    rows = [row | {"case": _case_of(row, told.get(row["tank_id"], []))} for row in draws]
    with_draws = {r["case"].row["case_id"] for r in rows if r["case"] is not None and r["case"].cause in OF_DRAWS}
    cases = {c.row["case_id"]: c for own in told.values() for c in own}
    rows += [_case(c, tanks) for i, c in cases.items() if i not in with_draws and c.row["ts_start"] is not None]
    return sorted(rows, key=lambda r: (-r["at"].timestamp(), r["tank_id"] or "", r["key"]))


def _draw(row: Row, tanks: Mapping[str, Row]) -> Row:
    """A draw, but for the case that it is of."""
    litres, half = abs(row["litres"] or 0.0), _TWO_SIDED * (row["sd_l"] or 0.0)
    sort = "at_rest" if row["kind"] == "at rest" else "selling" if row["kind"] == "while selling" else "draw"
    return _placed(tanks.get(row["tank_id"], {}), row["tank_id"], row["ts_start"]) | {
        "key": f"{row['tank_id']} {row['ts_start']}", "at": row["ts_start"], "until": row["ts_end"], "sort": sort,
        "is_draw": True, "litres": litres, "low_l": litres - half, "high_l": litres + half,
    }  # fmt: skip


def _case_of(row: Row, cases: Sequence[Case]) -> Case | None:
    return next((c for c in sorted(cases, key=lambda c: c.cause not in OF_DRAWS) if _is_of(c, row)), None)


def _is_of(case: Case, row: Row) -> bool:
    start, end = case.row["ts_start"], case.row["ts_end"]
    if start is None or row["at"] < start - _NEAR:
        return False
    return end is None or row["at"] <= end + _NEAR


def _case(case: Case, tanks: Mapping[str, Row]) -> Row:
    row, tank_id = case.row, next(iter(case.tanks), case.row["tank_id"])
    litres, low, high = case.sized()
    return _placed(tanks.get(tank_id, {}), tank_id, row["ts_start"]) | {
        "key": str(row["case_id"]), "at": row["ts_start"], "until": row["ts_end"], "sort": case.cause, "is_draw": False,
        "litres": litres, "low_l": low, "high_l": high, "case": case, "is_night": False,
    }  # fmt: skip


def _placed(tank: Mapping[str, Any], tank_id: str | None, at: datetime) -> Row:
    tz = fmt.zone(tank.get("timezone"))
    hour = at.astimezone(tz).hour
    return {
        "tank_id": tank_id, "site_id": tank.get("site_id"), "site": tank.get("site", ""), "tz": tz,
        "product_label": tank.get("product_label", ""), "href": tank.get("href"),
        "is_night": hour >= NIGHT_FROM_H or hour < NIGHT_TO_H,
    }  # fmt: skip


def of_site(rows: Sequence[Row], site_id: str) -> list[Row]:
    """Those of one site."""
    return [r for r in rows if r["site_id"] == site_id]


def line(rows: Sequence[Row]) -> str:
    """The sentence that a reader takes along: the draws' litres, and how many cases of missing sales there are."""
    draws = [r for r in rows if r["is_draw"]]
    missing = [r for r in rows if r["sort"] == "missing_sales"]
    return words.LINE.format(
        draws=fmt.count(len(draws), "draw", "draws"), litres=fmt.quantity(sum(r["litres"] for r in draws), "l"),
        night=fmt.number(sum(r["is_night"] for r in draws)), cases=fmt.count(len(missing), "case", "cases"),
    )  # fmt: skip


def hours(rows: Sequence[Row]) -> Chart | None:
    """Litres of draws by weekday and hour of the sites' own clocks; None where there is no draw."""
    litres: dict[tuple[int, int], float] = defaultdict(float)
    count: dict[tuple[int, int], int] = defaultdict(int)
    for row in rows:
        if row["is_draw"]:
            at = row["at"].astimezone(row["tz"])
            litres[at.weekday(), at.hour] += row["litres"]
            count[at.weekday(), at.hour] += 1
    if not count:
        return None
    grid = [[round(litres[d, h]) if (d, h) in count else None for h in range(24)] for d in range(7)]
    trace = {
        "type": "heatmap", "x": list(range(24)), "y": list(range(7)), "z": grid, "zmin": 0, "xgap": 1, "ygap": 1,
        "hoverongaps": False, "colorscale": [[0, "@mid"], [1, "@loss"]],
        "customdata": [[words.CELL.format(day=words.WEEKDAYS[d], hour=h, n=count[d, h]) for h in range(24)]
                       for d in range(7)],
        "hovertemplate": "%{customdata}: %{z:,.0f} l<extra></extra>",
        "colorbar": {"title": {"text": words.UNIT}},
    }  # fmt: skip
    made = chart("hours", [trace], "", height=300)
    made["layout"]["yaxis"] = {
        "tickvals": list(range(7)), "ticktext": list(words.WEEKDAYS), "autorange": "reversed", "showgrid": False,
        "zeroline": False,
    }  # fmt: skip
    made["layout"]["xaxis"] = {
        "type": "linear", "dtick": 3, "tickformatstops": [], "zeroline": False, "title": {"text": words.HOUR},
    }  # fmt: skip
    return made


def beyond_records(rows: Sequence[Row]) -> dict[str, Any]:
    """What is saved of the list: a row a draw or case."""
    columns = ["from", "to", "site_id", "site", "tank_id", "product", "what", "at_night", "left_l", "left_low_l",
               "left_high_l", "case_id"]  # fmt: skip
    return {"columns": columns, "rows": {r["key"]: _record(r) for r in rows}}


def _record(row: Row) -> list[Any]:
    figures = [None if row[name] is None else round(row[name], 4) for name in ("litres", "low_l", "high_l")]
    return [
        row["at"].astimezone(row["tz"]).isoformat(),
        None if row["until"] is None else row["until"].astimezone(row["tz"]).isoformat(), row["site_id"], row["site"],
        row["tank_id"], row["product_label"], row["sort"], row["is_night"], *figures,
        None if row["case"] is None else row["case"].row["case_id"],
    ]  # fmt: skip
