"""The relation between board and host clocks."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.bench.timebase import relate


def test_the_least_delayed_frame_gives_the_offset() -> None:
    board = np.array([0.0, 0.01, 0.02, 0.03])
    host = board + 5.0 + 0.002 + np.array([0.004, 0.0, 0.003, 0.009])
    relation = relate(host, board, line_time=0.002)
    assert relation.offset == pytest.approx(5.0, abs=1e-12)
    assert relation.to_host(board) == pytest.approx(board + 5.0)


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
