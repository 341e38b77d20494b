"""Abort limits."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.bench.limits import LimitExceeded, Limits, Watch
from hil.core.errors import FirmwareError
from hil.ports.board import BoardReadings
from hil.ports.instruments import ShaftReadings, SupplyReading

LIMITS = Limits(speed=5000.0, current=12.0, dc_link_voltage=40.0, temperature=80.0)


def shaft(position: list[float], speed: float = 0.0) -> ShaftReadings:
    n = len(position)
    return ShaftReadings(np.arange(n) * 0.001, np.array(position), np.full(n, speed))


def board(**values: float) -> BoardReadings:
    named = {f"reported.{name}": np.array([value]) for name, value in values.items()}
    return BoardReadings(np.array([0.0]), np.array([0.0]), named)


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        ("speed", -5001.0, "5001 rpm"),
        ("current", 12.5, "12.5 A"),
        ("voltage", 40.1, "40.1 V"),
        ("temperature", 81.0, "81 degC"),
    ],
)
def test_a_reported_value_beyond_its_limit_names_value_and_limit(
    name: str, value: float, text: str
) -> None:
    with pytest.raises(LimitExceeded, match=text):
        Watch(LIMITS).check_board(board(**{name: value}))


def test_values_at_the_limit_and_missing_values_pass() -> None:
    watch = Watch(LIMITS)
    watch.check_board(board(speed=5000.0, current=12.0, voltage=40.0, temperature=80.0))
    watch.check_board(board(speed=float("nan")))
    watch.check_supply(SupplyReading(0.0, 40.0, -12.0))
    watch.check_shaft(shaft([]))


def test_supply_readback_is_watched_too() -> None:
    with pytest.raises(LimitExceeded, match=r"supply\.current"):
        Watch(LIMITS).check_supply(SupplyReading(0.0, 24.0, 13.0))


def test_motion_without_a_command_is_seen_across_reads() -> None:
    watch = Watch(LIMITS)
    watch.expect(0)
    watch.check_shaft(shaft([3.0, 4.0]))
    watch.check_shaft(shaft([9.0, 12.9]))
    with pytest.raises(LimitExceeded, match="no motion was commanded"):
        watch.check_shaft(shaft([13.5]))


def turning(start: float, speed: float) -> ShaftReadings:
    """A hundred milliseconds from `start` s on, at `speed` rpm."""
    time = start + np.arange(100) * 0.001
    return ShaftReadings(time, 6.0 * speed * (time - start), np.full(100, speed))


@pytest.mark.parametrize("speed", [85.0, -400.0])
def test_a_shaft_that_turns_already_may_run_down(speed: float) -> None:
    """As where the run before ended with an emergency stop, and this one has read nothing yet."""
    watch = Watch(LIMITS)
    watch.expect_rest(7.0, 5.0)
    watch.check_shaft(shaft([]))
    watch.check_shaft(turning(7.001, speed))
    watch.check_shaft(turning(7.101, speed / 2))


def test_a_shaft_that_starts_by_itself_may_not() -> None:
    def found(first: ShaftReadings) -> None:
        watch = Watch(LIMITS)
        watch.expect_rest(7.0, 5.0)
        watch.check_shaft(first)
        watch.check_shaft(turning(8.0, 85.0))

    still = turning(6.95, 0.0)
    late = turning(7.01, 85.0)  # it may have been moved since: the first sample came too late
    unknown = ShaftReadings(still.time, still.position, np.full(100, np.nan))
    for first in (still, late, unknown, turning(7.0, 4.9)):
        with pytest.raises(LimitExceeded, match="no motion was commanded"):
            found(first)


@pytest.mark.parametrize("speeds", [[61.0], [0.0, -61.0, 0.0], [float("nan"), 61.0]])
def test_motion_that_nobody_commanded_is_seen_without_any_angle(speeds: list[float]) -> None:
    nothing = float("nan")
    readings = shaft([nothing] * len(speeds))
    watch = Watch(LIMITS)
    watch.expect(0)
    watch.check_shaft(replace(readings, speed=np.full(len(speeds), -60.0)))
    watch.check_shaft(replace(readings, speed=np.full(len(speeds), nothing)))
    with pytest.raises(LimitExceeded, match=r"turned at 61 rpm although no motion .* 60 rpm\)"):
        watch.check_shaft(replace(readings, speed=np.array(speeds)))


def test_a_thermometer_is_held_against_the_limit() -> None:
    watch = Watch(LIMITS)
    watch.check_temperature(80.0)
    with pytest.raises(LimitExceeded, match=r"witness\.temperature reached 80\.5 degC"):
        watch.check_temperature(80.5)


def test_what_was_expected_before_is_forgotten() -> None:
    watch = Watch(LIMITS)
    watch.expect_rest(7.0, 5.0)
    watch.expect(0)
    with pytest.raises(LimitExceeded, match="no motion was commanded"):
        watch.check_shaft(turning(7.0, 85.0))


@pytest.mark.parametrize("direction", [1, -1])
def test_travel_against_the_command_counts_from_the_furthest_point(direction: int) -> None:
    watch = Watch(LIMITS)
    watch.expect(direction)
    watch.check_shaft(shaft([0.0, 360.0 * direction]))
    watch.check_shaft(shaft([-359.0 * direction]))  # 719 deg back
    with pytest.raises(LimitExceeded, match="against the commanded direction"):
        watch.check_shaft(shaft([-361.0 * direction]))


NAN = float("nan")


@pytest.mark.parametrize("batch", [[NAN, 0.0, 0.0], [0.0, NAN, 0.0], [0.0, 0.0, NAN]], ids=str)
def test_samples_without_an_angle_do_not_hide_motion_that_nobody_commanded(batch) -> None:
    watch = Watch(LIMITS)
    watch.expect(0)
    watch.check_shaft(shaft(batch))
    with pytest.raises(LimitExceeded, match=r"the shaft moved 11\.0 deg"):
        watch.check_shaft(shaft([place + 11.0 for place in batch]))


@pytest.mark.parametrize("batch", [[NAN, 0.0, -1.0], [0.0, NAN, -1.0], [0.0, -1.0, NAN]], ids=str)
def test_samples_without_an_angle_do_not_hide_the_wrong_direction(batch) -> None:
    watch = Watch(LIMITS)
    watch.expect(1)
    watch.check_shaft(shaft(batch))
    with pytest.raises(LimitExceeded, match="721 deg against the commanded direction"):
        watch.check_shaft(shaft([place - 720.0 for place in batch]))


@pytest.mark.parametrize("direction", [1, -1])
def test_the_wrong_direction_is_seen_without_any_angle(direction: int) -> None:
    """A counter of the speed alone: 1000 rpm for 0.12 s are 720 deg."""

    def counted(time: float, speed: float) -> ShaftReadings:
        return ShaftReadings(np.array([time]), np.array([NAN]), np.array([speed]))

    watch = Watch(LIMITS)
    watch.expect(direction)
    for n in range(13):
        watch.check_shaft(counted(7.0 + 0.01 * n, 1000.0 * direction))
    for n in range(13, 24):
        watch.check_shaft(counted(7.0 + 0.01 * n, -1000.0 * direction))
    watch.check_shaft(counted(7.25, NAN))
    with pytest.raises(LimitExceeded, match="against the commanded direction"):
        watch.check_shaft(counted(7.26, -1000.0 * direction))


def test_an_angle_that_comes_late_is_not_held_against_what_the_speed_came_to() -> None:
    watch = Watch(LIMITS)
    watch.expect(1)
    watch.check_shaft(ShaftReadings(np.array([0.0, 1.0]), np.full(2, NAN), np.full(2, 1000.0)))
    watch.check_shaft(shaft([0.0, 10.0]))
    watch.check_shaft(shaft([NAN]))
    watch.check_shaft(shaft([20.0]))


def test_a_tachometer_without_a_direction_says_nothing_of_it() -> None:
    watch = Watch(replace(LIMITS, directed=False))
    watch.expect(-1)
    for n in range(20):
        watch.check_shaft(shaft([360.0 * n, 360.0 * (n + 1)], 1000.0))
    watch.expect(0)
    with pytest.raises(LimitExceeded, match="no motion was commanded"):
        watch.check_shaft(shaft([0.0, 11.0]))


def test_either_direction_is_right_while_nothing_is_expected() -> None:
    watch = Watch(LIMITS)
    watch.expect(1)
    watch.check_shaft(shaft([1000.0]))
    watch.expect(None)
    watch.check_shaft(shaft([-1000.0]))
    watch.expect(-1)  # a new expectation starts from where the shaft is
    watch.check_shaft(shaft([-1000.0, -2000.0]))


def test_the_firmware_is_blamed_for_a_limit() -> None:
    assert issubclass(LimitExceeded, FirmwareError)


@given(
    direction=st.sampled_from([1, -1]),
    steps=st.lists(st.floats(0.0, 100.0), min_size=1, max_size=50),
    offset=st.floats(-1e5, 1e5),
)
def test_motion_in_the_commanded_direction_never_aborts(
    direction: int, steps: list[float], offset: float
) -> None:
    watch = Watch(LIMITS)
    watch.expect(direction)
    position = offset
    for step in steps:
        position += direction * step
        watch.check_shaft(shaft([position]))


def told(degrees: float, at: float) -> BoardReadings:
    when = np.array([at])
    return BoardReadings(when, when, {"reported.temperature": np.array([degrees])})


def test_what_stands_in_for_the_sensor_is_no_temperature_of_the_stage() -> None:
    watch = Watch(LIMITS)
    watch.sensor_replaced()
    watch.check_board(told(175.0, 1.0))
    watch.sensor_back(2.0)
    watch.check_board(told(175.0, 2.4))  # on its way since before
    with pytest.raises(LimitExceeded, match="81 degC"):
        watch.check_board(told(81.0, 2.6))


def test_meanwhile_all_else_is_watched_and_a_thermometer_too() -> None:
    watch = Watch(LIMITS)
    watch.sensor_replaced()
    with pytest.raises(LimitExceeded, match=r"12\.5 A"):
        watch.check_board(board(current=12.5))
    with pytest.raises(LimitExceeded, match=r"witness\.temperature"):
        watch.check_temperature(81.0)


def test_a_sensor_that_was_never_away_is_watched_at_once() -> None:
    watch = Watch(LIMITS)
    watch.sensor_back(2.0)
    with pytest.raises(LimitExceeded, match="81 degC"):
        watch.check_board(told(81.0, 2.1))
