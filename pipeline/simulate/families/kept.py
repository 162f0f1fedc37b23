"""Families that are kept: benchmarks alone draw from them, and nothing is ever set by looking inside them."""

from pipeline.simulate.families.record import Family

KEPT: tuple[Family, ...] = ()
