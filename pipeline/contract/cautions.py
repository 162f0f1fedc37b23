"""What to be careful about before one acts on a case, for several causes each."""

from typing import Final

RELEASE: Final = (
    "Treat it as a possible release until it is ruled out: stop selling from and filling this tank where local code "
    "says so, tell whom the code names within the time it sets, and have a licensed tester make a tightness test. "
    "This report is no such test."
)
VAPOUR: Final = (
    "Opening, dipping or draining a tank lets out vapour that ignites: leave it to people trained and equipped for it."
)
NOBODY: Final = (
    "This is a gap between two measurements and says nothing about any person. Look at pump tests, totalisers, "
    "locks and a dip by hand first, and let two people review the figures before anyone is asked."
)
SALE: Final = (
    "Stop sale from this tank until it has been examined: water finding, a sample from the bottom, the drop and the "
    "rain of the last days. Local code says who may release it again."
)
HAULIER: Final = (
    "A claim needs stock before and after, sales meanwhile and the ticket's temperature; time limits are short. One "
    "ticket is itself good to about 0.15 %."
)
METER: Final = (
    "A meter outside its tolerance is a matter of law: have it tested by whoever is licensed to, and do not adjust "
    "it on this estimate alone."
)
