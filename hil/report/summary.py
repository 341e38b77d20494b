"""A run in a few facts, for scripts."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from hil.core.errors import StoreError
from hil.measures.efficiency import operating_points
from hil.report.checkouts import checkout_facts
from hil.report.content import MOST_DRAWN, numbered
from hil.report.items import counts, listing, overall, worst_first
from hil.report.losses import Found, conditions, loss_facts
from hil.report.rebuild import JUNIT, MEASURES, PAGE
from hil.store.condition import problems
from hil.store.reading import RunRecord
from hil.store.traces import read_trace


def facts(record: RunRecord) -> dict[str, Any]:
    """Verdicts and files of a run as JSON data.

    Keys: ``run``, ``simulated``, ``complete`` (the run came to its end), ``standing`` (the worst),
    ``counts`` (standing -> number of items), ``resumed`` (when, each time), ``unsafe`` (what a
    person must look at before touching the bench), ``omitted`` (planned items that are not in the
    run: plan, why, items), ``checkouts`` (repositories of plans and rig files: files, commit,
    dirty, changed, others, why nothing is known), ``settings`` (name, value, source), ``problems``
    (what of the folder is missing or unreadable), ``items`` (worst first: name, standing, reason),
    and ``files`` (what -> path).
    """
    items = listing(record)
    return {
        "run": record.start.run,
        "simulated": record.start.simulated,
        "complete": record.end is not None and not record.unfinished,
        "standing": overall(items).value,
        "counts": {standing.value: number for standing, number in counts(items).items()},
        "resumed": [part.utc for part in record.resumed],
        "unsafe": list(record.unsafe),
        "omitted": [
            {"plan": one.plan, "why": one.why, "items": list(one.items)}
            for one in record.start.omitted
        ],
        "checkouts": [checkout_facts(one) for one in record.start.checkouts],
        "settings": [asdict(one) for one in record.start.settings],
        "problems": list(problems(record)),
        "items": [
            {
                "name": item.name,
                "standing": item.standing.value,
                "reason": " ".join(item.reason.split()),
            }
            for item in worst_first(items)
        ],
        "files": {
            "junit": str(record.path / JUNIT),
            "measures": str(record.path / MEASURES),
            "page": str(record.path / PAGE),
        },
    }


def operating_facts(record: RunRecord) -> list[dict[str, Any]]:
    """The operating points of a run as JSON data: of the traces that the page draws."""
    known = conditions(record.start.motor)
    if known is None:
        return []
    found: list[Found] = []
    for item in listing(record):
        for repeat, name in numbered(item.result)[:MOST_DRAWN] if item.result else ():
            try:
                trace = read_trace(record.path / "traces" / name)
            except StoreError:  # told in the page and among the problems
                continue
            points = operating_points(trace, known)
            found += [Found(item.name, item.anchor, repeat, point) for point in points]
    return loss_facts(found)
