"""The long wording of the report: what to mind before acting on a case, and how to read the pages."""

from typing import Final

# -- Cautions, where they belong ----------------------------------------------------------------------
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
CAUTIONS: Final = {
    "tank_leak": (_RELEASE, _VAPOUR),
    "line_leak": (_RELEASE, _VAPOUR),
    "bulk_theft": (_NOBODY,),
    "slow_theft": (_NOBODY,),
    "missing_sales": (_NOBODY,),
    "meter_drift": (_METER,),
    "wrong_feed": ("Check the valves and the price book before correcting any record; keep what was booked.",),
    "chart_error": ("Keep the old chart. A wrong new one spoils every later figure: have it measured, then compare.",),
    "short_delivery": (_HAULIER,),
    "over_delivery": (_HAULIER,),
    "missing_ticket": ("Ask for the papers before booking anything. " + _HAULIER,),
    "wrong_product": (
        "Stop sale from this tank, and from whichever tank may hold the other product, until samples have been "
        "examined.",
        _VAPOUR,
    ),
    "water_ingress": (_SALE, _VAPOUR),
    "phase_separation": (_SALE, "A blend that has split does not mend by stirring or topping up.", _VAPOUR),
    "probe_fault": ("Until it is mended nothing else about this tank can be told: no news is not good news.",),
    "clock_skew": ("Until the clocks agree, figures within a day at this site are less sure than they look.",),
    "unexplained": ("No cause fits well: do not act on a guess. Gather a dip, the totalisers and the tickets first.",),
}

# -- How to read this ---------------------------------------------------------------------------------
READING: Final = (
    ("Variance", "Gauge stock minus book stock, in litres at the tank's own temperature. Book stock is the opening "
     "gauge stock plus deliveries minus sales. A loss is negative and a gain positive, everywhere. Rates of leaks "
     "are the other way round: positive when product leaves."),
    ("Intervals", "Every estimate has a 95 % interval: of a hundred such intervals some 95 hold the true figure. "
     "Where the interval is wide, the data is thin; a figure without one is a measurement or a plain sum. The "
     "interval of a sum takes its parts to be independent."),
    ("Probability", "The chance that the case is real and of the cause given: of cases given 80 %, about 8 in 10 "
     "should be. Two cases can share litres while the data cannot tell them apart."),
    ("Urgency", None),
    ("At stake", "Litres times the latest selling price seen for that tank or product. What the litres cost you is "
     "less; what a leak costs the ground is more."),
    ("Verdicts", "A month passes when a leak of the size that the rules ask for would have shown and none did; it is "
     "inconclusive when the data could not have shown it. Inconclusive is not a pass."),
    ("What is left out", "Rows that break a rule are refused and listed under data health. Gaps, stuck gauges and "
     "gauges that report only large changes leave blind spots: they are named, never filled in."),
)  # fmt: skip
