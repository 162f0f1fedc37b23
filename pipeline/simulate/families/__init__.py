"""Families of physics that fleets are drawn from: the plain one, five for development, and those that are kept.

The kept ones exist to measure: benchmarks alone draw fleets from them, and no number, prior, law or threshold of what
judges is set by looking at them, at their fleets or at single cases of theirs. A kept family differs from those for
development in kind, by other laws, not by other figures of the same ones. `tests/simulate/test_families.py` holds that
nothing but benchmarks and the simulator's own tests names one.
"""

from pipeline.simulate.families.development import DEVELOPMENT
from pipeline.simulate.families.kept import KEPT
from pipeline.simulate.families.record import PLAIN, Family

FAMILIES: dict[str, Family] = {family.name: family for family in (PLAIN, *DEVELOPMENT, *KEPT)}

__all__ = ["DEVELOPMENT", "FAMILIES", "KEPT", "PLAIN", "Family", "family_named"]


def family_named(name: str) -> Family:
    """Return the family of that name.

    Raises
    ------
    ValueError : if there is none.
    """
    if name not in FAMILIES:
        raise ValueError(f"unknown family {name!r}; there are {', '.join(FAMILIES)}")
    return FAMILIES[name]
