"""The whole stack against the bare simulation: how much of the time is our own overhead."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from ci.timing.result import Result, seconds

RIG = Path("testplans/rigs/dosing-pump.yaml")
PLAN = Path("testplans/nightly.plan.yaml")


def run() -> Iterator[Result]:
    """Bare drive at speed, then the nightly plan through scenario, serial bytes and measures."""
    from hil.bench.open import open_bench
    from hil.bench.simulate import world_for
    from hil.measures.catalogue import KINDS, definitions
    from hil.plan.expand import expand
    from hil.plan.load import load_plan, load_rig
    from hil.scenarios.execute import execute
    from hil.twin.drive import Drive
    from hil.twin.variation import Change, Variation

    rig = load_rig(RIG)
    units = {kind: {n: d.unit for n, d in definitions(kind).items()} for kind in KINDS}
    items = [item for item in expand(load_plan(PLAN), rig, units) if item.repeats == 1]

    bench = open_bench(rig, True, {}, seed="warm")  # compiles
    bench.close()

    # Nobody speaks to the bare drive while it runs, and it is not to stop for that.
    alone = Variation("alone", (Change("firmware.link_timeout", 0.0),))
    drive = world_for(rig, "bare", alone).drive
    drive.set_supply(24.0, 10.0, True)
    assert isinstance(drive, Drive)
    drive.advance(0.2)
    drive.feed(b"stream,200\nstart,2000\n")
    drive.advance(1.0)
    bare_time = 20.0 / seconds(lambda: drive.advance(20.0), cpu=True)
    if abs(drive.speed_rpm - 2000.0) > 100.0:
        raise RuntimeError(f"the bare drive was to run at 2000 rpm: {drive.speed_rpm:.0f} rpm")

    simulated = 0.0

    def nightly() -> None:
        nonlocal simulated
        for item in items:
            bench = open_bench(rig, True, {}, seed=f"1/{item.id}")
            before = bench.clock.now()
            execute(item, rig, bench)
            simulated += bench.clock.now() - before
            bench.close()

    taken = seconds(nightly, cpu=True)
    whole = simulated / taken
    yield Result("simulated seconds per second, bare drive", bare_time, "s/s", "higher", None)
    yield Result("simulated seconds per second, whole stack", whole, "s/s", "higher", None)
    yield Result("whole stack against bare drive", whole / bare_time, "1", "higher", 0.6)
