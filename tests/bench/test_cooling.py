"""Nothing begins while parts are hot, and nothing waits for ever for them to cool."""

from __future__ import annotations

import math
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.bench.cooling import StillHot, cool_down
from hil.bench.keeper import InterlockOpen
from hil.core.errors import InstrumentError, LinkError
from hil.ports.instruments import Reading

Kit = SimpleNamespace
Hot = Callable[..., Any]


def test_it_waits_until_it_is_cool_and_says_what_that_took(kit: Kit, hot: Hot) -> None:
    hot(60.0)
    begun = kit.clock.now()
    said = cool_down(kit.bench)
    # 25 + 60 exp(-t/100) = 45: t = 100 ln 3
    assert kit.clock.now() - begun == pytest.approx(100.0 * math.log(3.0), abs=0.6)
    assert said == "cooled down with the supply off: 85.0 to 45.0 degC in 110 s"
    assert not [call for call in kit.journal if call.startswith("supply on")]


@pytest.mark.parametrize("rise", [0.0, 19.9])
def test_what_is_cool_begins_at_once(kit: Kit, hot: Hot, rise: float) -> None:
    hot(rise)
    begun = kit.clock.now()
    assert cool_down(kit.bench) == ""
    assert kit.clock.now() == begun


def test_at_the_temperature_itself_it_still_waits(kit: Kit, hot: Hot) -> None:
    hot(20.0)
    assert cool_down(kit.bench).startswith("cooled down with the supply off: 45.0 to 44.9 degC")


def test_nothing_is_waited_for_that_nobody_asked_for(kit: Kit, hot: Hot) -> None:
    hot(60.0, cool_below=None)
    assert cool_down(kit.bench) == ""
    kit.parts.thermometer = None
    kit.bench = kit.make(cool_below=45.0, cool_within=600.0)
    assert cool_down(kit.bench) == ""


def test_with_the_supply_on_it_is_no_place_to_wait(kit: Kit, hot: Hot) -> None:
    thermometer = hot(0.0)
    kit.bench.energise(24.0)
    thermometer.rise = 60.0
    assert cool_down(kit.bench) == ""


@given(rise=st.floats(60.0, 200.0), tau=st.floats(600.0, 5000.0))
def test_what_stays_hot_ends_in_time_and_tells_both_temperatures(rise: float, tau: float) -> None:
    class Clock:
        time = 0.0

        def now(self) -> float:
            return self.time

        def sleep(self, seconds: float) -> None:
            self.time += seconds

    def degrees(passed: float) -> float:
        return 25.0 + rise * math.exp(-passed / tau)

    kit = Kit(clock=Clock())
    bench = Kit(
        clock=kit.clock,
        thermometer=Kit(temperature=lambda: Reading(0.0, degrees(kit.clock.now()), 0.001)),
        settings=Kit(cool_below=45.0, cool_within=300.0, thermometer_poll=7.0),
        energised=False,
        observer=Kit(step=lambda _: None, readings=lambda _: None),
        keeper=Kit(look=lambda: None),
        board=Kit(read=lambda: None),
        latest=None,
    )
    with pytest.raises(StillHot) as caught:
        cool_down(bench)
    assert kit.clock.now() == pytest.approx(300.0)
    assert f"still reads {degrees(300.0):.1f} degC after 300 s" in str(caught.value)
    assert f"{degrees(0.0):.1f} degC before: expected less than 45 degC" in str(caught.value)


def test_meanwhile_the_guard_hears_and_interlocks_are_read(kit: Kit, hot: Hot) -> None:
    hot(60.0)
    looks: list[float] = []

    def look() -> None:
        looks.append(kit.clock.now())
        if len(looks) == 5:
            raise InterlockOpen("interlock open: guard")

    kit.bench.keeper = Kit(look=look)
    with pytest.raises(InterlockOpen):
        cool_down(kit.bench)
    assert np.diff(looks) == pytest.approx([0.5] * 4)


def test_trouble_meanwhile_is_told(kit: Kit, hot: Hot) -> None:
    thermometer = hot(60.0)
    kit.clock.at(3.0, lambda: setattr(thermometer, "broken", "gone"))
    with pytest.raises(InstrumentError, match="gone"):
        cool_down(kit.bench)
    thermometer.broken, kit.board.broken = "", "unplugged"
    with pytest.raises(LinkError, match="unplugged"):
        cool_down(kit.bench)
