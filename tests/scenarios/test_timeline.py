"""The state time-line of a drive as reported."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.trace import Channel, Trace
from hil.scenarios.timeline import state_spans


def trace(t: list[float], states: list[float]) -> Trace:
    channel = Channel("reported.state", "1", np.array(t, float), np.array(states, float))
    return Trace({"reported.state": channel}, end=10.0)


def test_equal_states_are_one_span_that_lasts_until_the_next() -> None:
    spans = state_spans(trace([0.0, 0.1, 0.2, 0.3, 0.4], [0, 1, 1, 3, 3]), repeat=2)
    assert [(s.state, s.start, s.end) for s in spans] == [
        ("idle", 0.0, 0.1),
        ("align", 0.1, 0.3),
        ("run", 0.3, 0.4),
    ]
    assert {span.repeat for span in spans} == {2}


def test_samples_without_a_state_are_skipped() -> None:
    nan = float("nan")
    spans = state_spans(trace([0.0, 0.1, 0.2, 0.3], [nan, 3, nan, 3]))
    assert [(s.state, s.start, s.end) for s in spans] == [("run", 0.1, 0.3)]


@pytest.mark.parametrize("states", [[], [float("nan")]])
def test_no_state_no_spans(states: list[float]) -> None:
    assert state_spans(trace([0.1] * len(states), states)) == []


def test_no_channel_no_spans() -> None:
    assert state_spans(Trace({})) == []


@given(st.lists(st.integers(0, 5), min_size=1, max_size=60))
def test_spans_join_without_gap_and_neighbours_differ(states: list[int]) -> None:
    t = [0.005 * n for n in range(len(states))]
    spans = state_spans(trace(t, states))
    assert (spans[0].start, spans[-1].end) == (t[0], t[-1])
    for one, two in itertools.pairwise(spans):
        assert one.end == two.start
        assert one.state != two.state
