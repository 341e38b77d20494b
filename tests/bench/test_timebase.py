"""The relation between board and host clocks."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.bench.timebase import rate, relate, segments, unwrap


def test_the_least_delayed_frame_gives_the_offset() -> None:
    board = np.array([0.0, 0.01, 0.02, 0.03])
    host = board + 5.0 + 0.002 + np.array([0.004, 0.0, 0.003, 0.009])
    relation = relate(host, board, line_time=0.002)
    assert relation.offset == pytest.approx(5.0, abs=1e-12)
    assert relation.to_host(board) == pytest.approx(board + 5.0)


def test_what_every_frame_waits_is_bounded_by_the_turnaround() -> None:
    """Rectangular from zero to 6 ms, uncorrected: 6 ms / sqrt 3 about zero (JCGM 100, F.2.4.5)."""
    board = np.array([0.0, 0.01, 0.02])
    relation = relate(board + 5.0, board, line_time=0.0, turnaround=0.006)
    assert relation.offset == pytest.approx(5.0)
    assert relation.uncertainty == pytest.approx(0.006 / np.sqrt(3.0))
    # As the mean square of so many equally likely delays says.
    delays = np.linspace(0.0, 0.006, 100_001)
    assert relation.uncertainty == pytest.approx(np.sqrt(np.mean(delays**2)), rel=1e-4)


def test_frames_without_board_time_are_left_out() -> None:
    host = np.array([1.0, 2.0])
    assert relate(host, np.array([np.nan, 0.5]), 0.0).offset == pytest.approx(1.5)


def test_no_board_time_at_all_is_an_error() -> None:
    with pytest.raises(ValueError, match="no frame"):
        relate(np.array([1.0]), np.array([np.nan]), 0.0)


@given(
    offset=st.floats(-1e4, 1e4),
    delays=st.lists(st.floats(0.0, 0.05), min_size=50, max_size=200),
    line=st.floats(0.0, 0.005),
)
def test_the_offset_is_never_early_and_off_by_no_more_than_the_least_delay(
    offset: float, delays: list[float], line: float
) -> None:
    board = np.arange(len(delays)) * 0.005
    host = board + offset + line + np.array(delays)
    relation = relate(host, board, line)
    assert relation.offset - offset == pytest.approx(min(delays), abs=1e-9)
    assert relation.uncertainty >= 0.0


def test_polling_on_a_grid_is_covered_by_the_uncertainty() -> None:
    """Frames every 5 ms read on a 10 ms grid: the error lies within two standard uncertainties."""
    rng = np.random.default_rng(1)
    for _ in range(200):
        board = np.arange(200) * 0.005 + rng.uniform(0.0, 0.005)
        # the host reads at multiples of 10.3 ms, so frames wait from nothing to a whole interval
        host = np.ceil(board / 0.0103) * 0.0103 + 0.001
        relation = relate(host, board, 0.001)
        assert abs(relation.offset) < 2.0 * relation.uncertainty + 1e-3


def lines_of(n: int, drift: float, rng: np.random.Generator, wait: float = 0.01):
    """Frames every 5 ms whose bytes wait up to `wait` s; the board is slow by `drift`."""
    host_made = np.arange(n) * 0.005 + rng.uniform(0.0, 0.005)
    board = (host_made - host_made[0]) / (1.0 + drift) + 7.0
    return host_made, board, host_made + 0.001 + rng.uniform(0.0, wait, n)


@given(st.floats(-500e-6, 500e-6), st.integers(0, 2**32 - 1))
@settings(max_examples=40, deadline=None)
def test_drift_is_found_under_random_waits(drift: float, seed: int) -> None:
    made, board, read = lines_of(12_000, drift, np.random.default_rng(seed))
    relation = relate(read, board, 0.001)
    assert relation.ppm == pytest.approx(1e6 * drift, abs=6.0)
    assert relation.to_host(board) == pytest.approx(made, abs=4e-4)


@given(st.floats(-500e-6, 500e-6), st.integers(0, 2**32 - 1))
@settings(max_examples=40, deadline=None)
def test_no_frame_is_placed_after_it_was_read(drift: float, seed: int) -> None:
    _, board, read = lines_of(2_000, drift, np.random.default_rng(seed))
    relation = relate(read, board, 0.0)
    assert float(np.min(read - relation.to_host(board))) >= -1e-9


def test_a_few_frames_that_waited_long_have_no_say() -> None:
    rng = np.random.default_rng(3)
    made, board, read = lines_of(4_000, 100e-6, rng, wait=0.002)
    read[rng.integers(0, 4_000, 400)] += rng.uniform(0.0, 2.0, 400)
    assert relate(read, board, 0.001).to_host(board) == pytest.approx(made, abs=3e-4)


def test_a_short_trace_tells_no_drift() -> None:
    _, board, read = lines_of(200, 300e-6, np.random.default_rng(1))
    relation = relate(read, board, 0.0)
    assert (relation.drift, relation.drift_uncertainty) == (0.0, 0.0)


def test_clocks_that_run_alike_have_no_drift_beyond_its_uncertainty() -> None:
    """Noise is not corrected for: the two clocks of a simulated bench are one."""
    for seed in range(20):
        _, board, read = lines_of(2_000, 0.0, np.random.default_rng(seed))
        relation = relate(read, board, 0.0)
        assert abs(relation.drift) <= 4.0 * max(relation.drift_uncertainty, 1e-9)


def test_jitter_is_the_scatter_of_the_waits() -> None:
    _, board, read = lines_of(5_000, 50e-6, np.random.default_rng(2), wait=0.012)
    assert relate(read, board, 0.0).jitter == pytest.approx(0.012 / np.sqrt(12.0), rel=0.05)


@given(st.floats(0.5, 70.0), st.integers(2, 400), st.floats(0.0, 70.0))
def test_a_counter_that_wraps_around_is_unwrapped(modulus: float, n: int, start: float) -> None:
    true = start % modulus + np.arange(n) * modulus / 7.3
    assert unwrap(true % modulus, modulus) == pytest.approx(true, abs=1e-6)


def polled(board: np.ndarray, *, every: float, times: float = 1.0) -> np.ndarray:
    """Host stamps of frames of a board whose time runs so many times too fast, read in a grid."""
    return 100.0 + np.ceil((board - board[0]) / times / every - 1e-9) * every


@pytest.mark.parametrize("times", [1.0, 1000.0, 0.001, 60.0])
def test_how_fast_the_time_of_the_board_runs_is_told_from_frames_read_together(times) -> None:
    board = 7.0 * times + np.arange(0.0, 3.0, 0.005) * times
    host = polled(board, every=0.1, times=times)
    assert rate(host, board) == pytest.approx(times, rel=0.01)
    holes = np.where(np.arange(board.size) % 7 == 3, np.nan, board)
    assert rate(host, holes) == pytest.approx(times, rel=0.05)


def test_a_short_stretch_and_a_board_without_time_tell_no_rate() -> None:
    board = np.arange(0.0, 0.9, 0.005)
    assert rate(polled(board, every=0.02), board) is None
    assert rate(np.arange(3.0), np.full(3, np.nan)) is None
    assert rate(np.empty(0), np.empty(0)) is None
    # 3 s in all, but the board restarts in between: no part of it is long enough
    restarts = np.concatenate([board, board, board])
    assert rate(100.0 + np.arange(restarts.size) * 0.005, restarts) is None


def test_the_longest_stretch_between_resets_tells_the_rate() -> None:
    first, second = np.arange(0.0, 1.5, 0.01), np.arange(0.0, 4.0, 0.01)
    host = np.concatenate([100.0 + first, 101.5 + second])
    # the first counts half as fast, and is the shorter one
    assert rate(host, np.concatenate([0.5 * first + 9.0, second])) == pytest.approx(1.0)


def test_while_the_host_stood_still_nothing_is_said_of_the_boards_time() -> None:
    """What waited for 5 s is read at once: over all, the board would seem to run far too slow."""
    board = np.arange(0.0, 2.4, 0.01)
    host = 100.0 + board + np.where(board > 1.2, 5.0, 0.0)
    assert rate(host, board) == pytest.approx(1.0, rel=0.02)


def test_a_reset_is_no_wrap_around() -> None:
    board = np.array([10.0, 10.1, 0.0, 0.1])
    assert unwrap(board, 4294.967296) == pytest.approx(board)
    assert segments(board) == (slice(0, 2), slice(2, 4))
    assert segments(np.array([np.nan, 1.0, np.nan, 2.0])) == (slice(0, 4),)
    assert segments(np.array([])) == (slice(0, 0),)
    with pytest.raises(ValueError, match="positive"):
        unwrap(board, 0.0)
