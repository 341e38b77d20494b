"""A supply that is not in order is told from a drive that feeds back, sags or is limited."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.bench.supply_watch import ERRORS_EVERY, PATIENCE, SupplyFacts, SupplyWatch
from hil.core.errors import InstrumentError
from hil.core.trace import Accuracy
from hil.ports.instruments import SupplyReading
from hil.ports.supply_commands import Settling

FACTS = SupplyFacts(Accuracy(0.001, 0.02), Accuracy(0.002, 0.01), Settling(limit=2.0))


class Telling:
    """A supply as far as the watch looks at it."""

    def __init__(self) -> None:
        self.point: float | None = 24.0
        self.queue: list[str] = []
        self.asked = 0

    def set_point(self) -> float | None:
        return self.point

    def errors(self) -> tuple[str, ...]:
        self.asked += 1
        found, self.queue = tuple(self.queue), []
        return found


@pytest.fixture
def supply() -> Telling:
    return Telling()


@pytest.fixture
def watch(supply: Telling) -> SupplyWatch:
    made = SupplyWatch(supply, FACTS)  # type: ignore[arg-type]
    made.begin(5.0)
    return made


def look(
    watch: SupplyWatch, voltage: float, current: float, *, seconds: float = 1.0, at: float = 0.0
) -> None:
    for n in range(round(seconds / 0.05) + 1):
        watch.check(SupplyReading(at + n * 0.05, voltage, current), 24.0)


@pytest.mark.parametrize(
    ("voltage", "current"),
    [(24.0, 1.0), (24.3, 1.0), (38.0, 0.0), (22.0, 3.0), (12.0, 4.9)],
    ids=["as set", "within", "fed back", "sag", "current limit"],
)
def test_what_a_sound_supply_may_read(watch: SupplyWatch, voltage: float, current: float) -> None:
    look(watch, voltage, current, seconds=5.0)


@pytest.mark.parametrize(("voltage", "current"), [(29.0, 1.0), (19.0, 1.0), (0.0, 0.0)])
def test_what_it_may_not(watch: SupplyWatch, voltage: float, current: float) -> None:
    with pytest.raises(InstrumentError, match=r"contradicts itself: set to 24 V, it reads"):
        look(watch, voltage, current)


@pytest.mark.parametrize("over", [0.99, 1.01])
def test_each_part_of_the_limits_of_error_counts(supply: Telling, over: float) -> None:
    """0.2 % of the reading, 0.1 V, 0.05 V of resolution, and 1 % of what was set."""
    accuracy = Accuracy(0.002, 0.1, 0.05)
    made = SupplyWatch(supply, SupplyFacts(accuracy, Accuracy(), Settling(within=1.0)))  # type: ignore[arg-type]
    made.begin(5.0)
    allowed = (0.002 * 24.0 + 0.1 + 0.05 + 0.01 * 24.0) / (1.0 - 0.002)
    if over < 1.0:
        look(made, 24.0 + over * allowed, 1.0)
    else:
        with pytest.raises(InstrumentError, match=r"for 0\.3\d? s, beyond its accuracy"):
            look(made, 24.0 + over * allowed, 1.0)


def test_a_step_of_the_load_is_given_time(watch: SupplyWatch) -> None:
    look(watch, 29.0, 1.0, seconds=PATIENCE - 0.1)
    look(watch, 24.0, 1.0, seconds=0.1, at=1.0)
    look(watch, 29.0, 1.0, seconds=PATIENCE - 0.1, at=2.0)


def test_a_dip_that_was_asked_for_is_none(watch: SupplyWatch, supply: Telling) -> None:
    supply.point = 18.0
    look(watch, 18.0, 1.0, seconds=3.0)
    look(watch, 21.0, 1.0, seconds=1.5, at=4.0)  # on its way down still
    with pytest.raises(InstrumentError, match="set to 18 V, it reads 21 V"):
        look(watch, 21.0, 1.0, seconds=3.0, at=5.55)


def test_a_supply_that_cannot_say_its_set_point(watch: SupplyWatch, supply: Telling) -> None:
    supply.point = None
    look(watch, 24.0, 1.0)
    with pytest.raises(InstrumentError, match="set to 24 V"):
        look(watch, 29.0, 1.0, at=2.0)


def test_errors_are_looked_for_now_and_then_and_told(watch: SupplyWatch, supply: Telling) -> None:
    look(watch, 24.0, 1.0, seconds=3.5)
    assert supply.asked == 3.5 // ERRORS_EVERY + 1
    supply.queue = ['-330,"Self-test failed"', '-350,"Queue overflow"']
    with pytest.raises(InstrumentError, match=r'unasked: -330,"Self-test failed"; -350,"Queue'):
        look(watch, 24.0, 1.0, at=4.0)


def test_a_supply_that_tells_nothing_is_left_alone() -> None:
    watch = SupplyWatch(object(), FACTS)  # type: ignore[arg-type]
    look(watch, 99.0, 1.0)
    watch.check_errors()


@given(st.floats(0, 60), st.floats(0, 6))
def test_one_reading_alone_never_ends_an_item(voltage: float, current: float) -> None:
    watch = SupplyWatch(Telling(), FACTS)  # type: ignore[arg-type]
    watch.begin(5.0)
    watch.check(SupplyReading(0.0, voltage, current), 24.0)
