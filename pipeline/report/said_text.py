"""All wording of what people say of cases, and of what is new since the last run."""

from typing import Final

LABEL_VERDICTS: Final = {"confirmed": "so it was", "ruled_out": "so it was not"}
CLOSED: Final = "closed on {day}: {verdict}"
CLOSED_BY: Final = "closed on {day} by {who}: {verdict}"
IN_HAND: Final = "in hand: {owner}"
IN_HAND_BY: Final = "in hand: {owner}, by {day}"
BACK: Final = {
    "grew": "back: its litres are beyond what they were when it was {closed}",
    "urgent": "back: it is more urgent than when it was {closed}",
}
EARLIER: Final = "raised anew: one of the same cause here was {closed}"

NEWS: Final = {
    "back": "come back", "new": "new", "worse": "worse", "better": "better", "ended": "ended", "closed": "closed",
}  # fmt: skip
NEWS_LINE: Final = "Since the run over data to {day}: {counts}."
NOTHING_NEW: Final = "nothing new"

HISTORY: Final = "What was said"
NOBODY: Final = "somebody"
SAID: Final = {
    "taken": "in the hands of {owner}",
    "taken_by": "in the hands of {owner}, by {day}",
    "note": "",
    "closed": "closed: {verdict}",
    "reopened": "opened again",
}
WAS_CAUSE: Final = "it was: {cause}"
AGREED: Final = "{litres} agreed"
RECOVERED: Final = "{money} recovered"
