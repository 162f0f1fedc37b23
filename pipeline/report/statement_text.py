"""All wording of the monthly statements."""

from typing import Final

STATEMENTS: Final = "Monthly statements"
STATEMENTS_NOTE: Final = (
    "Leak rates are positive when product leaves. 'Detectable', the dotted mark, is the leak that this month's data "
    "would have shown with a 95 % chance, at a 5 % risk of a false alarm. The allowance is what monthly inventory "
    "control lets pass. Months are of trading days."
)
STATEMENT_COLUMNS: Final = (
    "Month", "Tank", "Verdict", "Leak rate, l/h, 95 % interval", "", "Detectable, l/h", "Throughput, l", "Variance, l",
    "Allowance, l",
)  # fmt: skip
VERDICTS: Final = {"pass": "Pass", "inconclusive": "Inconclusive", "fail": "Fail"}
VERDICT_MEANS: Final = {
    "pass": "by the rule alone: a leak of {detectable} would have shown and was not there, yet",
    "inconclusive": "the data cannot tell whether it is tight",
    "fail": "{rate}, above {fail}: a leak may be going on, have it tested",
}
VERDICT_PASS_PLAIN: Final = "at {detectable}; no leak seen"
VERDICT_BLIND: Final = "only a leak of {seen} or more would have shown, the rule asks for {detectable}"
VERDICT_QUALIFIED: Final = "Pass at {detectable} only"
LEAK_SEEN: Final = "{rate} seen ({span}), above nought"
GAIN_SEEN: Final = "a gain of {rate} seen ({span}), which hides a leak"
LEAK_REACHES: Final = "its interval reaches {high}"
STATEMENT_CASE: Final = "see case: {label}, {p}, {state}"
BEYOND_ALLOWANCE: Final = "variance {variance} is beyond the month's allowance of {allowance}"
STATEMENT_LIMITS: Final = (
    "Judged by these limits: a month passes where a leak of {detectable} would have shown and the estimate is not "
    "above {fail}, fails where it is above that, and is inconclusive where so small a leak could not have shown. What "
    "the figures or a case say against a pass stands beside it: such a pass is not a plain one."
)
STATEMENT_CAUTION: Final = (
    "A pass says what the data could have shown, no more. It is not a tightness test and does not replace the release "
    "detection that local code requires. A fail is a suspected release until a licensed tester has ruled it out; codes "
    "set how soon it must be reported."
)
NO_STATEMENTS: Final = "No statement yet."
STATEMENT_FILTERS: Final = {"month": "Month", "verdict": "Verdict", "site": "Site"}
