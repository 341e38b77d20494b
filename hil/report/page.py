"""The report of a run as one page that opens without a network."""

from __future__ import annotations

import functools
from importlib.resources import files
from pathlib import Path

from jinja2 import Environment

from hil.report.checkouts import checkout_lines
from hil.report.content import contents, reports_on
from hil.report.defined import defined
from hil.report.items import counts, listing, overall, worst_first
from hil.report.losses import Found, conditions, losses
from hil.report.markup import CAUTIONS, environment, style, template_text
from hil.report.numbers import lasting
from hil.report.omitted import omitted_lines
from hil.store.atomic import replace_file
from hil.store.condition import problems
from hil.store.reading import RunRecord

SCRIPT = "plotly.min.js"


def write_page(record: RunRecord, path: Path) -> None:
    """Write the page of `record` to `path`, and the chart script beside it once.

    Raises
    ------
    StoreError
        If a file cannot be written.
    """
    script = path.with_name(SCRIPT)
    content = chart_script()
    if not script.exists() or script.stat().st_size != len(content):
        replace_file(script, content)
    replace_file(path, page(record).encode())


def page(record: RunRecord) -> str:
    """The page of `record` as HTML; a function of the run folder alone."""
    items = listing(record)
    shown = contents(record.path, worst_first(items), conditions(record.start.motor))
    return (
        _environment()
        .get_template("report.html.j2")
        .render(
            run=record.start,
            end=record.end,
            unfinished=record.unfinished,
            notes=record.notes,
            unsafe=record.unsafe,
            checkouts=list(checkout_lines(record.start.checkouts)),
            settings={s.name: f"{s.value or 'none'} ({s.source})" for s in record.start.settings},
            omitted=list(omitted_lines(record.start.omitted, len(record.start.items))),
            resumed=record.resumed,
            problems=problems(record),
            reports=reports_on(record),
            standing=overall(items),
            counts=counts(items),
            total=len(items),
            bench_time=lasting(sum(item.result.duration for item in items if item.result)),
            items=shown,
            losses=losses(
                [
                    Found(c.item.name, c.item.anchor, drawn.repeat, point)
                    for c in sorted(shown, key=lambda content: content.item.number)
                    for drawn in c.drawn
                    for point in drawn.points
                ]
            ),
            defined=defined(record.results),
            cautions=CAUTIONS,
            script=SCRIPT,
            style=style(),
            program=_text("unpack.js") + _text("report.js"),
        )
    )


def chart_script() -> bytes:
    """plotly's script as its package ships it."""
    return files("plotly").joinpath("package_data", SCRIPT).read_bytes()


def _text(name: str) -> str:
    return template_text("hil.report.templates", name)


@functools.cache
def _environment() -> Environment:
    return environment(_text)
