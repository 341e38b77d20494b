"""Whether the board started anew in the midst of it."""

from __future__ import annotations

from hil.core.measure import Outcome
from hil.measures.recipe import COMMON, Estimate, defines
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import View


@defines(
    "board-resets",
    "1",
    """How often the board started anew while it was being heard: number of times its own time
    stepped back between two telemetry frames of the trace. A board that the supply powers up
    within the trace counts, a first start before its first frame does not. Not applicable where
    telemetry carries no time of the board.""",
    source=COMMON,
)
def board_resets(view: View) -> Estimate:
    """Resets of the board; see its definition."""
    if view.trace.frames <= 0:
        raise Unmeasurable(Outcome.MISSING_DATA, "no telemetry frame was decoded")
    if view.trace.resets is None:
        raise Unmeasurable(Outcome.NOT_APPLICABLE, "telemetry carries no time of the board")
    return Estimate(float(view.trace.resets))
