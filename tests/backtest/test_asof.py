"""What a rule is shown of a day hangs on no later day. Evidence: property, where books, clocks and gauges are at fault.

`tests/scenarios/test_prefix.py` holds the same on ten days of a fleet with every other cause.
"""

from datetime import date

from polars.testing import assert_frame_equal

from pipeline.analysis import analyse
from pipeline.backtest.asof import DATED, SETTLED_PARTS, as_of_tables, cut
from pipeline.contract.vocabulary import PARTS
from pipeline.simulate import FleetSettings, simulate_fleet
from tests.support.fleets import clean
from tests.support.fleets import cut as lake_until

CAUSES = ["probe_fault", "clock_skew", "missing_sales", "wrong_feed", "phase_separation"]
LAST = date(2026, 3, 13)


def test_a_rule_is_shown_of_the_whole_history_what_the_days_run_left():
    settings = FleetSettings(fault_rate=3.0)
    whole = clean(simulate_fleet(6, 24, seed=34, start=date(2026, 3, 1), causes=CAUSES, settings=settings))
    early = lake_until(whole, LAST)
    then = cut(as_of_tables({**early, **analyse(early, until=LAST)}), LAST)
    shown = cut(as_of_tables({**whole, **analyse(whole)}), LAST)
    assert shown["health"]["is_stuck"].any() and shown["health"]["clock_skew_s"].abs().max() > 300.0
    for name in DATED:
        assert_frame_equal(then[name], shown[name], rel_tol=1e-6, abs_tol=1e-6, check_row_order=False)
        assert shown[name].height > 0 or name == "cases"
    # The residual is what is left when cases have their litres, and these are learned later.
    assert set(SETTLED_PARTS) < set(PARTS) and "residual" not in SETTLED_PARTS
