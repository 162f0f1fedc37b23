"""Kind of evidence: contract. Every word of the contract has its words here; figures are written as the SI asks."""

import math
import re
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.contract import vocabulary
from pipeline.contract.causes import CAUSE, RECORDS
from pipeline.report import data_text, figures, text
from pipeline.report import format as fmt

ASSETS = Path(figures.__file__).parent / "assets"
TEMPLATES = Path(figures.__file__).parent / "templates"


@pytest.mark.parametrize(
    ("words", "names"),
    [
        (text.PARTS, vocabulary.PARTS),
        (text.PRODUCTS, vocabulary.PRODUCTS), (text.SHAPES, vocabulary.SHAPES),
        (text.END_SHAPES, vocabulary.END_SHAPES),
        (text.URGENCY, vocabulary.URGENCIES), (text.URGENCY_MEANS, vocabulary.URGENCIES),
        (text.VERDICTS, vocabulary.VERDICTS), (text.VERDICT_MEANS, vocabulary.VERDICTS),
    ],
)  # fmt: skip
def test_each_name_of_the_contract_has_words(words, names):
    assert set(words) == set(names)
    assert all(words.values())


def test_nobody_is_accused():
    said = [*vars(text).items(), *vars(data_text).items()]
    everything = " ".join(str(v) for k, v in said if k.isupper() or k[1:].isupper()).lower()
    everything += " ".join(str((one.noun, one.title, one.short, one.action, one.cautions)) for one in RECORDS).lower()
    values = re.sub(r"'(bulk|slow)_theft'", "", everything)
    for word in ("theft", "thief", "steal", "stole", "crime", "culprit", "suspect ", "employee"):
        assert word not in values


@pytest.mark.parametrize(
    ("cause", "word"),
    [
        ("tank_leak", "licensed tester"), ("line_leak", "local code"), ("water_ingress", "Stop sale"),
        ("phase_separation", "Stop sale"), ("wrong_product", "Stop sale"),
        ("bulk_theft", "says nothing about any person"),
        ("slow_theft", "says nothing about any person"), ("meter_drift", "licensed"),
    ],
)  # fmt: skip
def test_the_caution_stands_where_it_belongs(cause, word):
    assert any(word in caution for caution in CAUSE[cause].cautions)


def test_the_footer_says_what_the_report_is_not():
    assert "estimates" in text.FOOTER
    assert "does not replace required release detection" in text.FOOTER


@pytest.mark.parametrize(
    ("value", "digits", "written"),
    [
        # The SI brochure (9th edition, 5.4.4) parts groups of three with a thin space: 43 279.168 29 is its example.
        (43279.16829, 2, "43\u202f279.17"),
        (1500.0, 0, "1\u202f500"),
        (-3.0, 1, "\u22123.0"),
        (-0.04, 1, "0.0"),
        (None, 0, "\u2013"),
        (math.nan, 0, "\u2013"),
        (math.inf, 0, "\u2013"),
    ],
)
def test_a_number_is_written_as_the_si_asks(value, digits, written):
    assert fmt.number(value, digits) == written


@pytest.mark.parametrize(
    ("value", "low", "high", "written"),
    [
        (2312.0, 1897.0, 2704.0, "2 310 l (1 900 to 2 700)"),
        (0.4821, 0.412, 0.552, "0.482 l (0.412 to 0.552)"),
        (880.2, 846.1, 914.3, "880 l (846 to 914)"),
        (None, 1.0, 2.0, "\u2013"),
        (12.34, None, None, "12.3 l"),
        (5.0, 5.0, 5.0, "5.00 l (5.00 to 5.00)"),
    ],
)
def test_an_estimate_has_the_figures_that_its_interval_earns(value, low, high, written):
    assert fmt.estimate(value, low, high, "l").replace("\u202f", " ") == written


@given(st.floats(-1e7, 1e7), st.floats(0.01, 1e6))
def test_rounding_moves_an_estimate_by_less_than_a_tenth_of_its_half_width(value, half):
    digits = fmt.digits_for(value - half, value + half, value)
    shown = float(fmt.rounded(value, digits).replace("\u202f", "").replace("\u2212", "-"))
    assert abs(shown - value) <= 0.5 * 10.0**-digits * (1 + 1e-6)
    assert 10.0**-digits <= max(half / 5, 1e-3)


@pytest.mark.parametrize(
    ("share", "written"), [(0.5, "50 %"), (0.999, "> 99 %"), (1.0, "> 99 %"), (0.001, "< 1 %"), (None, "\u2013")]
)
def test_a_probability_is_never_certain(share, written):
    assert fmt.probability(share).replace("\u202f", " ") == written


def test_days_and_spans():
    assert fmt.day(date(2026, 3, 3)) == "3 Mar 2026"
    assert fmt.month(date(2026, 3, 1)) == "March 2026"
    spans = [fmt.span(timedelta(minutes=m)).replace("\u202f", " ") for m in (0, 35, 300, 60 * 24 * 19)]
    assert spans == ["1 min", "35 min", "5 h", "19 days"]
    start = datetime(2026, 3, 1, 22, 30, tzinfo=UTC)
    berlin = fmt.zone("Europe/Berlin")
    assert fmt.window(start, start + timedelta(minutes=20), berlin) == "1 Mar 2026, 23:30 to 23:50"
    assert fmt.window(start, start + timedelta(hours=1), berlin) == "1 Mar 2026, 23:30 to 2 Mar 2026, 00:30"
    assert fmt.zone("Not/AZone").key == "UTC"
    assert fmt.zone("../etc").key == "UTC"


def _luminance(color):
    """Relative luminance of a colour, WCAG 2.2."""
    parts = [int(color[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(a, b):
    light, dark = sorted((_luminance(a), _luminance(b)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def _tokens():
    css = (ASSETS / "report.css").read_text()
    light = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", css.split("@media")[0]))
    dark = dict(
        re.findall(
            r"--([\w-]+): (#[0-9a-f]{6})",
            css.split("@media screen and (prefers-color-scheme: dark)")[1].split("\n}")[0],
        )
    )
    return {"light": light, "dark": light | dark}


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_stands_out_enough_to_be_read(scheme):
    # WCAG 2.2, 1.4.3: 4.5 to 1 for text; 1.4.11: 3 to 1 for what is drawn.
    tokens = _tokens()[scheme]
    for ground in ("paper", "card", "wash"):
        for ink in ("ink", "soft", "accent", "now", "today", "week", "watch", "ok"):
            assert _contrast(tokens[ink], tokens[ground]) >= 4.5, (ink, ground)
    for mark in ("c-ink", "c-blue", "c-rust", "c-teal", "c-plum", "c-moss", "c-rose"):
        assert _contrast(tokens[mark], tokens["c-paper"]) >= 3.0, mark


def test_every_colour_of_a_chart_is_in_the_style_sheet():
    source = (
        "".join(p.read_text() for p in Path(figures.__file__).parent.glob("*figures.py"))
        + (ASSETS / "charts.js").read_text()
    )
    used = set(re.findall(r'"@([\w-]+)"', source)) - {"name"}
    assert len(used) > 15
    defined = set(re.findall(r"--c-([\w-]+):", (ASSETS / "report.css").read_text()))
    assert used <= defined


def test_templates_hold_no_words_of_their_own():
    for path in TEMPLATES.glob("*.html"):
        source = re.sub(r"\{[{%#].*?[%}#]\}", "", path.read_text(), flags=re.DOTALL)
        prose = re.sub(r"<[^>]*>", "", source)
        assert re.findall(r"[A-Za-z]{4,}", re.sub(r"&#?\w+;", "", prose)) == [], path.name
