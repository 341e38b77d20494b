"""An output that goes on: charging capacitors is no fault, a short or a load that stands is."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.bench.coming_up import LEAST, MARGIN, ComingUp, Overload
from hil.bench.limits import Limits
from hil.core.errors import InstrumentError
from hil.ports.instruments import SupplyReading
from hil.ports.supply_commands import Settling

ASKED, LIMIT, CAPACITANCE = 24.0, 10.0, 2.2e-3
EVERY = 0.02  # s between two readings
Output = Callable[[float], tuple[float, float]]  # s after output-on -> V, A


def capacitor(farads: float, *, load: float = 0.0) -> Output:
    """What the terminals show while the current limit charges it; `load` A flow besides."""

    def output(time: float) -> tuple[float, float]:
        charged = (LIMIT - load) * time / farads
        return (charged, LIMIT) if charged < ASKED else (ASKED, load)

    return output


def resistor(ohms: float) -> Output:
    """The same of a load without memory."""
    current = min(LIMIT, ASKED / ohms) if ohms else LIMIT
    return lambda _time: (current * ohms, current)


def watch(
    output: Output, seconds: float, *, abort: float = 15.0, capacitance: float = CAPACITANCE,
    asked: float = ASKED, limit: float = LIMIT, begun: float = 50.0,
) -> float:  # fmt: skip
    """Readings of that time held against it; the time of the last one, s after output-on."""
    coming = ComingUp(
        asked=asked,
        settling=Settling(within=2.0),
        current_limit=limit,
        limits=Limits(speed=6000.0, current=abort, dc_link_voltage=45.0, temperature=90.0),
        capacitance=capacitance,
        begun=begun,
    )
    time = 0.0
    while time <= seconds:
        coming.check(SupplyReading(begun + time, *output(time)))
        time += EVERY
    return time


def overload(output: Output, **how: float) -> tuple[float, str]:
    """When it is told, s after output-on, and the text."""
    latest = 0.0

    def noting(time: float) -> tuple[float, float]:
        nonlocal latest
        latest = time
        return output(time)

    with pytest.raises(Overload) as told:
        watch(noting, 10.0, **how)
    return latest, str(told.value)


# -- what is in order ---------------------------------------------------------------------


def test_an_output_that_goes_to_its_voltage_is_in_order() -> None:
    watch(lambda _: (ASKED, 0.1), 5.0)


def test_the_inrush_into_the_capacitors_of_the_rig_is_in_order() -> None:
    watch(capacitor(CAPACITANCE), 5.0)


@given(st.floats(1e-4, 0.2), st.floats(0.0, 3.0))
def test_a_capacitor_of_any_size_is_charged_for_as_long_as_it_takes(
    farads: float, load: float
) -> None:
    watch(capacitor(farads, load=load), 2.0)


@given(st.floats(0.1, 50.0))
def test_an_inrush_above_the_abort_limit_is_allowed_for_as_long_as_it_is_explained(
    limit: float,
) -> None:
    lasts = CAPACITANCE * ASKED / limit

    def output(time: float) -> tuple[float, float]:
        return (limit * time / CAPACITANCE, limit) if time < lasts else (ASKED, 0.1 * limit)

    watch(output, 5.0 + lasts, limit=limit, abort=0.5 * limit)


def test_near_its_voltage_it_has_come_up() -> None:
    near = ASKED * (1.0 - 0.019)  # of the 2 % that its settling allows
    watch(lambda _: (near, LIMIT), 5.0)
    overload(lambda _: (ASKED * (1.0 - 0.021), LIMIT))


def test_a_supply_at_its_limit_that_holds_the_voltage_is_for_others_to_judge() -> None:
    watch(lambda _: (ASKED, LIMIT), 5.0)


def test_a_supply_that_tries_again_and_again_is_left_to_the_time_limit() -> None:
    watch(lambda time: (0.0, LIMIT if int(time / EVERY) % 3 else 0.0), 5.0)


# -- what is not --------------------------------------------------------------------------


def test_a_dead_short_is_told_with_all_that_helps() -> None:
    at, text = overload(resistor(0.05))
    assert at == pytest.approx(LEAST, abs=2.5 * EVERY)
    assert text == (
        f"overload at output-on: 0.50 V of 24 V reached {at:.2f} s after, at 10.00 A (current "
        "limit 10 A), as into 0.05 ohm; charging 2200 uF takes 0.0053 s. Look at polarity, leads, "
        "connectors, power stage, and at what the board drives unasked"
    )


@given(st.floats(0.0, 0.95 * ASKED / LIMIT))
def test_a_load_that_holds_the_voltage_down_is_told_soon(ohms: float) -> None:
    at, text = overload(resistor(ohms))
    assert at < LEAST + 2.5 * EVERY
    assert f"at {LIMIT:.2f} A" in text


def test_a_load_on_charged_capacitors_is_told_once_they_do_not_rise_any_more() -> None:
    ohms, farads = 1.2, 0.05  # 12 V at the limit, with 60 ms

    def output(time: float) -> tuple[float, float]:
        return min(LIMIT * time / farads, LIMIT * ohms), LIMIT

    at, text = overload(output)
    assert at == pytest.approx(0.06 + LEAST, abs=2.5 * EVERY)
    assert "12.00 V of 24 V" in text
    assert "as into 1.2 ohm" in text


def test_more_than_the_abort_limit_is_told_once_charging_does_not_explain_it() -> None:
    at, text = overload(lambda _: (ASKED, 9.0), abort=8.0)
    assert at == pytest.approx(LEAST, abs=1.5 * EVERY)
    assert "(current limit 10 A, abort limit 8 A)" in text


def test_large_capacitors_of_the_rig_file_are_given_their_time() -> None:
    farads = 0.1
    at, _ = overload(lambda _: (ASKED, 9.0), abort=8.0, capacitance=farads)
    assert at == pytest.approx(MARGIN * farads * ASKED / LIMIT, abs=1.5 * EVERY)


def test_a_voltage_beyond_the_abort_limit_is_told_at_once() -> None:
    with pytest.raises(InstrumentError, match=r"set to 24 V reads 46\.00 V .* limit of 45 V") as it:
        watch(lambda _: (46.0, 0.1), 0.0)
    assert not isinstance(it.value, Overload)  # the next one may be in order


def test_without_a_current_limit_nothing_can_be_explained() -> None:
    _, text = overload(lambda _: (0.0, 0.0), limit=0.0)
    assert "as into 0 ohm" in text
