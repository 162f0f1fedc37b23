"""What ails the data and is no loss, as people read it."""

from pipeline.report import data_text
from pipeline.report import format as fmt
from pipeline.report.fleet import Fleet, Row, by_tank

# Cases that are the same trouble as one of the data's, which tells of the last fortnight alone.
_TROUBLE_OF = {"clock_off": "clock_skew", "clock_drifts": "clock_skew", "stuck": "probe_fault"}


def troubles(fleet: Fleet) -> list[Row]:
    """What ails the data, with its place's time, and where a case tells of the same since before, that case."""
    told = by_tank([c for c in fleet.cases if c.cause in _TROUBLE_OF.values() and not c.is_past])
    homes = {t["tank_id"]: t for t in fleet.tanks}
    rows = []
    for row in fleet.tables.rows("data_health"):
        tank = homes.get(row["tank_id"], {})
        cause = _TROUBLE_OF.get(row["kind"])
        case = next((c for c in told.get(row["tank_id"], []) if c.cause == cause), None)
        since = fmt.moment(row["since"], fmt.zone(tank.get("timezone")))
        value = row["value"]
        rows.append(
            row
            | {
                "site": tank.get("site") or row["site_id"] or "", "case": case,
                "since_text": case.since_long if case else since if row["since"] else "",
                "amount": data_text.clock_words(value) if row["kind"] == "clock_off" else fmt.number(value, 1),
            }
        )  # fmt: skip
    return rows
