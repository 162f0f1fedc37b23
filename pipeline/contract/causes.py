"""What each cause is, one record a cause, in the contract's own order.

A cause is told from others by what acts on the data (`estimate/hypotheses.py`, `cases/`); all else that is said or
decided about it stands here.
"""

from typing import Final

from pipeline.contract.cause_record import Cause

_RELEASE = (
    "Treat it as a possible release until it is ruled out: stop selling from and filling this tank where local code "
    "says so, tell whom the code names within the time it sets, and have a licensed tester make a tightness test. "
    "This report is no such test."
)
_VAPOUR = (
    "Opening, dipping or draining a tank lets out vapour that ignites: leave it to people trained and equipped for it."
)
_NOBODY = (
    "This is a gap between two measurements and says nothing about any person. Look at pump tests, totalisers, "
    "locks and a dip by hand first, and let two people review the figures before anyone is asked."
)
_SALE = (
    "Stop sale from this tank until it has been examined: water finding, a sample from the bottom, the drop and the "
    "rain of the last days. Local code says who may release it again."
)
_HAULIER = (
    "A claim needs stock before and after, sales meanwhile and the ticket's temperature; time limits are short. One "
    "ticket is itself good to about 0.15 %."
)
_METER = (
    "A meter outside its tolerance is a matter of law: have it tested by whoever is licensed to, and do not adjust "
    "it on this estimate alone."
)
RECORDS: Final = (
    Cause(
        name="tank_leak",
        noun="a leak from the tank",
        title="Tank may be leaking",
        short="Tank leak",
        action=(
            "Treat as a suspected release: follow your local code and its reporting times, stop filling the tank and "
            "have a licensed tester test it."
        ),
        cautions=(_RELEASE, _VAPOUR),
        look=("@rust", ""),
        size=("l/h", "with the tank half full"),
        settled_by=(
            "A tightness test of the tank by a licensed tester.",
            (
                "Stick readings some quiet hours apart, with no sale and no drop between: a leak goes on then, a "
                "meter that is off does not."
            ),
        ),
        has_rate=True,
        urgency="today",
        is_danger=True,
        balance_log_prior=-3.5,
    ),
    Cause(
        name="line_leak",
        noun="a leak from the line under pressure",
        title="Pipework may be leaking",
        short="Line leak",
        action=(
            "Treat as a suspected release: follow your local code, take the line out of use and have a licensed tester "
            "test it."
        ),
        cautions=(_RELEASE, _VAPOUR),
        look=("@rust", "/"),
        size=("l/h", "while a hose is open"),
        settled_by=(
            "A tightness test of the line by a licensed tester.",
            (
                "Proving the meters of this tank into a calibrated can: it tells a meter that is off from a line "
                "that leaks."
            ),
        ),
        has_rate=True,
        urgency="today",
        is_danger=True,
        balance_log_prior=-4.0,
    ),
    Cause(
        name="bulk_theft",
        noun="one large unmetered draw",
        title="Unrecorded draw from the tank",
        short="Unrecorded draw",
        action="Check locks, dips and cameras for that time; keep the record neutral until it has been reviewed.",
        cautions=(_NOBODY,),
        look=("@plum", ""),
        size=("l", "drawn at once"),
        settled_by=(
            "A stick reading beside a gauge reading: whether the litres are gone, or the gauge has stepped.",
            "The totalisers against the sales of those hours: whether they went through a meter.",
        ),
        urgency="today",
        log_prior=-8.0,
        asked=7,
    ),
    Cause(
        name="slow_theft",
        noun="small unmetered draws in a pattern",
        title="Repeated small unrecorded draws",
        short="Repeated draws",
        action="Check locks, dips and cameras at those hours; keep the record neutral until it has been reviewed.",
        cautions=(_NOBODY,),
        look=("@plum", "/"),
        size=("l", "in a usual night"),
        settled_by=(
            "A reading each minute about the usual hour, for some nights.",
            "The totalisers read before and after that hour.",
        ),
        urgency="today",
        log_prior=-5.5,
        balance_log_prior=-7.0,
        asked=8,
        explains=("tank_leak", "slow_theft", "unexplained"),
        explains_days=3.0,
        waits_days=10.0,
    ),
    Cause(
        name="meter_drift",
        noun="a meter off",
        title="Meter out of adjustment",
        short="Meter",
        action="Have the meter tested, and adjusted by who is licensed to, before its readings are relied on.",
        cautions=(_METER,),
        look=("@ochre", ""),
        size=("%", "that the meter records too much"),
        settled_by=("Proving the meter into a calibrated can, at slow and at full flow, by who is licensed to.",),
        has_meter=True,
        urgency="this_week",
        balance_log_prior=-3.0,
    ),
    Cause(
        name="missing_sales",
        noun="litres metered and not booked as sales",
        title="Metered product with no sale",
        short="Sales not recorded",
        action="Compare the totaliser with the till's records for those hours and find where the sales went.",
        cautions=(_NOBODY,),
        look=("@plum", "x"),
        size=("%", "of a meter's sales in one shift"),
        settled_by=("The meter's totaliser read where a shift begins and ends, against that shift's sales.",),
        has_meter=True,
        urgency="today",
        log_prior=-6.0,
        asked=2,
        explains=("tank_leak", "line_leak", "meter_drift", "unexplained", "slow_theft", "bulk_theft"),
        explains_days=1.0,
        waits_days=4.0,
    ),
    Cause(
        name="chart_error",
        noun="a wrong tank chart",
        title="Tank chart does not fit the tank",
        short="Chart",
        action="Have the tank's chart, tilt and probe offset checked; do not judge losses by this chart meanwhile.",
        cautions=("Keep the old chart. A wrong new one spoils every later figure: have it measured, then compare.",),
        look=("@moss", "/"),
        size=("%", "by which a new chart is too large"),
        settled_by=(
            "A calibration of the tank: litres metered in or out in steps, with the level read at each.",
            ("Stick readings at some levels beside those of the probe: they tell a probe offset from a wrong chart."),
        ),
        has_litres=False,
        urgency="this_week",
        log_prior=-3.0,
        balance_log_prior=-4.5,
    ),
    Cause(
        name="wrong_feed",
        noun="sales booked to a tank that did not supply them",
        title="Sales booked to the wrong tank",
        short="Wrong tank booked",
        action="Check which tank supplies the hose and correct the feed table from that time on.",
        cautions=("Check the valves and the price book before correcting any record; keep what was booked.",),
        look=("@ochre", "/"),
        size=("%", "of a meter's sales (100)"),
        settled_by=(
            (
                "Drawing from that hose alone while the levels of both tanks are watched: the one that falls "
                "supplies it."
            ),
        ),
        has_meter=True,
        urgency="today",
        is_at_stake=False,
        log_prior=-8.0,
        asked=1,
    ),
    Cause(
        name="short_delivery",
        noun="a short delivery",
        title="Less delivered than ticketed",
        short="Short delivery",
        action="Put the figures to the haulier within the time for claims.",
        cautions=(_HAULIER,),
        look=("@teal", ""),
        size=("l", "that a drop is short"),
        settled_by=(
            "Stick readings before and after the next drop of that haulier, with no sale meanwhile.",
            "The terminal's own record of that load, with its temperature.",
        ),
        has_delivery=True,
        urgency="today",
        asked=9,
    ),
    Cause(
        name="over_delivery",
        noun="an over-delivery",
        title="More delivered than ticketed",
        short="Over-delivery",
        action="Compare with the other drops of that vehicle: the litres may be short at another tank.",
        cautions=(_HAULIER,),
        look=("@teal", "/"),
        size=("l", "that a drop is over"),
        settled_by=(
            "The terminal's own record of that load, with its temperature.",
            "Stick readings at the vehicle's other stops of that day.",
        ),
        has_delivery=True,
        urgency="this_week",
        asked=10,
    ),
    Cause(
        name="missing_ticket",
        noun="a drop with no ticket",
        title="Delivery with no ticket",
        short="No ticket",
        action="Ask the haulier and the terminal for the ticket, and whose delivery it was.",
        cautions=("Ask for the papers before booking anything. " + _HAULIER,),
        look=("@teal", "x"),
        size=("l", "at the least in the drop whose ticket is lost"),
        settled_by=(
            "The terminal's list of that day's loads.",
            "A density sample: whether it is the product that the tank should hold.",
        ),
        urgency="today",
        log_prior=-5.0,
        asked=3,
        explains=("unexplained", "probe_fault"),
        explains_days=0.3,
    ),
    Cause(
        name="wrong_product",
        noun="a drop of another product",
        title="Delivery may be another product",
        short="Other product",
        action="Stop sale from this tank until a sample has been examined; tell the haulier.",
        cautions=(
            (
                "Stop sale from this tank, and from whichever tank may hold the other product, until samples have been "
                "examined."
            ),
            _VAPOUR,
        ),
        look=("@moss", ""),
        size=("kg/m³", "by which a drop's density is off"),
        settled_by=(
            "A density sample of the tank and of what the compartment held, both at 15 °C.",
            "The flash point of the sample, where one of the two may be petrol.",
        ),
        has_delivery=True,
        has_litres=False,
        urgency="act_now",
        is_danger=True,
        spoils_sale=True,
        log_prior=-6.5,
    ),
    Cause(
        name="water_ingress",
        noun="water coming in",
        title="Water entering the tank",
        short="Water in",
        action=(
            "Dip for water, stop sale if it may reach the suction, and find where it comes in; it may also be a way "
            "for product to get out."
        ),
        cautions=(_SALE, _VAPOUR),
        look=("@blue", ""),
        size=("l/h", "of water that enters"),
        settled_by=(
            "A dip with water-finding paste, today and after the next rain.",
            "A sample from the bottom: whether the float sees water or dirt.",
        ),
        urgency="today",
        is_danger=True,
        spoils_sale=True,
        is_at_stake=False,
        log_prior=-8.0,
    ),
    Cause(
        name="phase_separation",
        noun="a blend that has split or is about to",
        title="Ethanol blend splitting, or about to",
        short="Blend split",
        action="Stop sale from this tank until it has been examined; both layers need licensed handling.",
        cautions=(
            _SALE,
            "A blend that has split does not mend by stirring or topping up.",
            _VAPOUR,
        ),
        look=("@blue", "/"),
        size=("l", "of water under the blend before it splits"),
        settled_by=(
            "A sample from the bottom in a clear bottle: whether there are two layers.",
            "Density samples from the bottom and from the middle.",
        ),
        has_litres=False,
        urgency="act_now",
        is_danger=True,
        spoils_sale=True,
        log_prior=-8.0,
        asked=5,
        explains=("tank_leak", "line_leak", "meter_drift", "unexplained", "slow_theft", "chart_error", "bulk_theft"),
        explains_days=2.0,
        waits_days=10.0,
    ),
    Cause(
        name="probe_fault",
        noun="a faulty gauge",
        title="Gauge cannot be trusted",
        short="Gauge fault",
        action="Have the probe seen to; dip the tank by hand until then.",
        cautions=("Until it is mended nothing else about this tank can be told: no news is not good news.",),
        look=("@rose", ""),
        size=("mm", "by which the level jumps"),
        settled_by=("Stick readings beside gauge readings at the same minute, at two levels.",),
        has_litres=False,
        urgency="today",
        log_prior=-7.0,
        asked=4,
    ),
    Cause(
        name="clock_skew",
        noun="gauge and till clocks that disagree",
        title="Clocks of gauge and tills disagree",
        short="Clocks",
        action="Set the till's and the gauge's clocks right and find what moved them.",
        cautions=("Until the clocks agree, figures within a day at this site are less sure than they look.",),
        look=("@rose", "/"),
        size=("s", "by which the till is set ahead"),
        settled_by=("The clocks of gauge and tills read side by side, against a known time.",),
        has_litres=False,
        urgency="this_week",
        log_prior=-7.0,
        asked=0,
    ),
    Cause(
        name="unexplained",
        noun="something that no known cause explains",
        title="Far from normal, cause not known",
        short="Unexplained",
        action="Look at the tank's page and tell what it was, so that it can be learned from.",
        cautions=("No cause fits well: do not act on a guess. Gather a dip, the totalisers and the tickets first.",),
        look=("@ink", ""),
        size=("l", "of a usual swing, either way"),
        settled_by=("A stick reading, the totalisers and the tickets, all of the same hour.",),
        urgency="this_week",
        log_prior=-6.0,
        balance_log_prior=-8.0,
        asked=6,
        waits_days=8.0,
    ),
)

CAUSE: Final = {cause.name: cause for cause in RECORDS}
"""Each record by its name."""
