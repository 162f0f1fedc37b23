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
NEWS_LINE: Final = "Since the run over data to {day}"
LOOKED_LINE: Final = "Since you last looked, on {at}, at data to {day}"
SINCE_LABEL: Final = "What is new since when"
SINCE_RUN: Final = "since the last run"
SINCE_LOOKED: Final = "since I last looked ({at})"
NOTHING_NEW: Final = "nothing new"

HISTORY: Final = "What was said"
BELIEVED: Final = "What was believed, by the last day of data"
BELIEVED_COLUMNS: Final = ("Day", "Probability", "Litres", "Urgency", "State")
BELIEVED_CUT: Final = "{n} earlier changes are left out."
NOT_RAISED: Final = "no longer raised"
NOBODY: Final = "somebody"
SAID: Final = {
    "taken": "in the hands of {owner}",
    "taken_by": "in the hands of {owner}, by {day}",
    "note": "",
    "file": "added a file: {name}",
    "closed": "closed: {verdict}",
    "reopened": "opened again",
}
WAS_CAUSE: Final = "it was: {cause}"
AGREED: Final = "{litres} agreed"
RECOVERED: Final = "{money} recovered"

# -- At the desk --------------------------------------------------------------------------------------
PANEL: Final = "Say what is done about it"
TAKE: Final = "Take in hand"
CLOSE: Final = "Close"
REOPEN: Final = "Open again"
ADD_NOTE: Final = "Write a note"
ADD_FILE: Final = "Add a picture or paper"
OWNER_LABEL: Final = "In whose hands"
DUE_LABEL: Final = "Done by"
NOTE_LABEL: Final = "Note"
FILE_LABEL: Final = "PNG, JPEG or PDF, up to {most} MB"
VERDICT_LABEL: Final = "Was it so?"
CAUSE_LABEL: Final = "What it was"
LITRES_LABEL: Final = "Litres agreed, a loss with a minus"
RECOVERED_LABEL: Final = "Money recovered"
SIGN_IN: Final = "Sign in"
SIGN_OUT: Final = "Sign out"
NAME_LABEL: Final = "Name"
PASSWORD_LABEL: Final = "Password"
GO_BACK: Final = "Back"

NO_PAGE: Final = "There is no such page; tankdrift may have run since you opened the one before."
NO_CASE: Final = "There is no case {case} any more: a later run does not raise it. Nothing was written."
BAD_HOST: Final = "This desk does not go by that name."
STRANGER: Final = (
    "That did not come from a page of this desk, or the page is too old: open it again. Nothing was written."
)
TOO_LARGE: Final = "The file has more than the {most} bytes that it may have. Nothing was written."
TOO_MANY: Final = "Others are bringing files just now; try again in a moment. Nothing was written."
NO_FILE: Final = "There is no such picture or paper here."
TOO_MUCH: Final = "That is more than the {most} bytes that a text may have here. Nothing was written."
REFUSED: Final = "Nothing was written: {why}."
WRONG_PASSWORD: Final = "Name and password do not go together."
TOO_OFTEN: Final = "Too many tries; wait a quarter of an hour."
TOO_FAST: Final = "That is more than this desk answers at once; try again in {wait} s. Nothing was written."
NOT_SIGNED_ON: Final = "Sign in where your company has you sign in: nobody was named here."
READS_ONLY: Final = "You may read here and say nothing. Nothing was written."
SETTINGS: Final = "Settings"
SETTINGS_LINE: Final = (
    "What {file} says, and what holds where it says nothing. A night that begins after a change goes by it."
)
SETTINGS_COLUMNS: Final = ("Key", "Value", "Default", "From", "What it is")
SETTINGS_HEAD: Final = "At the head of the file"
SETTINGS_ORIGINS: Final = {"file": "the file", "environment": "the environment", "default": "default"}
SETTINGS_CHANGE: Final = "Change the settings"
SETTINGS_HINT: Final = (
    "The whole file, with its remarks. Stars stand for a secret: leave them where they are. Keys marked ✎ above may be "
    "changed here, and remarks; the others are changed in the file itself."
)
SETTINGS_MAY: Final = "✎ may be changed here"
SETTINGS_LABEL: Final = "Text of {file}"
SETTINGS_KEEP: Final = "Keep"
SETTINGS_CHANGED: Final = (
    "Nothing was written: somebody else has changed the settings since you opened this page. What you wrote is below; "
    "copy what you need of it, open the page again, and change what is there now."
)
SETTINGS_UNREAD: Final = "The settings cannot be read: {why}."
SETTINGS_BROKEN: Final = "No night can begin with these settings: {why}."
SETS_NOTHING: Final = "You may read settings here and change none. Nothing was written."
NOT_NOW: Final = "The last run cannot be read: {why}."
BROKEN: Final = "This is a mistake of tankdrift's own; its log says where."
NOT_A_DAY: Final = "{value!r} is not a day"
NOT_A_NUMBER: Final = "{value!r} is not a number"
