"""A ladder of resistors that takes the place of a temperature sensor: its rungs and their lines.

Each rung is a line of the signal switch. Closed, as every line of a healthy rig, it leaves the
sensor where it is; open, it puts what the rung stands for in the sensor's place.
"""

from __future__ import annotations

import math

#: Rungs that stand for no temperature, and what they do to the sensor.
BROKEN = {"open": "an open line", "short": "a short circuit"}
_PREFIX = "temperature-"

#: degC, or a word of `BROKEN`.
Rung = float | str


def line_of(rung: Rung) -> str:
    """Line of a rung: ``temperature-60``, ``temperature-open``."""
    return f"{_PREFIX}{rung:g}" if isinstance(rung, int | float) else f"{_PREFIX}{rung}"


def rung_of(line: str) -> Rung | None:
    """What a line stands for; None if it is no rung."""
    prefix, rest = line[: len(_PREFIX)], line[len(_PREFIX) :]
    if prefix != _PREFIX or not rest:
        return None
    if rest in BROKEN:
        return rest
    try:
        value = float(rest)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def in_words(line: str) -> str:
    """What stands in for the sensor while `line` is open: ``60 degC``, ``a short circuit``."""
    rung = rung_of(line)
    return BROKEN.get(rung, line) if isinstance(rung, str) else f"{rung:g} degC"
