"""A release as JSON data, as ``dossier.schema.json`` describes it."""

from __future__ import annotations

from dataclasses import asdict
from importlib.metadata import version
from typing import Any

from hil.core.record import Identity
from hil.report.checkouts import checkout_facts
from hil.report.dossier.assess import Assessment, SampleShown
from hil.report.dossier.changes import Change
from hil.report.dossier.evidence import Piece
from hil.report.dossier.measured_words import facts as measured_facts
from hil.report.dossier.orphans import Orphan
from hil.report.dossier.planned import UNTOLD, Planned
from hil.report.dossier.proofs import proof_facts
from hil.report.dossier.release import Outcome, Release, WaiverLine
from hil.report.dossier.runs import RunFacts
from hil.report.dossier.words import PROVES, PROVES_NOT

FORMAT = 1
Facts = dict[str, Any]


def facts(release: Release) -> Facts:
    """Everything the dossier says, without the pages."""
    return {
        "format": FORMAT,
        "release": release.file.release,
        "description": release.file.description,
        "made": release.made,
        "made-with": f"hil {version('hil')}",
        "outcome": release.outcome.value,
        "qualified": release.outcome is Outcome.QUALIFIED,
        "simulated": release.simulated,
        "summary": release.summary,
        "counts": {status.value: number for status, number in release.counts.items()},
        "shows": list(PROVES),
        "does-not-show": list(PROVES_NOT),
        "firmware": {
            "maker": release.firmware.maker,
            "model": release.firmware.model,
            "revision": release.firmware.revision,
            "commit": release.firmware.commit,
            "images": dict(release.firmware.images),
        },
        "blocks": list(release.blocks),
        "remarks": list(release.remarks),
        "requirements": [_requirement(one, release) for one in release.assessments],
        "waivers": [_waiver(line) for line in release.waivers],
        "runs": [_run(run) for run in release.runs],
        "orphans": [_orphan(one) for one in release.orphans],
        "fails-outside": [_orphan(one) for one in release.outside],
        "without-result": [
            {"run": run.name, "item": item.item, "standing": item.standing.value}
            for run, item in release.never_decided
        ],
        "unknown-marks": list(release.unknown_marks),
        "previous": None
        if release.previous is None
        else {
            "release": release.previous.release,
            "made": release.previous.made,
            "firmware": release.previous.firmware,
            "summary": release.previous.summary,
            "seal": release.previous.seal,
        },
        "changes": None
        if release.changes is None
        else [_change(change) for change in release.changes],
        "measured": measured_facts(release.measured),
        "proofs": proof_facts(release.proofs),
        "basis": release.basis,
    }


def _requirement(one: Assessment, release: Release) -> Facts:
    waiver = release.waiver_of(one)
    return {
        "id": one.requirement.id,
        "text": one.requirement.text,
        "arranged-to-support": one.requirement.supports,
        "evidence-asked-for": one.kind,
        "verified-by": [str(source) for source in one.requirement.sources],
        "status": one.status.value,
        "reasons": list(one.reasons),
        "simulated": one.simulated,
        "waived": None if waiver is None else _waiver(waiver),
        "samples": [_sample(sample) for sample in one.samples],
        "nearest-to-limit": None
        if one.nearest is None
        else {
            "measure": one.nearest[0].band.measure,
            "margin-percent": round(one.nearest[1], 3),
            "reason": one.nearest[0].reason,
        },
        "evidence": [_piece(piece) for piece in one.pieces],
        "set-aside": [_piece(piece) for piece in one.set_aside],
        "in-no-run": [_planned(planned) for planned in one.missing],
    }


def _planned(one: Planned) -> Facts:
    return {"plan": one.plan, "item": one.item, "why": one.why or UNTOLD}


def _sample(sample: SampleShown) -> Facts:
    return {
        "evidence": sample.evidence,
        "trials": sample.trials,
        "successes": sample.successes,
        "failures": sample.failures,
        "undecided": sample.undecided,
        "sampled": sample.boards,
        "claimed": sample.claimed,
        "shown": sample.shown,
        "at-least-percent": sample.low,
        "confidence-of-claim-percent": sample.confidence_shown,
        "verdict": sample.verdict.value,
    }


def _piece(piece: Piece) -> Facts:
    return {
        "run": piece.run.name,
        "item": piece.item.item,
        "attempt": piece.item.name,
        "number": piece.item.number,
        "plan": piece.plan,
        "standing": piece.standing.value,
        "reason": piece.reason,
        "measures": list(dict.fromkeys(j.band.measure for j in piece.judgements)),
        "trials": len(piece.trials),
        "successes": piece.successes,
        "undecided": piece.undecided,
        "made-up-for": piece.made_up,
    }


def _waiver(line: WaiverLine) -> Facts:
    waiver = line.waiver
    return {
        "requirement": waiver.requirement,
        "reason": waiver.reason,
        "approver": waiver.approver,
        "approved": None if waiver.approved is None else waiver.approved.isoformat(),
        "expires": waiver.expires.isoformat(),
        "standing": line.standing,
        "text": line.text,
    }


def _identity(one: Identity) -> Facts:
    return {
        "role": one.role,
        "maker": one.maker,
        "model": one.model,
        "serial": one.serial,
        "revision": one.revision,
        "address": one.resource,
        "calibration-due": one.calibration_due,
    }


def _run(run: RunFacts) -> Facts:
    start, end = run.record.start, run.record.end
    return {
        "run": run.name,
        "folder": f"runs/{run.record.path.name}",
        "simulated": run.simulated,
        "rig": start.rig,
        "bench": start.bench,
        "began": start.utc,
        "ended": None if end is None else end.utc,
        "end": None if end is None else end.reason,
        "first-day": run.days[0],
        "last-day": run.days[1],
        "plans": list(start.plans),
        "operator": run.operators,
        "environment": list(run.environments),
        "board": _identity(run.board),
        "board-at-end": [
            _identity(one) for one in (end.identities if end else ()) if one.role == "board"
        ],
        "instruments": [
            {**_identity(one.identity), "calibration": one.standing, "why": one.why}
            for one in run.instruments
        ],
        "seal": run.checked.seal if run.checked is not None else "",
        "doubts": list(run.doubts),
        "remarks": list(run.remarks),
        "host": dict(start.host),
        "inputs": dict(start.hashes),
        "checkouts": [checkout_facts(one) for one in start.checkouts],
        "settings": [asdict(one) for one in start.settings],
        "planned": len(run.planned),
        "not-in-run": [_planned(one) for one in run.planned if one.why],
    }


def _orphan(one: Orphan) -> Facts:
    return {
        "run": one.run.name,
        "item": one.item.item,
        "attempt": one.item.name,
        "number": one.item.number,
        "standing": one.item.standing.value,
        "reason": one.item.reason,
        "marks": list(one.marks),
    }


def _change(change: Change) -> Facts:
    return {
        "area": change.area,
        "what": change.what,
        "old": change.old,
        "new": change.new,
        "sense": change.sense,
        "items": list(change.where),
    }
