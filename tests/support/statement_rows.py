"""The rows of a report's statements as their readers have them, and what in them contradicts itself."""

import re
from html import unescape
from pathlib import Path


def statement_rows(report: Path):
    """Verdict, words, figures of every row of the statements' page, as a reader has them."""
    html = (report / "statements.html").read_text(encoding="utf-8")
    for row in re.findall(r"<tr data-key=.*?</tr>", html, re.DOTALL):
        plain = [unescape(re.sub(r"<[^>]+>", " ", c)) for c in re.findall(r"<td.*?</td>", row, re.DOTALL)]
        cells = [re.sub(r"[ \n]+", " ", c).strip() for c in plain]
        numbers = [
            [float(n.replace("\u202f", "").replace("\u2212", "-")) for n in re.findall(r"[\u2212+]?\d[\d\u202f.]*", c)]
            for c in cells[2:]
        ]
        yield cells[1].replace("\u202f", " "), numbers


def contradictions(report: Path) -> list[str]:
    """Rows whose words a figure of their own contradicts."""
    found = []
    for words, (rate, _, detectable, _, variance, allowance) in statement_rows(report):
        is_plain = "no leak seen" in words
        if is_plain and "Pass" not in words:
            found.append(f"no leak, and no pass: {words}")
        if len(rate) == 3 and rate[1] > 0 and (is_plain or "above nought" not in words):
            found.append(f"above nought, and not said: {words} {rate}")
        if variance and allowance and abs(variance[0]) > allowance[0] and (is_plain or "beyond the month" not in words):
            found.append(f"beyond the allowance, and not said: {words} {variance} {allowance}")
        if "Pass" in words and detectable and detectable[0] > 0.757:
            found.append(f"a pass that could not have shown: {words} {detectable}")
        if re.search(r"no leak of ([\d.]+)", words):
            found.append(f"says which leak there is not: {words}")
        if "see case" in words and is_plain:
            found.append(f"a plain pass beside a case: {words}")
    return found
