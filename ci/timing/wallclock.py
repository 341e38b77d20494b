"""A bench in wall-clock time, served by another process: what the harness itself takes."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from ci.killing import RIG, ROLES, served
from ci.timing.result import Result

if TYPE_CHECKING:
    from hil.bench.bench import Bench
    from hil.core.trace import Trace

#: s that a bench turns, and rounds of it.
TURN, ROUNDS = 5.0, 2
#: A rig whose telemetry comes a thousand times a second, binary, at 460800 baud.
FAST_PROFILE = {"baud: 230400": "baud: 460800", "telemetry-rate: 500 Hz": "telemetry-rate: 1000 Hz"}


PLAN = f"""\
format: 1
plan: overhead
rig: {RIG}
scenarios:
  - id: turn
    scenario: start
    speed: 1000 rpm
    hold: 3 s
    within: 2 s
    matrix: {{sensing: [hall, back-emf], direction: [cw, ccw]}}
    bands: {{success: {{exactly: 1}}, steady-error: {{min: -5 %, max: 5 %}}}}
"""


def run() -> Iterator[Result]:
    """Wall time a second of scenario, and the share of a core at 200 Hz and 1 kHz of telemetry."""
    with tempfile.TemporaryDirectory() as folder:
        yield from _overhead(Path(folder))
        for name, rig in (("200 Hz", RIG), ("1 kHz", fast_rig(Path(folder)))):
            share, rate = _share(Path(folder), rig)
            goal = 0.25 if name == "1 kHz" else None
            yield Result(f"share of a core, telemetry at {name}", share, "1", "lower", goal)
            yield Result(f"telemetry received at {name}", rate, "Hz", "higher", None)


def fast_rig(folder: Path) -> Path:
    """The demonstration rig with fast binary telemetry."""
    profiles = RIG.parents[1] / "profiles"
    text = (profiles / "dosing-cobs.profile.yaml").read_text(encoding="utf-8")
    for old, new in FAST_PROFILE.items():
        if old not in text:
            raise RuntimeError(f"the profile does not say {old!r} any more")
        text = text.replace(old, new)
    (folder / "fast.profile.yaml").write_text(text, encoding="utf-8")
    rig = folder / "fast.yaml"
    rig.write_text(
        f"based-on: {RIG}\nrig: fast\nboard: {{profile: fast.profile.yaml}}\n"
        "twin: {firmware: {protocol: cobs}}\n",
        encoding="utf-8",
    )
    return rig


def _open(rig: Path, places: dict[str, str]) -> Bench:
    from hil.bench.open import open_bench
    from hil.plan.load import load_rig

    return open_bench(load_rig(rig), False, {role: places[role] for role in ROLES}, seed="")


def _share(folder: Path, rig: Path) -> tuple[float, float]:
    """Processor seconds of this process a second of a turning bench, and frames a second."""
    from hil.scenarios.steps import Steps

    with served(folder, rig) as places:
        (folder / "ready.json").unlink()
        bench = _open(rig, places)
        try:
            steps = Steps(bench)
            steps.begin_trace()
            steps.supply(24.0)
            steps.ready("hall")
            steps.start(1000.0)
            bench.wait(0.5)
            shares, rates = [], []
            for _ in range(ROUNDS):
                bench.begin_trace()
                cpu, wall = time.process_time(), time.perf_counter()
                bench.wait(TURN)
                wall = time.perf_counter() - wall
                shares.append((time.process_time() - cpu) / wall)
                trace = bench.trace()
                rates.append(trace.frames / wall)
                if trace.lost or trace.bad:
                    raise RuntimeError(f"{trace.lost} frames lost, {trace.bad} bad")
            return min(shares), min(rates)
        finally:
            bench.make_safe()
            bench.close()


def _overhead(folder: Path) -> Iterator[Result]:
    """Time beyond what a manoeuvre lasts on the bench, as a share of it: a run of several items.

    What an item lasts is its trace, from switching on to standstill; beyond it are reopening,
    measuring, judging and storing. Starting Python and proving the bench come once a night.
    """
    from hil.bench.choose import Choice
    from hil.bench.session import Session
    from hil.core.verdict import Verdict
    from hil.measures.catalogue import KINDS, definitions
    from hil.plan.expand import expand
    from hil.plan.load import load_plan, load_rig
    from hil.scenarios.execute import execute
    from hil.store.folder import RunFolder

    plan = folder / "overhead.plan.yaml"
    plan.write_text(PLAN, encoding="utf-8")
    rig = load_rig(RIG)
    units = {kind: {n: d.unit for n, d in definitions(kind).items()} for kind in KINDS}
    items = expand(load_plan(plan), rig, units)
    with served(folder, RIG) as places:
        (folder / "ready.json").unlink()
        resources = {role: place for role, place in places.items() if role in ROLES}
        session = Session(rig, Choice(False, "", resources), seed="1")
        with RunFolder.create(folder / "runs") as run:
            lasted: list[float] = []

            def keep(repeat: int, trace: Trace) -> None:
                lasted.append(trace.end)
                run.write_trace("item", repeat, trace)

            begun = 0.0
            for number, item in enumerate(items):
                if number == 1:  # the first one loads what all need
                    lasted.clear()
                    begun = time.perf_counter()
                done = execute(item, rig, session.open(item.id), keep=keep)
                if done.problem is not None:
                    raise done.problem
                if done.verdict is not Verdict.PASS:
                    raise RuntimeError(f"{item.id}: {done.reason}: the figure is worthless")
            wall = time.perf_counter() - begun
        session.close()
    yield Result(
        "harness beyond the manoeuvres", (wall - sum(lasted)) / sum(lasted), "1", "lower", 0.02
    )
