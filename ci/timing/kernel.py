"""The simulated drive alone: against C, against general-purpose integrators, against numbers."""

from __future__ import annotations

import importlib.util
import math
import resource
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from ci.timing.result import Result

TESTS = Path(__file__).parents[2] / "tests" / "twin"
RIG = Path("testplans/rigs/dosing-pump.yaml")
#: Times are the best of many short pieces, taken in turn: other work on the machine only adds.
ROUNDS, PIECE = 60, 1000
WINDOW = 0.004  # s of the start that the slow integrators simulate
SPAN = 0.2  # s that each of many rigs lives


def module(name: str, path: Path) -> Any:
    """A Python file of the tests as a module."""
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise ImportError(path)
    loaded = importlib.util.module_from_spec(spec)
    sys.modules[name] = loaded
    spec.loader.exec_module(loaded)
    return loaded


def running(drive: Any, firmware: bool) -> Any:
    """The drive at speed."""
    drive.set_supply(24.0, 10.0, True)
    drive.advance(0.2)
    if firmware:
        drive.feed(b"stream,200\nstart,2000\n")
    drive.advance(1.0)
    return drive


def run() -> Iterator[Result]:
    """All of it; about half a minute."""
    from hil.bench.simulate import world_for
    from hil.plan.load import load_rig
    from hil.twin import kernel, library
    from hil.twin.drive import Drive
    from hil.twin.variation import Change, Variation

    # under the name pytest gives it: the cache of machine code looks modules up by name
    firmwares = module("tests.twin.conftest", TESTS / "conftest.py")
    rig = load_rig(RIG)
    alone = Variation("alone", (Change("firmware.link_timeout", 0.0),))
    drive = running(world_for(rig, "kernel", alone).drive, firmware=True)
    pieces: dict[str, tuple[Any, Any]] = {"whole": (drive, kernel.advance)}
    with tempfile.TemporaryDirectory() as folder:
        if library.compiler() is not None:
            in_c = module("in_c", TESTS / "test_same_scheme_in_c.py").built(Path(folder))
            twins = [running(world_for(rig, "kernel", alone).drive, firmware=True) for _ in "ab"]
            pieces["numba"] = (twins[0], kernel.advance)
            pieces["C"] = (twins[1], in_c)
        best = dict.fromkeys(pieces, math.inf)
        steps = drive.steps
        for _ in range(ROUNDS):
            for name, (one, advance) in pieces.items():
                before = time.thread_time()
                advance(*one._addresses, PIECE)
                best[name] = min(best[name], time.thread_time() - before)
                one.drain()
    if abs(drive.speed_rpm - 2000.0) > 100.0:
        raise RuntimeError(f"the drive was to run at 2000 rpm: {drive.speed_rpm:.0f} rpm")
    pwm = drive.parameters.bridge.pwm_hz
    rate = PIECE / pwm / best["whole"]
    yield Result("kernel and firmware, closed loop", rate, "s/s", "higher", 250.0)
    per_period = (drive.steps - steps) / (ROUNDS * PIECE)
    yield Result("integration steps per PWM period", per_period, "1", "lower")
    if "C" in best:
        yield Result("numba against C -O3", best["C"] / best["numba"], "1", "higher", 0.95)

    yield from against_integrators(firmwares, rate, drive)
    yield from many(Drive, firmwares)


def pace(drive: Any, longest: float) -> float:
    """Simulated seconds per second of a running drive with steps of at most `longest` s."""
    from hil.twin import kernel

    advance: Any = kernel.advance  # as compiled: it takes addresses
    usual = float(drive._constants["longest"][0])
    drive._constants["longest"] = longest
    best = math.inf
    for _ in range(ROUNDS // 4):
        before = time.thread_time()
        advance(*drive._addresses, PIECE)
        best = min(best, time.thread_time() - before)
        drive.drain()
    drive._constants["longest"] = usual
    return PIECE / float(drive.parameters.bridge.pwm_hz) / best


def against_integrators(firmwares: Any, rate: float, drive: Any) -> Iterator[Result]:
    """The start of `tests/twin/spice` by scipy and ngspice, and how exact each of them is.

    `rate` is that of the running `drive` with its usual steps. Against scipy the kernel is also
    timed with steps so short that it is as exact.
    """
    from ci.timing.plain import Plain
    from hil.twin.constants import constants_of

    circuit = module("circuit", TESTS / "spice" / "circuit.py")
    schedule, _ = circuit.stored()
    pwm = circuit.RIG.bridge.pwm_hz
    periods = round(WINDOW * pwm)

    def by_scipy(max_step: float, rtol: float, atol: float) -> tuple[Any, float]:
        plain = Plain(circuit, max_step, rtol, atol)
        before = time.thread_time()
        due, change = {one.period: one for one in schedule}, schedule[0]
        for period in range(periods):
            change = due.get(period, change)
            plain.period(change.high, change.low)
        return plain.state, WINDOW / (time.thread_time() - before)

    def by_kernel(longest: float | None = None) -> Any:
        found = circuit.by_kernel(schedule, firmwares.new_scripted(), longest=longest)
        return np.array([found.values[n][periods] for n in ("ia", "ib", "ic", "link", "speed")])

    # half the steps change it by 2e-11
    truth, _ = by_scipy(1.0 / pwm / 200, 1e-10, 1e-13)
    scipy_state, scipy_rate = by_scipy(1.0 / pwm / 20, 1e-3, 1e-6)

    def error(state: Any) -> float:
        """Of current and speed, ppm."""
        current = np.abs(state[:3] - truth[:3]).max() / np.abs(truth[:3]).max()
        return float(max(current, abs(state[4] - truth[4]) / truth[4])) * 1e6

    ours, theirs = error(by_kernel()), error(scipy_state)
    yield Result("error after a start of 4 ms, kernel", ours, "ppm", "lower", 1e3)
    yield Result("error after a start of 4 ms, scipy", theirs, "ppm", "lower")
    yield Result("against scipy solve_ivp", rate / scipy_rate, "1", "higher", 10_000.0)
    longest = float(constants_of(circuit.RIG, firmwares.new_scripted())["longest"][0])
    fine = ours
    while fine > theirs:
        longest *= 0.5
        fine = error(by_kernel(longest))
    yield Result(f"error with steps of {longest * 1e6:.1f} us", fine, "ppm", "lower", theirs)
    fine_rate = pace(drive, longest)
    yield Result("against scipy, as exact", fine_rate / scipy_rate, "1", "higher", 10_000.0)
    if reason := circuit.missing():
        print(f"not measured: {reason}")
        return
    with tempfile.TemporaryDirectory() as folder:
        before = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime
        wave = circuit.by_ngspice(schedule, Path(folder), tmax=1e-6, length=WINDOW)
        taken = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime - before
    spice_state = [wave.values[n][-1] for n in ("ia", "ib", "ic", "link", "speed")]
    yield Result("against ngspice, steps of 1 us", rate * taken / WINDOW, "1", "higher", 10_000.0)
    spice = error(np.array(spice_state))
    yield Result("error after a start of 4 ms, ngspice", spice, "ppm", "lower")
    yield Result("error of the kernel against that of ngspice", ours / spice, "1", "lower", 1.0)


def many(drive_type: Any, firmwares: Any) -> Iterator[Result]:
    """Cost of a simulated second when few and when many rigs are made and run one after another."""
    from hil.twin.parameters import DriveParameters

    def cost(count: int) -> float:
        """Of a simulated second, s, for rigs that live for `SPAN` s."""
        before = time.thread_time()
        for n in range(count):
            one = drive_type(DriveParameters(), firmwares.new_scripted().commutate(0.5), n)
            one.set_supply(24.0, 10.0, True)
            one.advance(SPAN)
        return (time.thread_time() - before) / (SPAN * count)

    few = min(cost(1) for _ in range(100))
    costs = {1: few, 100: cost(100), 10_000: cost(10_000)}
    for count, found in costs.items():
        yield Result(f"cost per simulated second, {count} rigs in turn", found * 1e3, "ms", "lower")
    yield Result("10,000 rigs against 100", costs[10_000] / costs[100], "1", "lower", 1.2)
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    yield Result("memory of this process", memory, "MiB", "lower", 1024.0)
