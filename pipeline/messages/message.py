"""A message: its title, plain text, HTML, and fields for machines. What comes from data is text in all of them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Any

from pipeline.messages.facts import CaseText, Told, case_fields, case_text, severity
from pipeline.messages.words import Words
from pipeline.plain_text import in_a_line, printable
from pipeline.report.case import URGENCIES, Case


@dataclass(frozen=True, slots=True)
class Message:
    """What goes out to somebody; `urgency` is that of the most urgent thing in it, `cases` how many it tells of."""

    title: str
    text: str
    html: str
    urgency: str
    fields: Mapping[str, Any] = field(default_factory=dict)
    cases: int = 0


def case_message(kind: str, cases: Sequence[Case], told: Told, words: Words) -> Message:
    """A message about some cases, the most urgent first; `kind` is `at_once` or `digest`."""
    texts = [case_text(case, told, words) for case in cases]
    urgency = min((case.urgency for case in cases), key=URGENCIES.index)
    many = "one" if len(cases) == 1 else "many"
    title = words.of(f"title.{kind}_{many}", count=len(cases), site=in_a_line(cases[0].site))
    report = told.config.report_url
    link = words.of("label.link")
    lines = [line for text in texts for line in (*_lines(text, link), "")]
    parts = [*(_html(text, link) for text in texts), *([f"<p>{_link(report)}</p>"] if report else [])]
    return Message(
        title=title,
        text=printable("\n".join([*lines, *([report] if report else [])])).rstrip(),
        html="<br/>".join(parts),  # which is a line of its own in the text that a mail has beside
        urgency=urgency,
        fields={
            "kind": kind,
            "severity": severity(urgency, told.config),
            "cases": [case_fields(case, told) for case in cases],
        },
        cases=len(cases),
    )


def night_message(what: str, title: str, lines: Sequence[str], *, urgency: str, fields: Mapping[str, Any]) -> Message:
    """A message about the night itself."""
    shown = [printable(" ".join(line.split())) for line in lines]
    html = "<p>" + "<br/>".join(escape(line) for line in shown) + "</p>"
    told = {"kind": "night", "night": what, "lines": shown, **fields}
    return Message(title, "\n".join(shown), html, urgency, told)


def _lines(text: CaseText, link: str) -> list[str]:
    last = [(link, text.url)] if text.url else []
    return [text.head, *(f"  {_labelled(label, told)}" for label, told in [*text.lines, *last])]


def _labelled(label: str, told: str) -> str:
    return f"{label}: {told}" if label else told


def _html(text: CaseText, link: str) -> str:
    lines = [escape(_labelled(label, told)) for label, told in text.lines]
    last = [f"{escape(link)}: {_link(text.url)}"] if text.url else []
    return f"<p><b>{escape(printable(text.head))}</b><br/>" + "<br/>".join([*lines, *last]) + "</p>"


def _link(url: str) -> str:
    shown = escape(printable(url))
    return f'<a href="{shown}">{shown}</a>' if url.startswith(("https://", "http://")) else shown
