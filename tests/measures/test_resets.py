"""How often the board started anew."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hil.core.measure import Outcome
from hil.measures.catalogue import KINDS


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("resets", [0, 1, 3])
def test_resets_are_counted_in_every_kind_of_scenario(lab, stall, kind, resets):
    trace = replace(stall.trace(), resets=resets)
    found = lab.measures(kind, trace)["board-resets"]
    assert (found.value, found.uncertainty, found.unit) == (float(resets), 0.0, "1")


def test_without_a_time_of_the_board_nobody_can_tell(lab, stall):
    found = lab.measures("stall", replace(stall.trace(), resets=None))["board-resets"]
    assert (found.outcome, found.value) == (Outcome.NOT_APPLICABLE, None)


def test_a_board_that_was_never_heard_is_missing_and_not_sound(lab, stall):
    trace = replace(stall.trace(), resets=0, frames=0)
    assert lab.measures("stall", trace)["board-resets"].outcome is Outcome.MISSING_DATA
