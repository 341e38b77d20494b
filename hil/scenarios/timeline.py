"""The state time-line of a drive as its firmware reported it."""

from __future__ import annotations

import numpy as np

from hil.core.drive import DriveState
from hil.core.record import StateSpan
from hil.core.trace import Trace


def state_spans(trace: Trace, repeat: int = 1) -> list[StateSpan]:
    """Stretches of equal reported state, in time order, s from the start of the trace.

    A span lasts until the first sample of the next one; samples without a value are skipped.
    """
    channel = trace.channel("reported.state")
    if channel is None:
        return []
    known = np.isfinite(channel.y)
    t, y = channel.t[known], channel.y[known].astype(int)
    if not t.size:
        return []
    first = np.flatnonzero(np.append(True, np.diff(y) != 0))
    ends = np.append(t[first[1:]], t[-1])
    return [
        StateSpan(
            state=DriveState(int(y[i])).word, start=float(t[i]), end=float(end), repeat=repeat
        )
        for i, end in zip(first, ends, strict=True)
    ]
