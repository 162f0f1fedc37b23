"""What is kept of a site's past days from one run to the next."""

from __future__ import annotations

from dataclasses import dataclass, field

from pipeline.estimate.kept import Shelf
from pipeline.estimate.learned import Shown
from pipeline.estimate.walk_state import NO_PAST, WalkPast
from pipeline.features.feeds import FeedDay
from pipeline.features.steps import Step
from pipeline.ledger.clocks import DayLag


@dataclass(frozen=True)
class SitePast:
    """A site's clocks by day; its units' feeds and sudden moves by day, habits by time of learning; walks by unit.

    All but the walks are by the key of what they were computed from; a walk has such keys of its own.
    """

    clocks: dict[str, DayLag | None] = field(default_factory=dict)
    feeds: dict[str, list[FeedDay]] = field(default_factory=dict)
    steps: dict[str, tuple[Step, ...]] = field(default_factory=dict)
    habits: dict[str, Shown] = field(default_factory=dict)
    walks: dict[str, WalkPast] = field(default_factory=dict)


class Shelves:
    """The same while a run works on the site: what was kept, and what is to be kept."""

    def __init__(self, past: SitePast | None = None) -> None:
        self._past = past or SitePast()
        self.clocks, self.feeds = Shelf(self._past.clocks), Shelf(self._past.feeds)
        self.steps, self.habits = Shelf(self._past.steps), Shelf(self._past.habits)

    def walk(self, unit_id: str) -> WalkPast:
        """What was kept of a unit's walk."""
        return self._past.walks.get(unit_id, NO_PAST)

    def past(self, walks: dict[str, WalkPast]) -> SitePast:
        """What to keep, with the units' `walks`: of the rest, whatever this run found or made."""
        return SitePast(self.clocks.used, self.feeds.used, self.steps.used, self.habits.used, walks)
