"""Readings become a trace."""

import numpy as np
import pytest

from hil.bench.recorder import UNITS, Recorder, Sources
from hil.core.trace import Accuracy
from hil.ports.board import BoardReadings
from hil.ports.instruments import Reading, ShaftReadings, SupplyReading

START = 50.0


def frames(host: list[float], board: list[float], *, lost: int = 0, bad: tuple[str, ...] = (), **y):
    values = {f"reported.{name}": np.array(numbers) for name, numbers in y.items()}
    return BoardReadings(np.array(host), np.array(board), values, lost=lost, bad=bad)


def recorder(**sources) -> Recorder:
    return Recorder(Sources(**sources), START)


def test_nothing_recorded_is_an_empty_trace_of_the_right_length() -> None:
    trace = recorder().trace(START + 2.5)
    assert (dict(trace.channels), trace.marks, trace.end) == ({}, (), 2.5)
    assert (trace.frames, trace.lost, trace.bad) == (0, 0, 0)


def test_board_time_places_the_samples_where_they_were_taken() -> None:
    kept = recorder()
    # three frames read in one go: the host stamps are equal, the board's are not
    kept.add_board(frames([50.02] * 3, [7.00, 7.01, 7.02], speed=[1.0, 2.0, 3.0]))
    channel = kept.trace(51.0).channel("reported.speed")
    assert channel is not None
    assert channel.t == pytest.approx([0.0, 0.01, 0.02])
    assert list(channel.y) == [1.0, 2.0, 3.0]
    assert channel.unit == "rpm"


def test_the_time_on_the_line_is_taken_off() -> None:
    kept = recorder(line_time=0.004)
    kept.add_board(frames([50.1, 50.2], [1.0, 1.1], speed=[1.0, 2.0]))
    assert kept.trace(51.0).channels["reported.speed"].t == pytest.approx([0.096, 0.196])


def test_without_board_time_host_time_counts_and_the_last_of_equal_stamps_stays() -> None:
    kept = recorder()
    nan = float("nan")
    kept.add_board(frames([50.1, 50.1, 50.2], [nan, nan, nan], speed=[1.0, 2.0, 3.0]))
    channel = kept.trace(51.0).channels["reported.speed"]
    assert channel.t == pytest.approx([0.1, 0.2])
    assert list(channel.y) == [2.0, 3.0]


def test_a_frame_without_board_time_was_made_within_an_interval_before_it_was_read() -> None:
    kept = recorder(line_time=0.003, interval={"reported.speed": 0.004})
    nan = float("nan")
    kept.add_board(frames([50.1, 50.2], [nan, nan], speed=[1.0, 2.0]))
    channel = kept.trace(51.0).channels["reported.speed"]
    assert channel.t == pytest.approx([0.095, 0.195])
    assert channel.time_uncertainty == pytest.approx(0.005 / np.sqrt(12.0))


@pytest.mark.parametrize("board", [[7.0, 7.1], [float("nan")] * 2])
def test_a_slow_adapter_makes_the_times_of_the_board_uncertain(board: list[float]) -> None:
    kept = recorder()
    kept.add_board(frames([50.1, 50.2], board, speed=[1.0, 2.0]))
    sharp = kept.trace(51.0).channels["reported.speed"].time_uncertainty
    assert kept.trace(51.0, float("nan")).channels["reported.speed"].time_uncertainty == sharp
    blurred = kept.trace(51.0, 0.016).channels["reported.speed"].time_uncertainty
    assert blurred == pytest.approx(np.hypot(sharp, 0.016 / np.sqrt(3.0)))


def test_one_frame_without_board_time_leaves_the_others_theirs() -> None:
    kept = recorder(interval={"reported.speed": 0.01})
    board = [7.00, 7.01, float("nan"), 7.03]
    kept.add_board(frames([50.06] * 4, board, speed=[1.0, 2.0, 3.0, 4.0]))
    kept.add_board(frames([50.10], [7.07], speed=[5.0]))
    channel = kept.trace(51.0).channels["reported.speed"]
    assert list(channel.y) == [1.0, 2.0, 3.0, 4.0, 5.0]
    assert channel.t == pytest.approx([0.03, 0.04, 0.055, 0.06, 0.1])
    assert channel.time_uncertainty >= 0.01 / np.sqrt(12.0)
    whole = recorder(interval={"reported.speed": 0.01})
    whole.add_board(frames([50.03, 50.04, 50.06], [7.0, 7.01, 7.03], speed=[1.0] * 3))
    told = whole.trace(51.0).channels["reported.speed"].time_uncertainty
    assert told == pytest.approx(0.0, abs=1e-9), "what all frames tell needs no interval"


def test_a_number_is_from_within_its_query() -> None:
    """Rectangular over the time that it took (JCGM 100:2008, 4.3.7); the slowest counts."""
    kept = recorder()
    for time, half in ((50.1, 0.003), (50.2, 0.006), (50.3, 0.0)):
        kept.add_number("witness.temperature", Reading(time, 40.0, half))
    channel = kept.trace(51.0).channels["witness.temperature"]
    assert channel.t == pytest.approx([0.1, 0.2, 0.3])
    assert channel.time_uncertainty == pytest.approx(0.006 / np.sqrt(3.0))


def test_stamps_out_of_order_are_put_in_order() -> None:
    kept = recorder()
    kept.add_shaft(ShaftReadings(np.array([50.3, 50.1]), np.array([30.0, 10.0]), np.zeros(2)), 0.0)
    assert list(kept.trace(51.0).channels["witness.position"].y) == [10.0, 30.0]


def test_samples_from_before_the_trace_are_left_out() -> None:
    kept = recorder()
    kept.add_supply(SupplyReading(49.9, 24.0, 1.0))
    kept.add_supply(SupplyReading(50.1, 24.1, 1.1))
    assert list(kept.trace(51.0).channels["supply.voltage"].y) == [24.1]


def test_a_value_that_is_missing_stays_a_gap_not_a_number() -> None:
    kept = recorder()
    kept.add_board(frames([50.1], [0.1], speed=[float("nan")]))
    kept.add_board(frames([50.2], [0.2], speed=[5.0]))
    y = kept.trace(51.0).channels["reported.speed"].y
    assert np.isnan(y[0])
    assert y[1] == 5.0


def test_a_channel_that_comes_late_has_gaps_before() -> None:
    kept = recorder()
    kept.add_board(frames([50.1], [0.1], speed=[1.0]))
    kept.add_board(frames([50.2], [0.2], speed=[2.0], current=[0.5]))
    y = kept.trace(51.0).channels["reported.current"].y
    assert np.isnan(y[0])
    assert y[1] == 0.5


def test_lost_and_bad_frames_are_counted_even_when_none_is_whole() -> None:
    kept = recorder()
    kept.add_board(frames([], [], lost=3, bad=("a", "b")))
    kept.add_board(frames([50.1], [0.1], lost=1, bad=("c",), speed=[1.0]))
    trace = kept.trace(51.0)
    assert (trace.frames, trace.lost, trace.bad) == (1, 4, 3)
    assert kept.undecoded() == (3, "c")


def test_nothing_undecoded_has_no_example() -> None:
    assert recorder().undecoded() == (0, "")


def test_marks_are_in_time_order_and_on_the_axis_of_the_trace() -> None:
    kept = recorder()
    kept.mark("command", 50.4, detail="+1000 rpm")
    kept.mark("supply-on", 50.1, uncertainty=0.002)
    marks = kept.trace(51.0).marks
    assert [(m.name, m.detail) for m in marks] == [("supply-on", ""), ("command", "+1000 rpm")]
    assert [m.t for m in marks] == pytest.approx([0.1, 0.4])
    assert marks[0].uncertainty == 0.002


def test_accuracy_interval_and_time_uncertainty_come_with_the_channel() -> None:
    accuracy = Accuracy(0.01, 0.5, 0.1)
    kept = recorder(accuracy={"witness.speed": accuracy}, interval={"witness.speed": 0.001})
    kept.add_shaft(ShaftReadings(np.array([50.1]), np.array([0.0]), np.array([9.0])), 0.0007)
    channel = kept.trace(51.0).channels["witness.speed"]
    assert (channel.accuracy, channel.interval, channel.time_uncertainty) == (
        accuracy,
        0.001,
        0.0007,
    )


def test_a_trace_may_be_asked_for_more_than_once() -> None:
    kept = recorder()
    kept.add_board(frames([50.1], [0.1], speed=[1.0]))
    first = kept.trace(51.0)
    kept.add_board(frames([50.2], [0.2], speed=[2.0]))
    assert len(first.channels["reported.speed"]) == 1
    assert len(kept.trace(51.0).channels["reported.speed"]) == 2


def test_every_channel_of_the_module_table_has_a_unit() -> None:
    kept = recorder()
    names = [name.removeprefix("reported.") for name in UNITS if name.startswith("reported.")]
    kept.add_board(frames([50.1], [0.1], **{name: [1.0] for name in names}))
    for name, channel in kept.trace(51.0).channels.items():
        assert channel.unit == UNITS[name]


def test_a_board_that_restarts_gets_a_relation_of_its_own() -> None:
    kept = recorder()
    kept.add_board(frames([50.1, 50.2], [7.0, 7.1], speed=[1.0, 2.0]))
    kept.add_board(frames([50.5, 50.6], [0.0, 0.1], speed=[3.0, 4.0]))
    assert kept.trace(51.0).channels["reported.speed"].t == pytest.approx([0.1, 0.2, 0.5, 0.6])


def test_resets_of_the_board_are_those_within_the_trace() -> None:
    kept = recorder()
    assert kept.trace(51.0).resets is None
    kept.add_board(frames([50.1, 50.2], [7.0, 7.1], speed=[1.0, 2.0]))
    assert kept.trace(51.0).resets == 0
    kept.add_board(frames([50.5, 50.6, 50.7], [0.0, 0.1, 0.05], speed=[3.0, 4.0, 5.0]))
    kept.add_board(frames([], []))
    assert kept.trace(51.0).resets == 2


def test_a_board_without_a_time_has_no_resets_that_anybody_could_count() -> None:
    kept = recorder()
    kept.add_board(frames([50.1, 50.2], [float("nan")] * 2, speed=[1.0, 2.0]))
    assert kept.trace(51.0).resets is None


def test_a_gated_speed_belongs_to_the_middle_of_its_gate() -> None:
    kept = recorder(speed_gate=0.02)
    shaft = ShaftReadings(np.array([50.1, 50.2]), np.array([1.0, 2.0]), np.array([3.0, 4.0]))
    kept.add_shaft(shaft, 0.0)
    channels = kept.trace(51.0).channels
    assert channels["witness.speed"].t == pytest.approx([0.09, 0.19])
    assert channels["witness.position"].t == pytest.approx([0.1, 0.2])
