"""Synthetic runs that hold everything a report must be able to show."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hil.core.band import Band, Rule
from hil.core.drive import DriveState
from hil.core.measure import Measure, Outcome
from hil.core.record import (
    Identity,
    ItemResult,
    ItemStart,
    Note,
    RunEnd,
    RunStart,
    StateSpan,
)
from hil.core.trace import Accuracy, Channel, Mark, Trace
from hil.core.verdict import Judgement, Verdict
from hil.store.folder import RunFolder

UTC = "2026-03-01T22:15:09.123Z"
WEIRD = 'plan "of" <script>alert(1)</script> & ]]> \x00\x07\x1b[31m Ω — 漢字 \ud800 \u202e'


@pytest.fixture
def weird() -> str:
    """Text that breaks what does not escape: markup, control characters, a lone surrogate."""
    return WEIRD


def _trace(end: float = 3.0, rate: float = 200.0, target: float = 2000.0, seed: int = 1) -> Trace:
    """A start: at rest, aligned, ramped, at speed; with gaps in what the firmware reported."""
    random = np.random.default_rng(seed)
    t = np.arange(0.0, end, 1.0 / rate)
    rise = np.clip((t - 0.4) / 0.9, 0.0, 1.0)
    speed = target * (rise + 0.12 * np.exp(-((t - 1.35) ** 2) / 0.01))
    current = 0.4 + 3.0 * np.exp(-((t - 0.9) ** 2) / 0.08) + 0.05 * random.standard_normal(t.size)
    reported = speed + 8.0 * random.standard_normal(t.size)
    reported[(t > 2.0) & (t < 2.1)] = np.nan

    def channel(name: str, unit: str, y: np.ndarray) -> tuple[str, Channel]:
        return name, Channel(name, unit, t, np.asarray(y, dtype=np.float64), interval=1.0 / rate)

    return Trace(
        dict(
            [
                channel("reported.setpoint", "rpm", np.where(t > 0.1, target, 0.0)),
                channel("reported.speed", "rpm", reported),
                channel("witness.speed", "rpm", speed),
                channel("reported.current", "A", current),
                channel("reported.peak", "A", current + 0.3),
                channel("supply.current", "A", 0.8 * current),
                channel("reported.voltage", "V", 24.0 - 0.1 * current),
                channel("supply.voltage", "V", 24.05 - 0.1 * current),
                channel("witness.position", "deg", np.cumsum(speed) * 6.0 / rate),
                channel("reported.temperature", "degC", 25.0 + 2.0 * t),
            ]
        ),
        (Mark("supply-on", 0.02), Mark("command", 0.1, 0.002, "2000 rpm"), Mark("stop", 2.9)),
        end,
        frames=t.size,
        lost=3,
        bad=1,
    )


@pytest.fixture
def make_trace() -> Callable[..., Trace]:
    """Builder of a start trace: ``make_trace(end=, rate=, target=, seed=)``."""
    return _trace


def _spans(repeat: int = 1) -> tuple[StateSpan, ...]:
    return tuple(
        StateSpan(state=state, start=start, end=end, repeat=repeat)
        for state, start, end in (
            ("idle", 0.0, 0.1),
            ("align", 0.1, 0.4),
            ("ramp", 0.4, 0.8),
            ("run", 0.8, 2.95),
        )
    )


def _judge(
    measure: Measure, band: Band, verdict: Verdict, repeat: int = 0, conformance: float | None = 0.5
) -> Judgement:
    margin = None
    if measure.value is not None:
        limits = []
        if band.low is not None:
            limits.append(measure.value - band.low)
        if band.high is not None:
            limits.append(band.high - measure.value)
        margin = min(limits)
    reason = f"{measure.name} {measure.value} against {band}"
    return Judgement(band, measure, verdict, reason, margin, conformance, repeat)


@pytest.fixture
def make_result() -> Callable[..., ItemResult]:
    """Builder of a result: ``make_result(item, verdict, reason=..., **fields)``."""
    return _result


def _result(
    item: str, verdict: Verdict, *, reason: str = "every band met", **fields: object
) -> ItemResult:
    values: dict[str, object] = {
        "item": item,
        "scenario": item.split("-", maxsplit=1)[0],
        "plan": "testplans/nightly.plan.yaml",
        "title": "Start of the dosing pump from rest",
        "conditions": {
            "direction": "cw",
            "sensing": "hall",
            "supply": "24 V",
            "target": "2000 rpm",
        },
        "verdict": verdict,
        "reason": reason,
        "utc": UTC,
        "duration": 3.0,
    }
    values.update(fields)
    return ItemResult(**values)  # type: ignore[arg-type]


def _failed() -> dict[str, object]:
    peak = Measure("peak-current", "A", 3.7123, 0.05, 0.01)
    time = Measure("time-to-speed", "s", 1.2034, 0.0021, 0.005)
    over = Measure("overshoot", "%", 12.04, 0.4)
    dip = Measure.absent("handover-dip", "%", Outcome.MISSING_DATA, "reported.speed has a gap")
    ripple = Measure("ripple", "%", 1.234, 0.02)
    bands = (
        Band("peak-current", None, 3.5, "A", Rule.GUARDED, "REQ-17"),
        Band("time-to-speed", 0.2, 1.5, "s"),
        Band("overshoot", None, 15.0, "%"),
        Band("handover-dip", None, 20.0, "%"),
    )
    return {
        "measures": (peak, time, over, dip, ripple),
        "repeats": (1,) * 5,
        "judgements": (
            _judge(time, bands[1], Verdict.PASS, 1, 0.9999),
            _judge(over, bands[2], Verdict.PASS, 1, 0.998),
            _judge(dip, bands[3], Verdict.UNDECIDED, 1, None),
            _judge(peak, bands[0], Verdict.FAIL, 1, 0.0),
        ),
        "spans": _spans(),
        "requirements": ("REQ-17",),
        "steps": ("supply 24 V on", "start to 2000 rpm", "wait until steady", "stop"),
    }


def _repeated(count: int = 20) -> dict[str, object]:
    band = Band("time-to-speed", None, 1.25, "s")
    random = np.random.default_rng(7)
    measures = [
        Measure("time-to-speed", "s", float(v), 0.002)
        for v in 1.2 + 0.02 * random.standard_normal(count)
    ]
    measures[6] = Measure.absent("time-to-speed", "s", Outcome.NEVER_REACHED, "stuck at 310 rpm")
    success = Measure("success-rate", "1", (count - 1) / count, 0.0)
    whole = Band("success-rate", 0.98, None, "1")
    judgements = [
        _judge(m, band, Verdict.PASS if m.value is not None else Verdict.FAIL, n)
        for n, m in enumerate(measures, 1)
    ]
    return {
        "measures": tuple(measures),
        "repeats": tuple(range(1, count + 1)),
        "judgements": (*judgements, _judge(success, whole, Verdict.FAIL, 0, None)),
        "spans": tuple(span for n in range(1, count + 1) for span in _spans(n)),
    }


@pytest.fixture
def start_entry() -> RunStart:
    return RunStart(
        run="2026-03-01t22-15-09z-5f0c",
        utc=UTC,
        simulated=True,
        bench="the rig's hardware did not answer (no such port), so the simulated bench runs",
        rig="greenhouse-dosing-pump",
        plans=("testplans/nightly.plan.yaml",),
        items=(
            "start-cw-hall",
            "start-cw-many",
            "stall-locked",
            "reversal-2000",
            "speed-step-up",
            "start-weird",
            "start-lost",
            "start-never",
        ),
        seed=7,
        identities=(
            Identity(role="board", maker="Example", model="pump-drive", revision="1.4.2+g0a1b2c"),
            Identity(role="supply", maker="Example", model="PS-60", calibration_due="2026-09-30"),
        ),
        hashes={"nightly.plan.yaml": "ab" * 32, "rig.yaml": "cd" * 32},
        host={"machine": "bench-pc", "python": "3.11.2"},
        motor={"pole pairs": "4", "rated voltage": "24 V"},
        limits={"speed": "5000 rpm", "current": "8 A"},
    )


@pytest.fixture
def full_run(tmp_path: Path, start_entry: RunStart) -> Path:
    """A run folder with every verdict, an interrupted item and one that was never begun."""
    with RunFolder.create(tmp_path, "2026-03-01t22-15-09z-5f0c") as run:
        run.append(start_entry)
        position = iter(range(1, 20))

        def add(result: ItemResult, traces: int = 1) -> None:
            run.append(
                ItemStart(
                    item=result.item, utc=UTC, position=next(position), of=len(start_entry.items)
                )
            )
            names = tuple(
                run.write_trace(result.item, n, _trace(seed=n)) for n in range(1, traces + 1)
            )
            run.append(replace(result, traces=names))

        add(
            _result(
                "start-cw-hall",
                Verdict.FAIL,
                reason="peak-current 3.71 A is above 3.5 A",
                **_failed(),
            )
        )
        add(
            _result(
                "start-cw-many", Verdict.FAIL, reason="19 of 20 starts succeeded", **_repeated()
            ),
            20,
        )
        run.append(
            Note(utc=UTC, text="the supply refused 24 V", item="stall-locked", level="error")
        )
        add(_result("stall-locked", Verdict.BENCH_FAULT, reason="supply unreachable: timeout"), 0)
        add(_result("reversal-2000", Verdict.PASS, spans=_spans()))
        add(_result("speed-step-up", Verdict.UNDECIDED, reason="band finer than the tachometer"))
        add(
            _result(
                "start-weird",
                Verdict.FAIL,
                reason=WEIRD,
                title=WEIRD,
                plan=WEIRD,
                conditions={WEIRD: WEIRD},
                steps=(WEIRD,),
            )
        )
        run.append(ItemStart(item="start-lost", utc=UTC, position=7, of=8))
        run.append(RunEnd(utc=UTC, reason="interrupted: Ctrl-C", counts={"fail": 3, "pass": 1}))
        with run.raw_log("start-cw-hall") as log:
            log.sent(0.1, b"START 2000\r\n")
        return run.path


@pytest.fixture
def big_run(tmp_path: Path, start_entry: RunStart) -> Path:
    """Seventy items with traces of ten channels at 1 kHz for 4 s."""
    names = tuple(f"start-{n:03d}" for n in range(70))
    with RunFolder.create(tmp_path, "big") as run:
        run.append(replace(start_entry, items=names, simulated=False))
        for n, name in enumerate(names, 1):
            run.append(ItemStart(item=name, utc=UTC, position=n, of=70))
            trace = run.write_trace(name, 1, _trace(end=4.0, rate=1000.0, seed=n))
            verdict = Verdict.FAIL if n in (30, 60) else Verdict.PASS
            fields = _failed() if verdict is Verdict.FAIL else {"spans": _spans()}
            run.append(_result(name, verdict, traces=(trace,), **fields))
        run.append(RunEnd(utc=UTC, reason="completed", counts={"pass": 68, "fail": 2}))
        return run.path


KE, R = 0.05, 0.6  # V*s/rad and ohm, line to line


def _steady(rpm: float, amps: float, end: float = 3.0) -> Trace:
    """Steady running of which all is known: the supply delivers ke w I + R I^2 at 24 V."""
    power = KE * rpm * np.pi / 30.0 * amps + R * amps * amps
    levels = {
        "witness.speed": ("rpm", 0.001, rpm),
        "reported.current": ("A", 0.005, amps),
        "reported.state": ("1", 0.005, float(DriveState.RUN)),
        "supply.voltage": ("V", 0.05, 24.0),
        "supply.current": ("A", 0.05, power / 24.0),
    }
    channels = {}
    for name, (unit, interval, level) in levels.items():
        t = np.arange(0.0, end + 1e-9, interval)
        y = np.full_like(t, level)
        channels[name] = Channel(name, unit, t, y, Accuracy(0.001), interval=interval)
    return Trace(channels, (Mark("command", 0.1), Mark("stop", end)), end)


@pytest.fixture
def make_steady() -> Callable[..., Trace]:
    """Builder of a steady trace of known power balance: ``make_steady(rpm, amps)``."""
    return _steady


@pytest.fixture
def make_loaded(tmp_path: Path, start_entry: RunStart) -> Callable[..., Path]:
    """Builder of a run with one item a steady state: ``make_loaded([(rpm, amps)], motor=)``."""

    def make(states: list[tuple[float, float]], motor: dict[str, str] | None = None) -> Path:
        plate = {
            "back-emf-constant": f"{KE} V*s/rad",
            "back-emf-convention": "line-to-line-peak",
        }
        names = tuple(f"load-{n}" for n in range(1, len(states) + 1))
        with RunFolder.create(tmp_path, "loaded") as run:
            run.append(replace(start_entry, items=names, motor=plate if motor is None else motor))
            for n, (name, state) in enumerate(zip(names, states, strict=True), 1):
                run.append(ItemStart(item=name, utc=UTC, position=n, of=len(names)))
                trace = run.write_trace(name, 1, _steady(*state))
                run.append(_result(name, Verdict.PASS, traces=(trace,)))
            run.append(RunEnd(utc=UTC, reason="completed", counts={"pass": len(names)}))
            return run.path

    return make


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A real browser without a window, its console and network watched."""
    webdriver = pytest.importorskip("selenium.webdriver")
    options = webdriver.ChromeOptions()
    for argument in ("--headless=new", "--no-sandbox", "--disable-dev-shm-usage"):
        options.add_argument(argument)
    options.binary_location = shutil.which("chromium") or shutil.which("google-chrome")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    service = webdriver.ChromeService(shutil.which("chromedriver"))
    driver = webdriver.Chrome(options=options, service=service)
    driver.execute_cdp_cmd("Network.enable", {})
    yield driver
    driver.quit()
