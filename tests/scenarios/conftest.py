"""Rig, plans and items for scenarios; the simulated bench where a stand-in says too little."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from hil.bench.bench import Bench
from hil.bench.open import open_bench
from hil.measures.catalogue import KINDS, definitions
from hil.plan.expand import expand
from hil.plan.load import load_plan, load_rig
from hil.plan.plan import PlannedItem
from hil.plan.rig import Rig
from hil.scenarios.steps import Steps

PLANS = Path(__file__).parents[2] / "testplans"


@pytest.fixture(scope="session")
def rig() -> Rig:
    return load_rig(PLANS / "rigs" / "dosing-pump.yaml")


@pytest.fixture
def planned(rig: Rig, tmp_path: Path) -> Callable[..., tuple[PlannedItem, ...]]:
    """Items of a plan given as the text of its scenarios."""

    def make(scenarios: str, on: Rig = rig) -> tuple[PlannedItem, ...]:
        path = tmp_path / "t.plan.yaml"
        path.write_text(f"format: 1\nplan: t\nscenarios:\n{scenarios}", encoding="utf-8")
        units = {kind: {n: d.unit for n, d in definitions(kind).items()} for kind in KINDS}
        return expand(load_plan(path), on, units)

    return make


@pytest.fixture
def steps(kit: SimpleNamespace) -> Steps:
    """On the bench of stand-ins: supply on, board ready."""
    made = Steps(kit.bench)
    made.begin_trace()
    made.supply(24.0)
    made.ready("hall")
    kit.journal.clear()
    return made


@pytest.fixture
def simulated(rig: Rig) -> Iterator[Callable[..., Bench]]:
    """Opens a simulated bench, closed after the test."""
    opened: list[Bench] = []

    def make(on: Rig = rig, seed: str = "1") -> Bench:
        opened.append(open_bench(on, True, {}, seed=seed))
        return opened[-1]

    yield make
    for bench in opened:
        assert bench.close() == []


@pytest.fixture
def changed(rig: Rig) -> Callable[..., Rig]:
    """The rig with values of one of its sections replaced."""

    def make(section: str, **values: Any) -> Rig:
        part = getattr(rig, section).model_copy(update=values)
        return rig.model_copy(update={section: part})

    return make
