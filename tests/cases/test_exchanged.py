"""Probes that were exchanged: what a stick's doubt covers, and what it does not. Litres by hand; 5 l a millimetre."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.cases.exchanged import exchange_findings, without_twins
from pipeline.estimate.unit_walk import jump_hours, shift_hours
from pipeline.ledger.movements import cumulative_l
from tests.support.hand_unit import FIRST_DAY, L_PER_MM, at_s, drop_of, flow_of, gauge_of, seen_of, site_of, unit_of

AT_H = 34.0
HOURS = np.arange(0.0, 72.0, 1 / 30)
FLOW = flow_of(*((float(hour), 40.0) for hour in range(1, 72)))


def seen(step_mm: float, *, unread_h: float = 0.5, **more):
    """A tank that sells 40 l an hour; its probe reads `step_mm` more from the exchange on, and nothing meanwhile."""
    level = 1_600.0 - cumulative_l(FLOW, at_s(HOURS)) / L_PER_MM + step_mm * (HOURS > AT_H)
    is_read = (AT_H - unread_h > HOURS) | (AT_H + unread_h < HOURS)
    unit = unit_of(gauge_of(HOURS[is_read], level[is_read], nominal_s=120.0), events=[("probe_replaced", AT_H + 0.2)])
    return seen_of(unit, flows=[FLOW], **more)


def findings(one, jumps=()):
    return exchange_findings(site_of(one), list(jumps))


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_step_of_eleven_millimetres_is_more_than_a_stick_is_off(sign):
    (found,) = findings(seen(sign * 11.0))
    assert (found.cause, found.tank_id, found.day) == ("chart_error", "T1", FIRST_DAY + 1)
    assert found.evidence[0].value == pytest.approx(sign * 11.0, abs=0.5)
    assert found.course.until(np.array([at_s(80.0)]))[0] == pytest.approx(sign * 55.0, abs=2.5)
    assert found.start_s == pytest.approx(at_s(AT_H + 0.2))


@pytest.mark.parametrize("step_mm", [0.0, 3.0, -3.0, 6.0])
def test_a_step_that_a_stick_may_leave_is_none(step_mm):
    assert findings(seen(step_mm)) == []


def test_an_exchange_that_puts_a_jump_right_is_none():
    """The gauge jumped before, and that ended with the exchange."""
    (found,) = findings(seen(11.0))
    jump = replace(found, cause="probe_fault", start_s=float(at_s(10.0)), end_s=float(at_s(AT_H)))
    assert findings(seen(11.0), [jump]) == []
    assert len(findings(seen(11.0), [replace(jump, unit_id="T2")])) == 1


@pytest.mark.parametrize(("after_h", "is_told"), [(-0.9, False), (0.5, False), (1.1, True), (-30.0, True)])
def test_the_step_of_an_exchange_is_told_once(after_h, is_told):
    """Within the hour to either side, of the same tank."""
    (found,) = findings(seen(11.0))
    jump = replace(found, cause="probe_fault", start_s=found.start_s + 3_600.0 * after_h)
    others = [replace(jump, unit_id="T2"), replace(jump, cause="bulk_theft")]
    assert without_twins([jump, *others], [found]) == ([jump, *others] if is_told else others)


def test_of_an_exchange_about_a_drop_or_a_long_silence_nothing_is_said():
    assert findings(seen(11.0, drops=[drop_of(AT_H + 0.6, 3_000.0)])) == []
    assert findings(seen(11.0, unread_h=7.0)) == []


def test_the_balance_takes_any_step_then_and_an_offset_from_then_on():
    one = seen(11.0)
    assert jump_hours(one) == pytest.approx(at_s([AT_H + 0.2]) / 3_600.0)
    assert shift_hours(one) == pytest.approx(at_s([AT_H + 0.2]) / 3_600.0)
