"""The long wording of the report: how to read the pages."""

from typing import Final

# -- How to read this ---------------------------------------------------------------------------------
READING: Final = (
    ("Variance", "Gauge stock minus book stock, in litres at the tank's own temperature. Book stock is the opening "
     "gauge stock plus deliveries minus sales. A loss is negative and a gain positive, everywhere. Rates of leaks "
     "are the other way round: positive when product leaves."),
    ("Left over", "Of a day's variance, what no named part accounts for: noise, bookings a little early or late, and "
     "what no known cause explains. It swings about nought in a sound tank."),
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
