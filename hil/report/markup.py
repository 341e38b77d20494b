"""What every page of this project shares: signs, cautions, the style sheet, safe templates."""

from __future__ import annotations

import functools
import re
from collections.abc import Callable
from importlib.resources import files
from typing import Any

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup, escape

from hil.core.count import many
from hil.report.items import Standing
from hil.report.numbers import NOTHING

#: Words and signs, so that nothing rests on colour.
SIGNS = {
    Standing.FAIL: "\u2717",  # ballot x
    Standing.BENCH_FAULT: "!",
    Standing.INTERRUPTED: "\u2016",  # two bars
    Standing.UNDECIDED: "?",
    Standing.NOT_RUN: "\u2013",  # dash
    Standing.PASS: "\u2713",  # check mark
}

_SIGNS = {standing.value: sign for standing, sign in SIGNS.items()}

CAUTIONS = (
    "Guard the shaft and everything that turns with it; secure the motor before power is applied.",
    "Wear eye protection while the guard is open and anything could still turn.",
    "Motor windings, the power stage and brake resistors stay hot after a run.",
    "Capacitors keep their charge after the supply is off, and a turning motor generates.",
    "Software here is not a safety function: wire an emergency stop that cuts the power by itself "
    "(IEC 60204-1, ISO 13850).",
    "Local codes and licensed practice come first.",
)

#: Control characters, surrogates, and what turns the direction of writing.
_UNSEEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")


def sign(word: str) -> str:
    """Sign of a verdict word; nothing for other words."""
    return _SIGNS.get(word, "")


def visible(value: Any) -> Any:
    """Text from files with what a reader would not see, or be misled by, made visible."""
    if isinstance(value, str) and not isinstance(value, Markup | Standing):
        return _UNSEEN.sub("\ufffd", value)
    return value


#: Where a name may be broken; after a hyphen it may be anyway.
_JOINT = re.compile(r"(?<=[./_:])(?=\w)")
_QUOTED = re.compile(r"`([^`]*)`")


def breakable(name: str) -> Markup:
    """A name of an item that may be broken after its dots, and so need not be within a word."""
    return Markup(_JOINT.sub("<wbr>", str(escape(visible(name)))))


def coded(text: str) -> Markup:
    """A text in which `names` stand between backticks, as a page shows them."""
    return Markup(_QUOTED.sub(r"<code>\1</code>", str(escape(visible(text)))))


@functools.cache
def style() -> str:
    """The style sheet of the house."""
    return template_text("hil.report.templates", "report.css")


def template_text(package: str, name: str) -> str:
    """A file that is shipped with `package`."""
    return files(package).joinpath(name).read_text("utf-8")


def environment(text: Callable[[str], str]) -> Environment:
    """Templates with autoescape on, strict about names; `text` gives the template of a name."""
    made = Environment(
        loader=FunctionLoader(text),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=visible,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals.update(Standing=Standing, nothing=NOTHING)
    made.filters.update(sign=sign, breakable=breakable, coded=coded, many=many)
    return made
