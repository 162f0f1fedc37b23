"""How likely each cause is before any data, and from which odds a finding is raised."""

RAISE_AT = 2.0
"""Log posterior odds from which a finding is raised: some seven to one. [C]"""
LOG_PRIOR = {
    "bulk_theft": -8.0,
    "slow_theft": -5.5,
    "probe_fault": -7.0,
    "wrong_product": -6.5,
}
"""Log odds of each cause before any data: of a draw on a tank's day (one in eight years), of a pattern on a tank (one
in 250), of a gauge that falls ill on its day (one in three years), of another product in a drop (one in 650). Common
practice, no source."""
