"""Reported against witnessed speed: what lasts is a contradiction, what lags is not."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from hil.bench.agreement import LAG, Agreement, AgreementLimits, Contradiction
from hil.bench.assemble import agreement_limits
from hil.core.errors import FirmwareError
from hil.plan.load import load_rig
from hil.plan.rig import Rig
from hil.ports.board import BoardReadings
from hil.ports.instruments import ShaftReadings

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"
POLL = 0.01


def feed(agreement: Agreement, seconds: float, shaft, told, *, start: float = 0.0) -> float:
    """Polls as the bench makes them; `shaft` and `told` are rpm over time. Returns the end."""
    steps = round(seconds / POLL)
    for step in range(1, steps + 1):
        now = start + step * POLL
        time = now - POLL + np.arange(1, 11) * 0.001
        speed = np.array([shaft(t) for t in time], dtype=float)
        agreement.add_shaft(ShaftReadings(time, np.zeros(10), speed))
        frames = np.array([now - 0.005, now])
        reported = np.array([told(t) for t in frames], dtype=float)
        agreement.check(BoardReadings(np.full(2, now), frames, {"reported.speed": reported}))
    return start + seconds


def made(**more: float | bool) -> Agreement:
    return Agreement(AgreementLimits(**({"gap": 300.0} | more)))  # type: ignore[arg-type]


def seconds_to_contradiction(agreement: Agreement, shaft, told, within: float = 2.0) -> float:
    for step in range(round(within / POLL)):
        try:
            feed(agreement, POLL, shaft, told, start=step * POLL)
        except Contradiction:
            return (step + 1) * POLL
    return math.inf


def test_a_shaft_that_stands_while_the_firmware_reports_speed() -> None:
    took = seconds_to_contradiction(made(), lambda _t: 0.0, lambda _t: 2000.0)
    assert 0.1 < took <= 0.14


def test_the_message_says_both_speeds_and_the_limit() -> None:
    with pytest.raises(Contradiction, match=r"reports \+2000 rpm, .* \+50 rpm: .* 300 rpm apart"):
        feed(made(), 1.0, lambda _t: 50.0, lambda _t: 2000.0)
    assert issubclass(Contradiction, FirmwareError)


def test_a_gap_at_the_limit_is_none() -> None:
    feed(made(), 2.0, lambda _t: 1000.0, lambda _t: 1300.0)


def test_a_gap_that_does_not_last_is_none() -> None:
    feed(made(), 2.0, lambda _t: 1000.0, lambda t: 2000.0 if (t % 0.3) < 0.08 else 1000.0)


def test_a_gap_counts_from_when_it_last_began() -> None:
    agreement = made()
    end = feed(agreement, 0.09, lambda _t: 0.0, lambda _t: 2000.0)
    end = feed(agreement, 0.02, lambda _t: 0.0, lambda _t: 0.0, start=end)
    feed(agreement, 0.09, lambda _t: 0.0, lambda _t: 2000.0, start=end)


def test_telemetry_that_lags_behind_a_fast_start_agrees() -> None:
    """8000 rpm/s seen 50 ms late is 400 rpm off, and still what the shaft did a moment ago."""
    speed = lambda t: min(4000.0, 8000.0 * max(0.0, t))  # noqa: E731
    feed(made(), 2.0, speed, lambda t: speed(t - 0.05))


def test_a_longer_lag_than_telemetry_has_is_a_gap() -> None:
    speed = lambda t: min(6000.0, 8000.0 * max(0.0, t))  # noqa: E731
    with pytest.raises(Contradiction):
        feed(made(), 2.0, speed, lambda t: speed(t - 3.0 * LAG))


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_wrong_direction_is_told_even_within_the_gap(sign: float) -> None:
    agreement = made(gap=5000.0, turning=200.0)
    with pytest.raises(Contradiction, match="turns the other way"):
        feed(agreement, 1.0, lambda _t: sign * 800.0, lambda _t: -sign * 800.0)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(
    ("shaft", "told"), [(150.0, -150.0), (150.0, -2000.0), (800.0, 40.0), (800.0, -40.0)]
)
def test_directions_near_standstill_do_not_count(sign: float, shaft: float, told: float) -> None:
    agreement = made(gap=5000.0, turning=200.0)
    feed(agreement, 1.0, lambda _t: sign * shaft, lambda _t: sign * told)


def test_a_reversal_seen_late_is_no_wrong_direction() -> None:
    speed = lambda t: 2000.0 * math.cos(4.0 * t)  # noqa: E731
    feed(made(gap=1000.0), 3.0, speed, lambda t: speed(t - 0.04))


def test_unsigned_speeds_are_compared_as_they_are() -> None:
    feed(made(signed=False), 1.0, lambda _t: -1500.0, lambda _t: 1500.0)
    with pytest.raises(Contradiction):
        feed(made(signed=False), 1.0, lambda _t: -100.0, lambda _t: 1500.0)


@pytest.mark.parametrize("missing", ["shaft", "report"])
def test_without_one_of_the_two_nothing_is_said(missing: str) -> None:
    nan = math.nan
    shaft = nan if missing == "shaft" else 0.0
    feed(made(), 1.0, lambda _t: shaft, lambda _t: nan if missing == "report" else 2000.0)


def test_firmware_that_reports_no_speed_is_left_alone() -> None:
    agreement = made()
    agreement.add_shaft(ShaftReadings(np.array([1.0]), np.array([0.0]), np.array([0.0])))
    agreement.check(BoardReadings(np.array([1.0]), np.array([1.0]), {}))
    agreement.check(BoardReadings(np.empty(0), np.empty(0), {"reported.speed": np.empty(0)}))


def test_a_new_trace_starts_anew() -> None:
    agreement = made()
    end = feed(agreement, 0.09, lambda _t: 0.0, lambda _t: 2000.0)
    agreement.forget()
    feed(agreement, 0.09, lambda _t: 0.0, lambda _t: 2000.0, start=end)


def test_memory_is_bounded() -> None:
    agreement = made()
    feed(agreement, 5.0, lambda _t: 1000.0, lambda _t: 1000.0)
    assert agreement._time.size <= 4.0 * LAG * 1000.0 + 10


def test_without_a_limit_nothing_is_too_far_apart() -> None:
    feed(Agreement(AgreementLimits()), 1.0, lambda _t: 0.0, lambda _t: 9000.0)


# -- on a bench, and by a rig file ---------------------------------------------------------


def test_a_bench_switches_off_for_it(kit) -> None:
    kit.bench.begin_trace()
    kit.board.stream(True)
    kit.bench.energise(24.0)
    kit.bench.watch.expect(1)
    kit.board.start(1000.0)
    kit.bench.wait(0.5)
    kit.board.report = {"reported.speed": -1000.0}
    before = kit.clock.now()
    with pytest.raises(Contradiction, match="turns the other way"):
        kit.bench.wait(2.0)
    assert kit.clock.now() - before < 0.25


def rig_with(folder: Path, text: str) -> Rig:
    file = folder / "rig.yaml"
    file.write_text(f"based-on: {RIG}\nrig: r\n{text}", encoding="utf-8")
    return load_rig(file)


def test_a_rig_file_says_how_far_is_too_far(rig: Rig, tmp_path: Path) -> None:
    assert agreement_limits(rig) == AgreementLimits(gap=650.0, turning=200.0, lasting=0.1)
    narrow = rig_with(tmp_path, "limits: {speed-gap: 100 rpm, speed-gap-time: 50 ms}\n")
    assert agreement_limits(narrow) == AgreementLimits(gap=100.0, turning=100.0, lasting=0.05)


def test_a_tachometer_without_direction_compares_magnitudes(tmp_path: Path) -> None:
    one_channel = rig_with(tmp_path, "tachometer: {senses-direction: false}\n")
    assert not agreement_limits(one_channel).signed
