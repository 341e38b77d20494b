"""The tachometer driver: sample times on the clock's scale, batches, faults."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hil.core.errors import InstrumentError
from hil.drivers.scpi import ScpiConfig
from hil.drivers.tachometer import ScpiTachometer, TachometerConfig
from hil.ports.instruments import Tachometer
from hil.ports.reading_commands import MemoryCommands


class TickingClock:
    """Advances by a millisecond each time it is looked at."""

    def __init__(self) -> None:
        self.time = 100.0

    def now(self) -> float:
        self.time += 0.001
        return self.time

    def sleep(self, seconds: float) -> None:
        self.time += seconds


@pytest.fixture
def counter(simple):
    instrument = simple("SIM-TACHO", {"SWE:TINT": 0.001})
    instrument.special = {"INIT": None, "FETC:ARR?": "NAN"}
    return instrument


@pytest.fixture
def open_tachometer(serve, manager, counter):
    opened = []

    def start(**more):
        peer = serve(counter)
        scpi = ScpiConfig(resource=peer.resource, role="tachometer", timeout=0.5)
        opened.append(
            ScpiTachometer.open(TachometerConfig(scpi=scpi, **more), TickingClock(), manager)
        )
        return opened[-1]

    yield start
    for tachometer in opened:
        tachometer.close()


def triples(*rows):
    return ",".join(f"{value:.6g}" for row in rows for value in row)


def test_times_count_from_the_middle_of_the_round_trip(open_tachometer, counter):
    tachometer = open_tachometer()
    assert isinstance(tachometer, Tachometer)
    clock = tachometer._clock
    before = clock.time
    tachometer.begin()
    # the clock was looked at twice, 1 ms apart
    assert tachometer.time_uncertainty == pytest.approx(0.0005 / math.sqrt(3.0))
    counter.special["FETC:ARR?"] = triples((0.001, 0.1, 500.0), (0.002, 0.2, 510.0))
    found = tachometer.read()
    np.testing.assert_allclose(found.time, before + 0.0015 + np.array([0.001, 0.002]))
    assert found.position.tolist() == [0.1, 0.2]
    assert found.speed.tolist() == [500.0, 510.0]


def test_no_new_samples(open_tachometer, counter):
    tachometer = open_tachometer()
    tachometer.begin()
    for text in ("NAN", "9.91E37", "9.91E+37"):
        counter.special["FETC:ARR?"] = text
        found = tachometer.read()
        assert found.time.shape == found.position.shape == found.speed.shape == (0,)


def test_a_full_batch_is_followed_by_another_fetch(open_tachometer, counter):
    tachometer = open_tachometer(commands=MemoryCommands(batch=3))
    tachometer.begin()
    rows = [(0.001 * n, float(n), 1.0) for n in range(7)]
    answers = iter([triples(*rows[:3]), triples(*rows[3:6]), triples(rows[6])])
    counter.special["FETC:ARR?"] = lambda: next(answers, "NAN")
    assert tachometer.read().position.tolist() == list(range(7))
    assert tachometer.read().position.size == 0


def test_a_batch_that_is_exactly_full_ends_with_the_empty_one(open_tachometer, counter):
    tachometer = open_tachometer(commands=MemoryCommands(batch=2))
    tachometer.begin()
    answers = iter([triples((0.001, 1.0, 1.0), (0.002, 2.0, 1.0))])
    counter.special["FETC:ARR?"] = lambda: next(answers, "NAN")
    assert tachometer.read().position.tolist() == [1.0, 2.0]


def test_a_memory_that_never_empties(open_tachometer, counter):
    tachometer = open_tachometer(commands=MemoryCommands(batch=1))
    tachometer.begin()
    counter.special["FETC:ARR?"] = "0,0,0"
    with pytest.raises(InstrumentError, match="memory does not empty"):
        tachometer.read()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("1,2", "answered 2 numbers, expected 3 for each sample"),
        ("1,2,3,4", "answered 4 numbers, expected 3 for each sample"),
        ("1,2,x", "expected numbers"),
        ("9.91E37,2,3", "a sample has no time"),
    ],
)
def test_answers_that_are_no_samples(open_tachometer, counter, text, message):
    tachometer = open_tachometer()
    tachometer.begin()
    counter.special["FETC:ARR?"] = text
    with pytest.raises(InstrumentError, match=message):
        tachometer.read()


def test_a_sample_without_speed_keeps_its_place(open_tachometer, counter):
    tachometer = open_tachometer()
    tachometer.begin()
    counter.special["FETC:ARR?"] = "0.001,5,9.91E37,0.002,6,100"
    found = tachometer.read()
    assert math.isnan(found.speed[0])
    assert found.speed[1] == 100.0
    assert found.position.tolist() == [5.0, 6.0]


def test_reading_before_begin(open_tachometer):
    with pytest.raises(InstrumentError, match="read before begin"):
        open_tachometer().read()


def test_another_interval_than_the_rig_file_says(open_tachometer, counter):
    counter.points["SWE:TINT"] = 0.002
    with pytest.raises(InstrumentError, match=r"samples every 0.002 s, expected 0.001 s"):
        open_tachometer()
    assert open_tachometer(interval=0.002).interval == 0.002


def test_whether_it_senses_direction_is_the_rigs_to_say(open_tachometer):
    assert open_tachometer().senses_direction is True
    assert open_tachometer(senses_direction=False).senses_direction is False


def test_an_instrument_that_does_not_know_the_command(open_tachometer, counter):
    tachometer = open_tachometer()
    del counter.special["INIT"]
    with pytest.raises(InstrumentError, match="'INIT' answered by -113"):
        tachometer.begin()
    with pytest.raises(InstrumentError, match="read before begin"):
        tachometer.read()


def test_numbers_are_asked_for_and_text_is_taken_too(open_tachometer, counter):
    tachometer = open_tachometer()
    assert counter.queue == [], "what it refused has been read"
    tachometer.begin()
    counter.special["FETC:ARR?"] = triples((0.001, 5.0, 100.0))
    assert tachometer.read().position.tolist() == [5.0]
    counter.special["FORM REAL,64"] = None
    tachometer = open_tachometer()
    tachometer.begin()
    data = np.array([0.001, 5.0, 100.0, 0.002, 6.0, 9.91e37], ">f8").tobytes()
    counter.special["FETC:ARR?"] = f"#248{data.decode('latin-1')}"
    found = tachometer.read()
    assert found.position.tolist() == [5.0, 6.0]
    assert found.speed[0] == 100.0
    assert math.isnan(found.speed[1])


@pytest.mark.parametrize(
    ("commands", "asked"),
    [
        (MemoryCommands(), True),
        (MemoryCommands(binary="DATA:BIN"), True),
        (MemoryCommands(binary=""), False),
        (MemoryCommands(error_query=""), False),  # it could not say that it refuses
    ],
)
def test_numbers_are_asked_for_only_where_that_can_be_refused(
    open_tachometer, counter, commands, asked
):
    said = []
    counter.special["FORM REAL,64"] = counter.special["DATA:BIN"] = lambda: said.append(1)
    open_tachometer(commands=commands)
    assert bool(said) is asked
