"""When a run is to be over: no item begins after that, so that people find the bench free.

--hil-until 06:30      # the next time that the clock on the wall says so
--hil-until "8 h"      # so long after the begin of the run
"""

from __future__ import annotations

import re
from datetime import datetime, timedelta

import pytest

_TIME_OF_DAY = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)")
_DAY = timedelta(days=1)


def moment(text: str, now: datetime) -> datetime:
    """The end that `text` asks for, later than `now` (local time, as the wall clock has it).

    Raises
    ------
    ValueError
        If it is neither a time of day nor a duration.
    """
    if match := _TIME_OF_DAY.fullmatch(text.strip()):
        then = now.replace(hour=int(match[1]), minute=int(match[2]), second=0, microsecond=0)
        return then if then > now else then + _DAY
    from hil.plan.units import convert

    expected = "expected a time of day such as 06:30, or a duration such as '8 h'"
    try:
        seconds = convert(text, "time")
        then = now + timedelta(seconds=seconds)
    except (ValueError, OverflowError) as error:
        raise ValueError(f"{expected}, found {text!r}") from error
    if seconds <= 0.0:
        raise ValueError(f"{expected}, found {text!r}, which is none")
    return then


def refuse_if_wrong(text: str, named: str) -> str:
    """The text as it is.

    Raises
    ------
    pytest.UsageError
        If it is no end, naming the option as it was given.
    """
    if text:
        try:
            moment(text, datetime.now())
        except ValueError as error:
            raise pytest.UsageError(f"{named}: {error}") from error
    return text


class Until:
    """The end of one run.

    Parameters
    ----------
    text : as asked for; "" for a run that takes as long as it takes.
    begun : local time.
    """

    def __init__(self, text: str, begun: datetime) -> None:
        self._text = text
        self.at = moment(text, begun) if text else None

    def over(self, now: datetime) -> str:
        """Why no further item begins, "" if one may."""
        if self.at is None or now < self.at:
            return ""
        return f"the run was to be over by {self.at:%Y-%m-%d %H:%M} (--hil-until {self._text})"
