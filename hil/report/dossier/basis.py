"""What a release was held against: items, bands, limits, files. The next release reads it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from hil.core.band import Band
from hil.plan.requirements import RequirementFile
from hil.report.dossier.runs import RunFacts
from hil.report.made_with import version_words

Basis = dict[str, Any]


def basis_of(runs: Sequence[RunFacts], file: RequirementFile) -> Basis:
    """Items with conditions and bands, limits, input files, tool and requirements, as JSON data.

    Where runs differ, every value is listed; `disagreements` names them.
    """
    return {
        "items": _items(runs),
        "limits": _by_name(
            (f"{run.record.start.rig}: {name}", text)
            for run in runs
            for name, text in run.record.start.limits.items()
        ),
        "inputs": _by_name(
            pair
            for run in runs
            for pair in run.record.start.hashes.items()
            if pair[0] not in run.record.start.firmware
        ),
        "plans": sorted({plan for run in runs for plan in run.record.start.plans}),
        "harness": sorted({_harness(run.record.start.host) for run in runs}),
        "requirements": [
            {
                "id": one.id,
                "text": one.text,
                "evidence": file.kind_of(one),
                "size": one.sample.size if one.sample else None,
                "at-least": one.sample.at_least if one.sample else None,
                "confidence": one.sample.target.confidence
                if one.sample and one.sample.target
                else None,
                "verified-by": [str(source) for source in one.sources],
            }
            for one in file.requirements
        ],
    }


def _harness(host: Mapping[str, str]) -> str:
    return version_words(host.get("hil", ""), host.get("hil code", ""))


def _items(runs: Iterable[RunFacts]) -> list[Basis]:
    found: dict[tuple[str, str], Basis] = {}
    for result in (result for run in runs for result in run.record.results):
        here = found.setdefault(
            (result.plan, result.item),
            {"plan": result.plan, "item": result.item, "conditions": [], "bands": []},
        )
        if result.conditions and dict(result.conditions) not in here["conditions"]:
            here["conditions"].append(dict(result.conditions))
        for judgement in result.judgements:
            told = band_facts(judgement.band)
            if told not in here["bands"]:
                here["bands"].append(told)
    return list(found.values())


def band_facts(band: Band) -> Basis:
    """A band as JSON data."""
    return {
        "measure": band.measure,
        "low": band.low,
        "high": band.high,
        "unit": band.unit,
        "rule": band.rule.value,
        "guard": band.guard,
        "risk": band.risk,
        "requirement": band.requirement,
    }


def _by_name(pairs: Iterable[tuple[str, str]]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for name, value in pairs:
        values = found.setdefault(name, [])
        if value not in values:
            values.append(value)
    return dict(sorted(found.items()))


def disagreements(basis: Basis) -> list[str]:
    """What the runs of one release did not have in common."""
    told = [
        f"{name}: {' / '.join(_short(v) for v in values)}"
        for table in ("limits", "inputs")
        for name, values in basis[table].items()
        if len(values) > 1
    ]
    several: dict[str, list[str]] = {}
    for item in basis["items"]:
        measures = [band["measure"] for band in item["bands"]]
        for measure in dict.fromkeys(measures):
            if measures.count(measure) > 1:
                several.setdefault(measure, []).append(item["item"])
    told += [
        f"{measure} was judged by different bands, in {items[0]}"
        + (f" and {len(items) - 1} more" if len(items) > 1 else "")
        for measure, items in several.items()
    ]
    return told


def _short(value: str) -> str:
    return value[:12] if len(value) == 64 else value
