"""What people call the columns of a lake: words of the trade in headings, and the units that headings name.

Common practice, no source. A word here makes a column likely and nothing more: people read what is proposed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

_PARTS: Final = re.compile(r"(?<![A-Za-z])[Mm]3(?!\d)|[A-Z]+(?![a-z])|[A-Z]?[a-zäöüß]+|\d+|°|%")


@dataclass(frozen=True)
class Called:
    """Words of a heading: any of `core` names the column, `also` makes it likelier, one of `never` rules it out."""

    core: frozenset[str]
    also: frozenset[str] = frozenset()
    never: frozenset[str] = frozenset()

    def score(self, words: frozenset[str]) -> int:
        """How well a heading's words fit; nought where they do not."""
        if words & self.never or not words & self.core:
            return 0
        return 4 * len(words & self.core) + 2 * len(words & self.also) - len(words - self.core - self.also)


def _called(core: str, also: str = "", never: str = "") -> Called:
    return Called(*(frozenset(words.split()) for words in (core, also, never)))


_IDS: Final = "id no nr num number code key nummer"
_TIMES: Final = "time timestamp date datetime ts zeit zeitpunkt datum read recorded at utc local stamp"
_VOLUMES: Final = "volume vol qty quantity litres liters litre liter gallons gallon gal menge"
_PLACE: Final = f"{_IDS} name"

COLUMNS: Final[Mapping[str, Mapping[str, Called]]] = {
    "sites": {
        "site_id": _called("site station store location", _IDS, "name address zone"),
        "name": _called("name", "site station store location"),
        "timezone": _called("timezone zone tz", "time"),
        "trading_day_start": _called("start starts begins opens", "day trading business", "date"),
        "currency": _called("currency"),
        "latitude": _called("latitude lat"),
        "longitude": _called("longitude lon lng long"),
    },
    "tanks": {
        "tank_id": _called("tank tk", _PLACE, "capacity diameter length shape product safe"),
        "site_id": _called("site station store location", _IDS, "name"),
        "product": _called("product grade fuel", "name"),
        "capacity_l": _called("capacity size", "tank nominal litres liters gallons gal l", "safe max working"),
        "safe_fill_l": _called("safe working", "fill max capacity litres liters gallons gal limit"),
        "shape": _called("shape", "tank", "end"),
        "end_shape": _called("end ends head heads", "shape", "depth"),
        "end_depth_mm": _called("depth", "end head"),
        "diameter_mm": _called("diameter dia", "tank inner"),
        "length_mm": _called("length", "tank inner"),
        "tilt_mm_per_m": _called("tilt"),
        "probe_position_mm": _called("probe", "position"),
        "buried": _called("buried underground ust"),
        "wall_count": _called("walls wall", "count number"),
        "manifold_id": _called("manifold siphon", _IDS),
        "commissioned_on": _called("commissioned installed", "on date"),
    },
    "strapping": {
        "tank_id": _called("tank tk", _PLACE, "volume level height"),
        "valid_from": _called("valid from since", _TIMES),
        "level_mm": _called("level height dip mm cm inches", "in fuel product"),
        "volume_l": _called(_VOLUMES, "l"),
    },
    "meters": {
        "meter_id": _called("meter", _PLACE),
        "site_id": _called("site station store location", _IDS, "name"),
        "dispenser": _called("dispenser pump position", _IDS),
        "hose": _called("hose nozzle", _IDS),
    },
    "meter_feeds": {
        "meter_id": _called("meter hose nozzle", _PLACE),
        "tank_id": _called("tank tk", _PLACE),
        "share": _called("share ratio blend", "% percent"),
        "valid_from": _called("from since start", f"valid {_TIMES}"),
        "valid_to": _called("to until end", f"valid {_TIMES}"),
    },
    "readings": {
        "tank_id": _called("tank tk", _PLACE, "level height temp temperature volume water ullage"),
        "ts": _called(_TIMES, "reading gauge"),
        "level_mm": _called("level height dip innage pegel", "product fuel gross", "water"),
        "water_mm": _called("water wasser", "level height dip", "volume"),
        "temp_c": _called("temp temperature temperatur", "product fuel"),
        "density_kg_m3": _called("density dichte api gravity", "product fuel"),
        "quality": _called("quality status flag good"),
    },
    "sales": {
        "sale_id": _called("sale transaction trans trx receipt beleg", _IDS, "volume amount time date price start end"),
        "meter_id": _called("meter hose nozzle pump zapfpunkt", _PLACE),
        "ts_start": _called("start started begin began lifted from beginn", _TIMES),
        "ts_end": _called("end ended hung stop stopped finished completed ende", _TIMES),
        "volume_l": _called(_VOLUMES, "l sold net gross dispensed"),
        "unit_price": _called("price ppu ppg preis", "unit per litre liter l gallon gal"),
        "kind": _called("kind type art test", "sale transaction"),
    },
    "meter_totals": {
        "meter_id": _called("meter hose nozzle pump", _PLACE),
        "ts": _called(_TIMES, "reading"),
        "total_l": _called("total totaliser totalizer counter zaehlerstand", f"{_VOLUMES} l reading meter"),
    },
    "deliveries": {
        "delivery_id": _called("delivery ticket bol docket load lieferschein", _IDS, "volume temp time date density"),
        "tank_id": _called("tank tk", _PLACE),
        "ts_ticket": _called(f"{_TIMES} loaded", "ticket delivery delivered"),
        "ticket_volume_l": _called(_VOLUMES, "l ticket delivered gross loaded"),
        "ticket_temp_c": _called("temp temperature temperatur", "ticket loading"),
        "ticket_density_15_kg_m3": _called("density dichte api gravity", "ticket 15"),
        "carrier": _called("carrier haulier hauler spediteur"),
        "vehicle": _called("vehicle truck tanker trailer", _IDS),
        "terminal": _called("terminal depot rack"),
    },
    "events": {
        "event_id": _called("event", _IDS, "time date kind type"),
        "ts": _called(_TIMES, "event"),
        "site_id": _called("site station store location", _IDS),
        "tank_id": _called("tank tk", _PLACE),
        "meter_id": _called("meter hose nozzle", _PLACE),
        "kind": _called("kind type", "event"),
        "note": _called("note remark comment text"),
    },
}
"""Each table's columns, and the words of headings that name them."""

TABLE_WORDS: Final[Mapping[str, frozenset[str]]] = {
    "sites": frozenset({"site", "sites", "stations", "stores"}),
    "tanks": frozenset({"tank", "tanks"}),
    "strapping": frozenset({"chart", "charts", "strapping"}),
    "meters": frozenset({"meters", "hoses", "nozzles"}),
    "meter_feeds": frozenset({"feeds", "feed"}),
    "readings": frozenset({"reading", "readings", "levels", "gauge", "inventory", "stock"}),
    "sales": frozenset({"sale", "sales", "transactions", "trans", "till"}),
    "meter_totals": frozenset({"totals", "totalisers", "totalizers", "counters"}),
    "deliveries": frozenset({"delivery", "deliveries", "tickets", "drops", "bol"}),
    "events": frozenset({"event", "events", "log"}),
}
"""Words of a file's name that speak for a table."""

UNIT_WORDS: Final[Mapping[str, Mapping[str, str]]] = {
    "mm": {"mm": "mm", "cm": "cm", "m": "m", "in": "in", "inch": "in", "inches": "in", "ft": "ft", "feet": "ft"},
    "l": {
        "l": "l", "litre": "l", "litres": "l", "liter": "l", "liters": "l", "ml": "ml", "m3": "m3", "gal": "gal_us",
        "gallon": "gal_us", "gallons": "gal_us", "bbl": "bbl", "barrels": "bbl",
    },
    "c": {"c": "degC", "degc": "degC", "celsius": "degC", "f": "degF", "degf": "degF", "fahrenheit": "degF", "k": "K"},
    "kg_m3": {"kg": "kg_m3", "lb": "lb_ft3"},
    "per_l": {
        "l": "per_l", "litre": "per_l", "liter": "per_l", "gal": "per_gal_us", "gallon": "per_gal_us",
        "ppg": "per_gal_us",
    },
}  # fmt: skip
"""By quantity of the contract, what a heading's word says of its unit."""
DATE: Final = frozenset({"date", "datum"})
CLOCK: Final = frozenset({"time", "zeit", "uhrzeit", "clock"})
"""Words of headings below which the date of a time stands, and its time of day."""
IMPERIAL: Final = frozenset({"imp", "imperial", "uk"})
"""Words by which a heading's gallons are not those of the United States."""


def words_of(heading: str) -> frozenset[str]:
    """The words of a heading in lower case: ``TankNo`` and ``tank_no`` are ``tank`` and ``no``."""
    return frozenset(part.lower() for part in _PARTS.findall(heading.replace("m³", "m3").replace("°", " ")))
