"""The amplifiers behind the shunts: a low-pass filter of first order in each current channel.

The bridge input current jumps at every switching edge; what the converter samples is what the
amplifier has made of it since. Between edges currents are as good as straight, and the filter's
answer to a ramp is known exactly, so that the filter costs no accuracy however slow or fast it is.
"""

from __future__ import annotations

import math
from typing import Any

from hil.twin.jit import compiled, inlined

#: Place of the bridge input current behind the three phase currents in ``STATE.amplified``.
BUS = 3


@inlined
def follow(value: float, start: float, end: float, x: float) -> float:
    """Output of a first-order low-pass at the end of a ramp.

    Parameters
    ----------
    value : output at its start. start, end : input at its start and end.
    x : duration of the ramp over the time constant, above 0.
    """
    lag = (end - start) / x
    return end - lag + (value - start + lag) * math.exp(-x)


@compiled
def amplify(c: Any, s: Any, h: float, ia: float, ib: float, ic: float) -> None:
    """Let the amplifiers follow a step of `h` s that began with the phase currents given."""
    x = h * c.amplifier_rate
    qa, qb, qc = s.q[0] & 7, s.q[1] & 7, s.q[2] & 7
    before = s.rail[qa] * ia + s.rail[qb] * ib + s.rail[qc] * ic
    after = s.rail[qa] * s.i[0] + s.rail[qb] * s.i[1] + s.rail[qc] * s.i[2]
    s.amplified[0] = follow(s.amplified[0], ia, s.i[0], x)
    s.amplified[1] = follow(s.amplified[1], ib, s.i[1], x)
    s.amplified[2] = follow(s.amplified[2], ic, s.i[2], x)
    s.amplified[BUS] = follow(s.amplified[BUS], before, after, x)
