"""What the encoder counter shows of the shaft."""

from __future__ import annotations

import itertools
import re

import numpy as np
import pytest

from hil.twin.instruments.tachometer import FETCH, MEMORY, SimulatedTachometer
from hil.twin.world import World

NAME = "TCPIP0::127.0.0.1::5026::SOCKET"
STEP = 360.0 / 4096  # deg, one count


class TrueShaft:
    """A drive whose shaft follows a formula; only what the tachometer looks at."""

    def __init__(self, angle, samples: int = 0) -> None:
        self.angle, self.time, self._k = angle, 0.0, 0
        self.advance(samples * 1e-3)

    def advance(self, seconds: float) -> None:
        self.time = round(self.time + seconds, 9)

    def shaft_samples(self):
        end = round(self.time * 1000)
        t = np.arange(self._k + 1, end + 1) * 1e-3
        self._k = end
        return t, self.angle(t), np.full(t.size, np.nan)  # the true speed is not to be used


def fetch(tachometer: SimulatedTachometer) -> np.ndarray:
    reply = tachometer.execute("FETC:ARR?")
    if float(reply.split(",")[0]) > 9.9e37:
        return np.empty((0, 3))
    return np.array(reply.split(","), dtype=float).reshape(-1, 3)


def error(tachometer: SimulatedTachometer) -> int:
    return int(tachometer.execute("SYST:ERR?").split(",")[0])


def test_interval_and_identity(drive) -> None:
    tachometer = SimulatedTachometer(drive)
    assert float(tachometer.execute("SWE:TINT?")) == 0.001
    assert float(tachometer.execute("SENSe:SWEep:TINTerval?")) == 0.001
    assert tachometer.execute("*IDN?").split(",")[1] == "SIM-TACHO"


def test_before_initiate_there_is_nothing(world: World) -> None:
    tachometer = world.instruments[NAME]
    world.advance(0.5)
    # Q16 (V-D): NAN is 9.91E37; Q9 (V-D): -230 data corrupt or stale
    assert float(tachometer.execute("FETC:ARR?")) == 9.91e37
    assert error(tachometer) == -230


def test_time_base_restarts_and_samples_come_once(world: World) -> None:
    tachometer = world.instruments[NAME]
    world.advance(0.3)
    tachometer.execute("INIT")
    assert float(tachometer.execute("FETC:ARR?")) == 9.91e37
    assert error(tachometer) == 0
    world.advance(0.1)
    samples = fetch(tachometer)
    np.testing.assert_allclose(samples[:, 0], np.arange(1, 101) * 1e-3, atol=1e-6)
    assert fetch(tachometer).size == 0
    world.advance(0.01)
    np.testing.assert_allclose(fetch(tachometer)[:, 0], np.arange(101, 111) * 1e-3, atol=1e-6)
    tachometer.execute("INIT")
    world.advance(0.002)
    np.testing.assert_allclose(fetch(tachometer)[:, 0], [0.001, 0.002], atol=1e-6)


@pytest.mark.parametrize("rpm", [1000.0, -1000.0, 37.5, 0.0])
def test_position_is_counted_and_speed_is_over_five_milliseconds(rpm: float) -> None:
    shaft = TrueShaft(lambda t: 6.0 * rpm * t)
    tachometer = SimulatedTachometer(shaft)
    shaft.advance(0.1)
    tachometer.execute("INIT")
    shaft.advance(1.0)
    samples = fetch(tachometer)
    true = 6.0 * rpm * (samples[:, 0] + 0.1)
    below = true - samples[:, 1]
    assert below.min() >= -1e-4  # replies have four decimals
    assert below.max() < STEP + 1e-4
    counts = samples[:, 1] / STEP
    np.testing.assert_allclose(counts, np.round(counts), atol=2e-3)
    # one count in 5 ms: 60 / 4096 / 0.005 rpm
    resolution = 60.0 / 4096 / 0.005
    assert np.abs(samples[:, 2] - rpm).max() <= resolution + 1e-3
    assert samples[:, 2].mean() == pytest.approx(rpm, abs=resolution / 20)
    np.testing.assert_allclose(
        samples[:, 2] / resolution, np.round(samples[:, 2] / resolution), atol=1e-3
    )


def test_first_speed_after_power_on_counts_from_standstill() -> None:
    shaft = TrueShaft(lambda t: np.where(t > 0.0035, 90.0, 0.0))
    tachometer = SimulatedTachometer(shaft)
    tachometer.execute("INIT")
    shaft.advance(0.01)
    jump = 1024 * 60.0 / 4096 / 0.005
    expected = np.array([0, 0, 0, 1, 1, 1, 1, 1, 0, 0]) * jump
    np.testing.assert_allclose(fetch(tachometer)[:, 2], expected, atol=1e-3)


def test_how_often_it_is_read_makes_no_difference() -> None:
    def record(pieces: int) -> np.ndarray:
        shaft = TrueShaft(lambda t: 500.0 * np.sin(20.0 * t))
        tachometer = SimulatedTachometer(shaft)
        tachometer.execute("INIT")
        parts = []
        for _ in range(pieces):
            shaft.advance(1.2 / pieces)
            tachometer.observe(shaft.time)
            parts.append(fetch(tachometer))
        return np.concatenate(parts)

    np.testing.assert_array_equal(record(1), record(40))
    assert record(1).shape == (1200, 3)


def test_a_fetch_has_at_most_2000_samples() -> None:
    shaft = TrueShaft(lambda t: 0.0 * t)
    tachometer = SimulatedTachometer(shaft)
    tachometer.execute("INIT")
    shaft.advance(4.5)
    sizes = [fetch(tachometer).shape[0] for _ in range(4)]
    assert sizes == [FETCH, FETCH, 500, 0]
    assert error(tachometer) == 0


def test_memory_is_bounded_and_says_so() -> None:
    shaft = TrueShaft(lambda t: 0.0 * t)
    tachometer = SimulatedTachometer(shaft)
    tachometer.execute("INIT")
    for _ in range(300):
        shaft.advance(0.1)
        tachometer.observe(shaft.time)
    assert tachometer.execute("STAT:QUES:COND?") == "512"
    assert error(tachometer) == 201
    assert error(tachometer) == 0, "reported once"
    assert tachometer.execute("*ESR?") == str(128 + 8)  # Q7 (V-D): positive numbers set bit 3
    times = []
    for _ in range(MEMORY // FETCH):
        times.append(fetch(tachometer)[:, 0])
    assert fetch(tachometer).size == 0
    found = np.concatenate(times)
    np.testing.assert_allclose(found[[0, -1]], [10.001, 30.0], atol=1e-6)  # the oldest went
    assert tachometer.execute("STAT:QUES:EVEN?;COND?") == "512;0"


@pytest.mark.parametrize("command", ["ABOR", "*RST"])
def test_abort_and_reset_stop_sampling(command: str) -> None:
    shaft = TrueShaft(lambda t: 0.0 * t)
    tachometer = SimulatedTachometer(shaft)
    tachometer.execute("INIT")
    shaft.advance(0.1)
    tachometer.execute(command)
    shaft.advance(0.1)
    assert fetch(tachometer).size == 0
    assert error(tachometer) == -230


def test_samples_are_taken_from_the_drive_even_if_nobody_fetches(world: World, drive) -> None:
    world.advance(10.0)
    assert len(drive._samples) <= 1100, "the drive's own memory, of 4096, would overflow"


def test_samples_are_answered_as_the_standard_writes_numbers() -> None:
    """IEEE 488.2, 8.7.4 (NR3): digits on both sides of the point, and an exponent."""
    shaft = TrueShaft(lambda t: -7.0 * t)
    tachometer = SimulatedTachometer(shaft)
    tachometer.execute("INIT")
    shaft.advance(0.02)
    answer = tachometer.execute("FETC:ARR?")
    numbers = answer.split(",")
    assert len(numbers) % 3 == 0
    for number in numbers:
        assert re.fullmatch(r"-?\d+\.\d+E[+-]\d+", number), number
    # in whole us, 0.1 mdeg and 0.001 rpm, and these exactly
    for number, digits in zip(numbers, itertools.cycle((6, 4, 3)), strict=False):
        assert float(number) == round(float(number), digits)


# -- numbers instead of text --------------------------------------------------------------


def numbers(reply: str) -> np.ndarray:
    """Of a block of definite length (IEEE 488.2, 8.7.9)."""
    data = reply.encode("latin-1")
    start = 2 + int(data[1:2])
    assert data[:1] == b"#"
    assert len(data) == start + int(data[2:start])
    return np.frombuffer(data[start:], ">f8")


def test_a_block_holds_the_numbers_that_the_text_would() -> None:
    answers = []
    for form in ("ASC", "FORM REAL,64"):
        shaft = TrueShaft(lambda t: -7777.7 * t**1.5)
        tachometer = SimulatedTachometer(shaft)
        tachometer.execute(form if form.startswith("FORM") else "FORM:DATA ASC")
        tachometer.execute("INIT")
        shaft.advance(1.5)
        answers.append(tachometer.execute("FETC:ARR?"))
    text, block = answers
    assert numbers(block).tolist() == [float(word) for word in text.split(",")]
    assert numbers(block).size == 4500


def test_the_form_is_told_and_reset(drive) -> None:
    tachometer = SimulatedTachometer(drive)
    assert tachometer.execute("FORM?") == "ASC,0"
    for command in ("FORM REAL", "FORMat:DATA REAL,64", "form real,0"):
        assert tachometer.execute(f"{command};:FORM?") == "REAL,64"
        assert numbers(tachometer.execute("FETC:ARR?")).tolist() == [9.91e37]  # no value
        tachometer.execute("*CLS;INIT;ABOR")
        assert tachometer.execute("FORM?") == "REAL,64"
        tachometer.execute("*RST")
        assert tachometer.execute("FORM?") == "ASC,0"
    assert error(tachometer) == 0


@pytest.mark.parametrize(
    ("command", "code"),
    [
        ("FORM REAL,32", -224),
        ("FORM ASC,9", -224),
        ("FORM INT,8", -224),
        ("FORM", -109),
        ("FORM REAL,128", -222),
    ],
)
def test_a_form_that_it_does_not_have(drive, command: str, code: int) -> None:
    tachometer = SimulatedTachometer(drive)
    tachometer.execute(command)
    assert error(tachometer) == code
    assert tachometer.execute("FORM?") == "ASC,0"
