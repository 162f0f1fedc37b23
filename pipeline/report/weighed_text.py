"""Wording of what speaks for a case and against it, and of what would settle it."""

from typing import Final

FOR: Final = "What speaks for it"
AGAINST: Final = "What speaks against it"
NOTHING_AGAINST: Final = (
    "Nothing that this run looks at: other causes, the days, the gauge, the chart, the statement, the site's log."
)
SETTLES: Final = "What would settle it"
DONE: Final = "In the site's log since it began: {told}."

NO_RIVAL: Final = "No other cause came near."
RIVAL: Final = "It could also be {rival}: {odds} to 1 against that."
RIVAL_FAR: Final = "Next likely is {rival}, more than 1\u202f000 to 1 against."
UNSURE: Final = "The 95 % interval of its litres goes from a loss to a gain, {span} l: it may be nothing."
DECOYS: Final = "{decoys} that nothing can cause look as strong as this in the fleet, so that it is believed less."
DAYS_ALL: Final = "On each of {n} whole days the litres that no other part accounts for went its way."
DAYS_FOR: Final = "On {k} of {n} whole days the litres that no other part accounts for went its way."
DAYS_AGAINST: Final = "On {k} of {n} whole days it should have shown and did not: those litres went the other way."
UNTOLD: Final = "On {k} of {n} whole days no variance could be told."
BELOW_SPREAD: Final = (
    "It comes to {size} a day, less than the {spread} by which a usual day of this tank scatters: only many days "
    "together show it."
)
ABOVE_SPREAD: Final = (
    "It comes to {size}{a_day}, {times} times the {spread} by which a usual day of this tank scatters."
)
A_DAY: Final = " a day"
GAUGE: Final = {
    "stuck": "The gauge was stuck on {stuck} of its {days} days.",
    "silent": "The gauge told nothing on any of its {days} days.",
    "gappy": "The gauge was silent for {gap_hours} h a day while it lasted.",
    "blind": "The gauge hides changes below {deadband} mm.",
    "late": "The clocks of gauge and till disagreed on its days: {clock}.",
    "bad": "The gauge called {bad} of its own readings bad while it lasted.",
}
CHART: Final = "A question about this tank's chart is open ({p}): litres by level may be off."
SHARES: Final = "'{label}' is open on the same tank in the same time ({p}), and may account for some of its litres."
TROUBLE: Final = "Data health has: {what}."
PASSED: Final = (
    "{month}'s statement passed, and its leak is {high} at the most, below the {rate} of this case (95 % interval)."
)
LEAKED: Final = "{month}'s statement has a leak of {rate} ({span}), all of its interval above nought."
TESTED_TIGHT: Final = "A tightness test was passed on {when}, after it began."
TESTED_LEAKY: Final = "A tightness test failed on {when}, after it began."
CHANGED: Final = (
    "The site's log has '{what}' on {when}, within two hours of its start: a level may change then with nothing lost."
)
CALIBRATED: Final = "The meter was calibrated on {when}, after it began."
