"""One number at a time: scaled, dated, unwrapped, and honest where there is none."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.errors import InstrumentError
from hil.drivers.number import Numbers, open_described
from hil.drivers.scpi import ScpiConfig
from hil.ports.clock import WallClock
from hil.ports.reading_commands import NumberQuery, ThermometerCommands


class TickingClock:
    """Advances by a millisecond each time it is looked at."""

    def __init__(self) -> None:
        self.time = 10.0

    def now(self) -> float:
        self.time += 0.001
        return self.time

    def sleep(self, seconds: float) -> None:
        self.time += seconds


@dataclass
class Said:
    """A session that answers what it is told to."""

    answer: float = 0.0

    def query_number(self, _command: str) -> float:
        return self.answer


def numbers(**query: float) -> tuple[Numbers, Said]:
    said = Said()
    return Numbers(said, NumberQuery(query="X?", **query), TickingClock()), said


def test_an_answer_is_scaled_and_dated_to_the_middle() -> None:
    one, said = numbers(gain=-0.5, zero=3.0)
    said.answer = 8.0
    found = one.read()
    assert found.value == -1.0
    assert found.time == pytest.approx(10.0015)
    assert found.half_trip == pytest.approx(0.0005)


@given(
    wraps=st.sampled_from([360.0, 4096.0, 1.5]),
    shares=st.lists(st.floats(-0.49, 0.49), min_size=1, max_size=50),
    start=st.floats(0.0, 0.999),
)
def test_a_range_that_wraps_around_is_followed(
    wraps: float, shares: list[float], start: float
) -> None:
    one, said = numbers(wraps_at=wraps)
    true = start * wraps
    said.answer = true % wraps
    first = one.read().value
    for share in shares:
        true += share * wraps
        said.answer = true % wraps
        found = one.read().value
        assert math.isclose(found - first, true - start * wraps, abs_tol=1e-6 * wraps)


def test_without_a_range_nothing_is_unwrapped() -> None:
    one, said = numbers()
    for answer in (0.0, 1e6, -1e6):
        said.answer = answer
        assert one.read().value == answer


@pytest.fixture
def opened(serve, manager):
    sessions = []

    def start(instrument, **commands):
        peer = serve(instrument)
        scpi = ScpiConfig(resource=peer.resource, role="thermometer", timeout=0.3)
        described = ThermometerCommands(**commands)
        sessions.append(open_described(scpi, described, WallClock(), manager))
        return peer, sessions[-1]

    yield start
    for session in sessions:
        session.close()


def test_what_is_sent_once_is_sent_on_opening(opened, simple) -> None:
    peer, _ = opened(simple("T", {"RANG": 0.0}), setup=("RANG 5", "RANG 7"))
    assert [text for text in peer.received if text.startswith("RANG")] == ["RANG 5", "RANG 7"]


def test_a_refused_set_up_command_is_told(opened, simple) -> None:
    with pytest.raises(InstrumentError, match=r"thermometer at .*'NOISE' answered by -113"):
        opened(simple("T", {}), setup=("NOISE",))


def test_an_open_sensor_is_no_temperature(opened, simple) -> None:
    instrument = simple("T", {})
    instrument.special = {"MEAS:TEMP?": "9.91E37"}
    _, session = opened(instrument)
    with pytest.raises(InstrumentError, match="no valid reading"):
        Numbers(session, NumberQuery(query="MEAS:TEMP?"), WallClock()).read()


def test_an_instrument_without_an_error_queue_is_never_asked_for_it(opened, simple) -> None:
    peer, _ = opened(simple("T", {"RANG": 0.0}), setup=("RANG 5",), error_query="")
    assert not [text for text in peer.received if "ERR" in text]
