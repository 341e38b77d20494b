"""The shipped requirement file against the shipped nightly plan, before anything is run."""

from __future__ import annotations

from fnmatch import fnmatchcase
from pathlib import Path

import pytest

from hil.measures.catalogue import KINDS, definitions
from hil.plan.expand import expand
from hil.plan.load import load_plan, load_rig
from hil.plan.plan import PlannedItem
from hil.plan.requirements import load_requirements

SHIPPED = Path(__file__).parents[3] / "testplans"


@pytest.fixture(scope="module")
def items() -> list[PlannedItem]:
    plan = load_plan(SHIPPED / "nightly.plan.yaml")
    units = {kind: {name: d.unit for name, d in definitions(kind).items()} for kind in KINDS}
    return list(expand(plan, load_rig(SHIPPED / "rigs" / "dosing-pump.yaml"), units))


def marks(item: PlannedItem) -> set[str]:
    return {*item.requirements, *(band.requirement for band in item.bands if band.requirement)}


def test_every_source_of_every_requirement_finds_items(items: list[PlannedItem]) -> None:
    for requirement in load_requirements(SHIPPED / "release.requirements.yaml").requirements:
        for source in requirement.sources:
            found = [
                item
                for item in items
                if (source.plan_requirement in marks(item))
                or (source.items is not None and fnmatchcase(item.id, source.items))
            ]
            assert found, f"{requirement.id}: {source}"
            judged = {band.measure for item in found for band in item.bands}
            judged |= {"success-rate"} if any(item.success for item in found) else set()
            assert set(source.measures) <= judged, requirement.id


def test_every_item_is_evidence_for_something(items: list[PlannedItem]) -> None:
    sources = [
        source
        for requirement in load_requirements(SHIPPED / "release.requirements.yaml").requirements
        for source in requirement.sources
    ]
    for item in items:
        assert any(
            source.plan_requirement in marks(item)
            or (source.items is not None and fnmatchcase(item.id, source.items))
            for source in sources
        ), item.id


def test_the_claimed_sample_is_planned(items: list[PlannedItem]) -> None:
    for requirement in load_requirements(SHIPPED / "release.requirements.yaml").requirements:
        if requirement.sample is None or requirement.sample.size is None:
            continue
        planned = sum(
            item.repeats
            for item in items
            for source in requirement.sources
            if source.items is not None and fnmatchcase(item.id, source.items)
        )
        assert planned >= requirement.sample.size, requirement.id
