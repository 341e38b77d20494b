"""A campaign of thousands needs no more memory than one of a few."""

from __future__ import annotations

import gc
import sys
from pathlib import Path

import pytest

from hil.scenarios.campaign_task import Task, run_task
from hil.twin.population import Spread, Tolerances, healthy_rig

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"
PLAN = f"""
format: 1
plan: brief
rig: {RIG}
scenarios:
  - id: start
    scenario: start
    speed: 1000 rpm
    hold: 0.1 s
    sensing: hall
    bands: {{success: {{exactly: 1}}}}
"""
#: Objects of which every rig has some of its own.
OF_A_RIG = ("World", "Drive", "TwinLibrary", "ResourceManager", "Bench", "Trace", "Serial")


@pytest.fixture
def rig_after_rig(tmp_path):
    path = tmp_path / "brief.plan.yaml"
    path.write_text(PLAN)
    tolerances = Tolerances(resistance=Spread(0.1))

    def run(first: int, count: int) -> None:
        for n in range(first, first + count):
            run_task(Task(str(path), "start", "", healthy_rig(tolerances, 1, n), f"1/{n}"))
        gc.collect()

    return run


def alive() -> dict[str, int]:
    """How many objects of a rig there are in this process."""
    names = [type(one).__name__ for one in gc.get_objects()]
    return {name: names.count(name) for name in OF_A_RIG}


def test_nothing_of_a_rig_outlives_it(rig_after_rig) -> None:
    rig_after_rig(1, 3)
    before = alive()
    rig_after_rig(4, 6)
    assert alive() == before


def test_registries_forget_closed_benches(rig_after_rig) -> None:
    from hil.twin.wires import registry

    rig_after_rig(1, 2)
    published = len(registry._worlds)
    rig_after_rig(3, 4)
    assert len(registry._worlds) == published


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")
def test_resident_memory_stays_flat(rig_after_rig) -> None:
    def resident() -> float:
        """MiB"""
        pages = int(Path("/proc/self/statm").read_text().split()[1])
        return pages * 4096 / 2**20

    rig_after_rig(1, 15)
    before = resident()
    rig_after_rig(16, 45)
    # A trace alone takes 0.2 MiB: one kept a rig would show.
    assert resident() - before < 4.0
