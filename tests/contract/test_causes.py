"""What each cause is. Evidence: contract."""

import pytest

from pipeline.contract.causes import CAUSE, RECORDS
from pipeline.contract.vocabulary import (
    CAUSES,
    CAUSES_WITH_DELIVERY,
    CAUSES_WITH_METER,
    CAUSES_WITH_RATE,
    CAUSES_WITHOUT_LITRES,
    URGENCIES,
)


def test_the_causes_are_those_of_the_contract_in_its_order():
    """The lake's contract, 'Causes': what each is, what it names, and whose litres are null."""
    assert CAUSES == (
        "tank_leak", "line_leak", "bulk_theft", "slow_theft", "meter_drift", "missing_sales", "chart_error",
        "wrong_feed", "short_delivery", "over_delivery", "missing_ticket", "wrong_product", "water_ingress",
        "phase_separation", "probe_fault", "clock_skew", "unexplained",
    )  # fmt: skip
    assert CAUSES_WITH_METER == ("meter_drift", "missing_sales", "wrong_feed")
    assert CAUSES_WITH_DELIVERY == ("short_delivery", "over_delivery", "wrong_product")
    assert CAUSES_WITH_RATE == ("tank_leak", "line_leak")
    assert CAUSES_WITHOUT_LITRES == ("chart_error", "wrong_product", "phase_separation", "probe_fault", "clock_skew")


@pytest.mark.parametrize("cause", RECORDS, ids=lambda cause: cause.name)
def test_each_cause_has_all_its_words(cause):
    assert all((cause.noun, cause.title, cause.short, cause.action, *cause.cautions, *cause.size))
    assert cause.cautions and cause.urgency in URGENCIES
    assert cause.action.endswith(".") and all(caution.endswith(".") for caution in cause.cautions)


def test_causes_are_asked_one_after_the_other_and_explain_known_ones():
    asked = sorted(cause.asked for cause in RECORDS if cause.asked is not None)
    assert asked == list(range(len(asked)))
    for cause in RECORDS:
        assert set(cause.explains) <= set(CAUSE)
        assert not cause.explains or cause.asked is not None


def test_what_keeps_people_from_harm_is_a_danger():
    assert [cause.name for cause in RECORDS if cause.is_danger] == [
        "tank_leak", "line_leak", "wrong_product", "water_ingress", "phase_separation"
    ]  # fmt: skip
    assert {cause.name for cause in RECORDS if cause.spoils_sale} < {cause.name for cause in RECORDS if cause.is_danger}
