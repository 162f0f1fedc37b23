"""How likely each cause is before any data, and from which odds a finding is raised."""

RAISE_AT = 2.0
"""Log posterior odds from which a finding is raised: some seven to one. [C]"""
LOG_PRIOR = {
    "bulk_theft": -8.0,
    "slow_theft": -5.5,
    "probe_fault": -7.0,
    "wrong_product": -6.5,
    "clock_skew": -7.0,
    "wrong_feed": -8.0,
    "missing_sales": -6.0,
    "missing_ticket": -5.0,
    "water_ingress": -8.0,
    "phase_separation": -8.0,
    "unexplained": -6.0,
}
"""Log odds of each cause before any data: of a draw on a tank's day and of water coming in (one in eight years), of a
pattern on a tank (one in 250), of a gauge that falls ill on its day and of a site's clocks (one in three years), of a
hose's feed on its day (one in eight years), of litres that one hose does not book (one in 400), of a drop without a
ticket (one in 150), of another product in a drop (one in 650), of a spell without a cause on a tank (one in 400).
Common practice, no source."""
