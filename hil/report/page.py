"""The report of a run as one page that opens without a network."""

from __future__ import annotations

import functools
import re
from importlib.resources import files
from pathlib import Path
from typing import Any

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from hil.report.content import contents, reports_on
from hil.report.items import Standing, counts, listing, overall, worst_first
from hil.report.numbers import NOTHING, lasting
from hil.store.atomic import replace_file
from hil.store.reading import RunRecord

SCRIPT = "plotly.min.js"

#: Words and signs, so that nothing rests on colour.
SIGNS = {
    Standing.FAIL: "\u2717",  # ballot x
    Standing.BENCH_FAULT: "!",
    Standing.INTERRUPTED: "\u2016",  # two bars
    Standing.UNDECIDED: "?",
    Standing.NOT_RUN: "\u2013",  # dash
    Standing.PASS: "\u2713",  # check mark
}

CAUTIONS = (
    "Guard the shaft and everything that turns with it; secure the motor before power is applied.",
    "Wear eye protection while the guard is open and anything could still turn.",
    "Motor windings, the power stage and brake resistors stay hot after a run.",
    "Capacitors keep their charge after the supply is off, and a turning motor generates.",
    "Software here is not a safety function: wire an emergency stop that cuts the power by itself "
    "(IEC 60204-1, ISO 13850).",
    "Local codes and licensed practice come first.",
)


def write_page(record: RunRecord, path: Path) -> None:
    """Write the page of `record` to `path`, and the chart script beside it once.

    Raises
    ------
    StoreError
        If a file cannot be written.
    """
    script = path.with_name(SCRIPT)
    content = _chart_script()
    if not script.exists() or script.stat().st_size != len(content):
        replace_file(script, content)
    replace_file(path, page(record).encode())


def page(record: RunRecord) -> str:
    """The page of `record` as HTML; a function of the run folder alone."""
    items = listing(record)
    return (
        _environment()
        .get_template("report.html.j2")
        .render(
            run=record.start,
            end=record.end,
            unfinished=record.unfinished,
            notes=record.notes,
            reports=reports_on(record),
            standing=overall(items),
            counts=counts(items),
            total=len(items),
            bench_time=lasting(sum(item.result.duration for item in items if item.result)),
            items=contents(record.path, worst_first(items)),
            cautions=CAUTIONS,
            script=SCRIPT,
            style=_text("report.css"),
            program=_text("report.js"),
        )
    )


def _chart_script() -> bytes:
    """plotly's script as its package ships it."""
    return files("plotly").joinpath("package_data", SCRIPT).read_bytes()


def _text(name: str) -> str:
    return files("hil.report.templates").joinpath(name).read_text("utf-8")


@functools.cache
def _environment() -> Environment:
    environment = Environment(
        loader=FunctionLoader(_text),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_visible,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(Standing=Standing, nothing=NOTHING)
    environment.filters["sign"] = _sign
    return environment


#: Control characters, surrogates, and what turns the direction of writing.
_UNSEEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")


def _visible(value: Any) -> Any:
    """Text from files with what a reader would not see, or be misled by, made visible."""
    if isinstance(value, str) and not isinstance(value, Markup | Standing):
        return _UNSEEN.sub("\ufffd", value)
    return value


def _sign(word: str) -> str:
    """Sign of a verdict word; nothing for other words."""
    return SIGNS.get(Standing(word), "") if word in set(Standing) else ""
