"""What the board says of its DC link where the supply cannot be proven off: a witness, no proof.

The link falls when the output is off, slowly while the shaft still turns, and stays at the voltage
of the supply while it is on. A board that says nothing may have lost its power, or its cable.
"""

from __future__ import annotations

import math

from hil.ports.board import Board
from hil.ports.clock import Clock

#: So long, in steps so long, the board is listened to, s.
WATCH, STEP = 0.5, 0.02
#: Shares of the voltage that was asked for: beyond the one it seems to be on, below the other off.
AS_ON, AS_OFF = 0.9, 0.1


def heard_of_link(board: Board, clock: Clock, asked: float, *, mute: bool = False) -> str:
    """The last voltage that the board reports, when, and what that looks like; in words.

    Parameters
    ----------
    asked : V that the supply was last told to give, 0 where it was told nothing.
    mute : telemetry has not begun, so that the board must be told to send it.

    Never raises. What had arrived before does not count, nor does a frame that only repeats itself.
    """
    begun = clock.now()
    found, at, stamp = math.nan, begun, math.nan
    try:
        if mute:
            board.stream(True)
        before = board.read().board_time
        stamp = float(before[-1]) if before.size else math.nan
        while clock.now() - begun < WATCH - 1e-9 and not found < AS_OFF * asked:
            clock.sleep(STEP)
            readings = board.read()
            volts = readings.values.get("reported.voltage")
            if volts is None or not volts.size or readings.board_time[-1] == stamp:
                continue
            stamp = float(readings.board_time[-1])
            if math.isfinite(volts[-1]):
                found, at = float(volts[-1]), clock.now()
    except Exception:  # nothing may keep a bench from being left, and what was heard still counts
        pass
    if not math.isfinite(found):
        return "the board says nothing of its DC link either"
    told = f"the board read {found:.1f} V at its DC link {at - begun:.2f} s later"
    if asked > 0.0 and found >= AS_ON * asked:
        return f"{told}, as with the output still on at {asked:g} V"
    if asked > 0.0 and found < AS_OFF * asked:
        return f"{told}, as with the output off, which is no proof"
    return told
