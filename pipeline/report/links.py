"""Names of pages and places in them, safe in a path and in an address whatever a lake calls its tanks."""

import hashlib
import re
from collections import Counter
from collections.abc import Iterable
from datetime import date

_UNSAFE = re.compile(r"[^A-Za-z0-9_-]+")
_LONGEST = 60


def slug(name: str) -> str:
    """`name` if it is safe as it is, else what is safe of it and a digest that keeps it apart from others.

    >>> slug("S02-T1"), slug("../a b")
    ('S02-T1', '-a-b-2c2c791a')
    """
    safe = _UNSAFE.sub("-", name)[:_LONGEST]
    return safe if safe == name and name else f"{safe}-{_digest(name)}"


def page_names(tank_ids: Iterable[str]) -> dict[str, str]:
    """Path of each tank's page below the report's folder; unique where case does not count in file names, too."""
    return _named("tanks", tank_ids)


def site_pages(site_ids: Iterable[str]) -> dict[str, str]:
    """Path of each site's page, as `page_names`."""
    return _named("sites", site_ids)


def days_page(site_page: str) -> str:
    """Where a site's sales and gauges over any span are, by where its page is."""
    return f"days/{site_page.partition('/')[2]}"


def shifts_page(site_page: str) -> str:
    """Where a desk has a site's sales and gauges between any two instants, by where its page is."""
    return f"shifts/{site_page.partition('/')[2]}"


def _named(folder: str, names: Iterable[str]) -> dict[str, str]:
    ids = list(dict.fromkeys(names))
    twins = Counter(slug(i).casefold() for i in ids)
    return {
        i: f"{folder}/{slug(i)}.html" if twins[slug(i).casefold()] == 1 else f"{folder}/{slug(i)}-{_digest(i)}.html"
        for i in ids
    }


def case_anchor(case_id: str) -> str:
    """Where a case stands in its page."""
    return f"case-{slug(case_id)}"


def case_paper(case_id: str) -> str:
    """Where a case's file is that is made to be printed."""
    return f"papers/{case_anchor(case_id)}.html"


def claim_paper(key: str) -> str:
    """Where the claim about a delivery is."""
    return f"papers/claim-{slug(key)}.html"


def statement_paper(month: date, tank_id: str) -> str:
    """Where a tank's month is."""
    return f"papers/month-{month}-{slug(tank_id)}.html"


def site_paper(month: date, site_id: str) -> str:
    """Where a site's month is."""
    return f"papers/month-{month}-site-{slug(site_id)}.html"


def _digest(name: str) -> str:
    return hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:8]
