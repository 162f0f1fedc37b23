"""Invented places, products and people: the stock that fleets are drawn from.

All names are made up. Figures marked C are common practice with no source.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Region:
    """A part of the world: its clock, its place, its money, what its sites sell and at what price."""

    timezone: str
    latitude: float
    longitude: float
    currency: str
    price: float
    round_money: float
    menus: str


REGIONS = (
    Region("Europe/London", 53.2, -2.3, "GBP", 1.42, 5.0, "europe"),
    Region("Europe/Madrid", 40.1, -3.2, "EUR", 1.52, 10.0, "europe"),
    Region("Europe/Helsinki", 61.8, 25.1, "EUR", 1.82, 10.0, "europe"),
    Region("Europe/Berlin", 50.4, 9.3, "EUR", 1.71, 5.0, "europe"),
    Region("America/Chicago", 41.5, -89.9, "USD", 0.92, 10.0, "america"),
    Region("America/New_York", 42.7, -75.4, "USD", 0.97, 10.0, "america"),
    Region("America/Phoenix", 33.9, -111.6, "USD", 0.99, 10.0, "america"),
    Region("Australia/Sydney", -33.4, 149.6, "AUD", 1.93, 10.0, "europe"),
    Region("Africa/Johannesburg", -26.9, 28.4, "ZAR", 23.1, 100.0, "dry"),
    Region("Asia/Kolkata", 23.4, 77.6, "INR", 101.0, 200.0, "dry"),
)

REGION_WEIGHTS = (0.16, 0.12, 0.08, 0.2, 0.12, 0.08, 0.07, 0.07, 0.06, 0.04)

# A product twice in a row with a plus is a siphon-joined pair of tanks; without, two tanks of their own. [C]
MENUS: dict[str, dict[str, tuple[str, ...]]] = {
    "europe": {
        "urban": (
            "gasoline_e10 gasoline_e5 diesel_b7 diesel_b7",
            "gasoline_e10 gasoline_e5 diesel_b7",
            "gasoline_e10 gasoline_e10 gasoline_e5 diesel_b7",
            "gasoline_e10 gasoline_e5 gasoline_e85 diesel_b7",
        ),
        "rural": (
            "gasoline_e5 diesel_b7",
            "gasoline_e10 gasoline_e5 diesel_b7",
            "gasoline_e10 diesel_b7 heating_oil",
        ),
        "motorway": (
            "gasoline_e10 gasoline_e5 diesel_b7 +diesel_b7",
            "gasoline_e10 +gasoline_e10 gasoline_e5 diesel_b7 +diesel_b7",
        ),
        "truck_stop": (
            "diesel_b7 +diesel_b7 gasoline_e10",
            "diesel_b7 +diesel_b7 diesel_b0 gasoline_e10",
        ),
    },
    "america": {
        "urban": (
            "gasoline_e10 gasoline_e0 diesel_b20",
            "gasoline_e10 gasoline_e10 gasoline_e0 diesel_b20",
            "gasoline_e10 gasoline_e0 gasoline_e85 diesel_b20",
        ),
        "rural": ("gasoline_e10 gasoline_e0 diesel_b20", "gasoline_e10 diesel_b0 kerosene"),
        "motorway": ("gasoline_e10 +gasoline_e10 gasoline_e0 diesel_b20",),
        "truck_stop": ("diesel_b20 +diesel_b20 gasoline_e10",),
    },
    "dry": {
        "urban": ("gasoline_e0 gasoline_e5 diesel_b0", "gasoline_e0 gasoline_e0 diesel_b0"),
        "rural": ("gasoline_e0 diesel_b0", "gasoline_e0 diesel_b0 kerosene"),
        "motorway": ("gasoline_e0 gasoline_e5 diesel_b0 +diesel_b0",),
        "truck_stop": ("diesel_b0 +diesel_b0 gasoline_e0",),
    },
}

# Share of a site's throughput that a product gets before scaling to one. [C]
PRODUCT_WEIGHTS = {
    "gasoline_e0": 0.35,
    "gasoline_e5": 0.25,
    "gasoline_e10": 0.4,
    "gasoline_e85": 0.1,
    "diesel_b0": 0.35,
    "diesel_b7": 0.4,
    "diesel_b20": 0.3,
    "kerosene": 0.1,
    "heating_oil": 0.15,
}

PRICE_FACTORS = {
    "gasoline_e0": 1.05,
    "gasoline_e5": 1.04,
    "gasoline_e10": 1.0,
    "gasoline_e85": 0.78,
    "diesel_b0": 1.02,
    "diesel_b7": 1.0,
    "diesel_b20": 1.03,
    "kerosene": 0.85,
    "heating_oil": 0.7,
}

ETHANOL_BLENDS = frozenset({"gasoline_e5", "gasoline_e10", "gasoline_e85"})


def family(product: str) -> str:
    """Products that the same pipework may carry: gasolines, or middle distillates."""
    return "gasoline" if product.startswith("gasoline") else "distillate"


@dataclass(frozen=True)
class SiteKind:
    """A kind of site: throughput, hours, dispensers. Ranges are drawn from evenly. [C]"""

    daily_l: tuple[float, float]
    hours: tuple[tuple[float, float], ...]
    dispensers: tuple[int, int]
    weekend: float
    truck_share: float


SITE_KINDS = {
    "rural": SiteKind((2_500.0, 6_000.0), ((6.0, 22.0), (6.5, 21.5), (7.0, 22.0)), (2, 3), 0.85, 0.02),
    "urban": SiteKind((8_000.0, 15_000.0), ((5.0, 23.5), (6.0, 23.0), (5.0, 24.5), (0.0, 24.0)), (3, 5), 0.92, 0.02),
    "motorway": SiteKind((20_000.0, 36_000.0), ((0.0, 24.0),), (5, 8), 1.12, 0.15),
    "truck_stop": SiteKind((26_000.0, 45_000.0), ((0.0, 24.0),), (4, 6), 0.5, 0.7),
}

KIND_WEIGHTS = {"urban": 0.42, "rural": 0.33, "motorway": 0.17, "truck_stop": 0.08}

_HEADS = (
    "Alder", "Bram", "Calder", "Dorn", "Elms", "Farl", "Garn", "Hazel", "Ivel", "Kestrel", "Lorn", "Marl", "Nether",
    "Orm", "Pell", "Quarn", "Rook", "Selk", "Thorn", "Ulver", "Varn", "Wex", "Yarl", "Zell",
)  # fmt: skip
_TAILS = (
    "bridge",
    "combe",
    "dale",
    "field",
    "ford",
    "haven",
    "holt",
    "low",
    "mere",
    "stead",
    "wick",
    "worth",
)


def town_name(index: int) -> str:
    """Name of an invented town; 288 differ, then they carry a number."""
    head = _HEADS[index * 7 % len(_HEADS)]
    tail = _TAILS[(index * 5 + index // len(_HEADS)) % len(_TAILS)]
    again = index // (len(_HEADS) * len(_TAILS))
    return f"{head}{tail}" + (f" {again + 1}" if again else "")


HAULIER_NAMES = (
    "Wetherlow Haulage", "Brindlecombe Tankers", "Otterhythe Transport", "Fennimarsh Logistics", "Harrowgill Carriers",
    "Saltmeadow Bulk", "Longbarrowby Transport", "Tarnmouth Lines",
)  # fmt: skip
TERMINAL_NAMES = ("Harbour East", "Millpond", "Stonequay", "Westlock", "Greyport", "Fallow Road")
