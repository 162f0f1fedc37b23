"""Templates, the content policy of their pages, and data that a page carries."""

import json
from collections.abc import Sequence
from functools import cache

import jinja2
from markupsafe import Markup

from pipeline.report import (
    believed,
    beyond_text,
    data_text,
    day_text,
    delivery_text,
    history_text,
    links,
    money_text,
    paper_text,
    pattern_text,
    said_text,
    shift_text,
    sound_text,
    text,
    weighed_text,
)
from pipeline.report import format as fmt


def environment(style_hashes: Sequence[str]) -> jinja2.Environment:
    """The templates' environment: everything is escaped, and what is not there is a mistake."""
    env = jinja2.Environment(
        loader=jinja2.PackageLoader("pipeline.report", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.globals.update(
        t=text,
        h=data_text,
        s=said_text,
        d=delivery_text,
        o=money_text,
        f=fmt,
        b=believed,
        e=beyond_text,
        g=day_text,
        w=pattern_text,
        p=paper_text,
        q=links,
        y=history_text,
        j=weighed_text,
        u=sound_text,
        k=shift_text,
        desk=None,
        policy=content_policy(style_hashes, forms="'none'"),
    )
    return env


def content_policy(style_hashes: Sequence[str], *, forms: str, pictures: str = "", asked: str = "") -> str:
    """The pages' content policy; `forms` is where their forms may be sent to, `pictures` where more may come from.

    `asked` is where their scripts may ask for data; nowhere where it is empty.
    """
    # 'unsafe-hashes' lets in style attributes of these very texts: plotly.js sets an empty one on a colour bar.
    styles = " ".join(["'self'", "'unsafe-hashes'", *(f"'{h}'" for h in style_hashes)])
    seen = " ".join(["data:", "blob:", *pictures.split()])
    return (
        f"default-src 'none'; script-src 'self'; style-src {styles}; img-src {seen}; base-uri 'none'; "
        f"form-action {forms}{f'; connect-src {asked}' if asked else ''}"
    )


@cache
def kept_environment(style_hashes: tuple[str, ...]) -> jinja2.Environment:
    """One whose templates stay compiled, for a report that one site breaks is made once a site."""
    return environment(style_hashes)


def as_json(value: object) -> Markup:
    """`value` as JSON that a script element can hold: no character of it can end the element."""
    dumped = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for char in "<>&\u2028\u2029":
        dumped = dumped.replace(char, f"\\u{ord(char):04x}")
    return Markup(dumped)  # noqa: S704
