"""The dossier as one page that opens offline and prints."""

from __future__ import annotations

import functools
from importlib.metadata import version
from urllib.parse import quote

from jinja2 import Environment

from hil.report.dossier import measured_words
from hil.report.dossier.assess import ENOUGH, Assessment, Status
from hil.report.dossier.evidence import Piece
from hil.report.dossier.orphans import Orphan
from hil.report.dossier.release import Outcome, Release
from hil.report.dossier.runs import RunFacts
from hil.report.dossier.words import PROVES, PROVES_NOT
from hil.report.items import Standing
from hil.report.markup import CAUTIONS, environment, style, template_text
from hil.report.numbers import NOTHING
from hil.report.rebuild import PAGE as REPORT
from hil.verdicts.moved import LITTLE

_TEMPLATES = "hil.report.dossier.templates"

#: Status of a requirement -> the standing whose sign and look it has.
_LOOKS = {
    Status.FAILED: Standing.FAIL,
    Status.NOT_COVERED: Standing.NOT_RUN,
    Status.UNDECIDED: Standing.UNDECIDED,
    Status.COVERED: Standing.PASS,
}
MEANINGS = {
    Status.FAILED: "Evidence against it; nothing later takes that away.",
    Status.NOT_COVERED: "No evidence of the kind asked for, or a part is missing.",
    Status.UNDECIDED: "There is evidence, and it does not decide.",
    Status.COVERED: "All evidence holds, as much of it as is claimed.",
}


def page(release: Release, *, signed: bool) -> str:
    """The page as HTML."""
    return (
        _environment()
        .get_template("dossier.html.j2")
        .render(
            release=release,
            outcomes=Outcome,
            statuses=Status,
            worst_first=sorted(release.assessments, key=lambda one: list(Status).index(one.status)),
            meanings=MEANINGS,
            shows=PROVES,
            shows_not=PROVES_NOT,
            measured_summary=measured_words.summary(release.measured),
            measured_remarks=list(measured_words.remarks(release.measured)),
            little=LITTLE,
            signed=signed,
            enough=ENOUGH,
            tool=f"hil {version('hil')}",
            cautions=CAUTIONS,
            style=style() + template_text(_TEMPLATES, "dossier.css"),
        )
    )


def schema_text() -> str:
    """JSON Schema of ``dossier.json``."""
    return template_text(_TEMPLATES, "dossier.schema.json")


def look(status: Status) -> Standing:
    """The standing whose sign and look a status has."""
    return _LOOKS[status]


def run_folder(run: RunFacts) -> str:
    """Link to the copy of a run."""
    return quote(f"runs/{run.record.path.name}/")


def item_link(piece: Piece | Orphan) -> str:
    """Link to an attempt in the report of its run, or to the record without a report."""
    folder = run_folder(piece.run)
    if (piece.run.record.path / REPORT).is_file():
        return f"{folder}{REPORT}#{piece.item.anchor}"
    return f"{folder}record.jsonl"


def nearest(one: Assessment) -> str:
    """The measure nearest to its limit and what is left, a dash without one."""
    if one.nearest is None:
        return NOTHING
    judgement, left = one.nearest
    return f"{judgement.band.measure}, {abs(left):.0f} % {'left' if left >= 0.0 else 'outside'}"


def by_item(one: Assessment) -> list[Piece]:
    """The evidence of a requirement, what speaks against it first."""
    order = list(Standing)
    return sorted(one.pieces, key=lambda piece: order.index(piece.standing))


@functools.cache
def _environment() -> Environment:
    made = environment(lambda name: template_text(_TEMPLATES, name))
    made.filters.update(
        look=look,
        item_link=item_link,
        run_folder=run_folder,
        by_item=by_item,
        nearest=nearest,
        measured_then=measured_words.then,
        measured_now=measured_words.now,
        measured_difference=measured_words.difference,
        measured_finding=measured_words.finding,
        measured_left=measured_words.left,
    )
    return made
