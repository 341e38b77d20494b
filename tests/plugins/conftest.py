"""Inner pytest sessions on small plans, with the simulated bench within reach.

What the plugins load late is loaded here first: the test bed forgets modules that an inner session
imports, and some (numpy) cannot be imported twice.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import anycrc  # noqa: F401
import cobs.cobs  # noqa: F401
import hypothesis  # noqa: F401
import junit_xml  # noqa: F401
import pandas  # noqa: F401
import pint  # noqa: F401
import plotly  # noqa: F401
import pyarrow.dataset
import pyarrow.parquet  # noqa: F401
import pytest
import pyvisa_py  # noqa: F401
import ruamel.yaml  # noqa: F401

import hil.bench.simulate
import hil.measures.catalogue
import hil.plan.expand
import hil.plan.load
import hil.plugins.planned_item
import hil.plugins.python_scenario
import hil.report.rebuild
from hil.core.record import ItemResult
from hil.store.reading import RunRecord, read
from hil.twin.world import World

TESTPLANS = Path(__file__).parents[2] / "testplans"
RIG = TESTPLANS / "rigs" / "dosing-pump.yaml"
START = """
  - id: s
    scenario: start
    speed: 1000 rpm
    hold: 0.4 s
    within: 2 s
    bands: {success: {exactly: 1}}
"""


class Timer:
    """Sits among the instruments of a simulated bench and strikes once, at its time."""

    def __init__(self, world: World, at: float, action: Callable[[World], object]) -> None:
        self._world, self._at, self._action = world, at, action

    def due(self) -> float:
        return self._at

    def observe(self, now: float) -> None:
        if now >= self._at:
            self._at = math.inf
            self._action(self._world)

    def power_off(self) -> None:
        pass


class Lab:
    """See the module text. `left_on`: for each bench, was its supply on when it was closed?"""

    def __init__(self, pytester: pytest.Pytester) -> None:
        self.pytester = pytester
        self.path = pytester.path
        self.worlds: list[World] = []
        self.left_on: list[bool] = []
        self.strikes: list[tuple[float, Callable[[World], object]]] = []
        self.prepare: Callable[[World], object] = lambda _world: None

    def plan(self, scenarios: str = START, *, name: str = "t", rig: Path = RIG) -> str:
        file = f"{name}.plan.yaml"
        text = f"format: 1\nplan: {name}\nrig: {rig}\nscenarios:\n{scenarios}"
        (self.path / file).write_text(text, encoding="utf-8")
        return file

    def rig(self, text: str, name: str = "changed") -> Path:
        """A rig file like the shipped one but for `text`."""
        file = self.path / f"{name}.yaml"
        file.write_text(f"based-on: {RIG}\nrig: {name}\n{text}", encoding="utf-8")
        return file

    def run(self, *args: str, bench: str = "twin") -> pytest.RunResult:
        """An inner session in this process."""
        options = ("-p", "no:randomly", f"--hil-bench={bench}", "--hil-out=runs")
        return self.pytester.runpytest_inprocess(*options, *args, no_reraise_ctrlc=True)

    @property
    def folders(self) -> list[Path]:
        return sorted((self.path / "runs").glob("*"), key=lambda path: path.stat().st_mtime_ns)

    @property
    def record(self) -> RunRecord:
        """Of the newest run."""
        return read(self.folders[-1])

    @property
    def result(self) -> ItemResult:
        """The only result of the newest run."""
        (found,) = self.record.results
        return found

    def strike(self, at: float, action: Callable[[World], object]) -> None:
        """Do something to every simulated bench `at` s after its power-up."""
        self.strikes.append((at, action))

    @staticmethod
    def instrument(world: World, role: str) -> Any:
        return next(one for one in world.instruments.values() if one.role == role)


@pytest.fixture
def lab(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> Lab:
    made = Lab(pytester)
    original = hil.bench.simulate.world_for

    def world_for(*args: Any) -> World:
        world = original(*args)
        for at, action in made.strikes:
            timer = Timer(world, at, action)
            world._watching += (timer,)
            world._acting += (timer,)
        close = world.close

        def closing() -> None:
            if not world.closed:
                made.left_on.append(made.instrument(world, "supply").on)
            close()

        world.close = closing
        made.prepare(world)
        made.worlds.append(world)
        return world

    monkeypatch.setattr(hil.bench.simulate, "world_for", world_for)
    return made
