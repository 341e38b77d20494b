"""Where a campaign may be ended: between two looks at work that is under way, never within one."""

from __future__ import annotations

from collections.abc import Callable

#: Called every `PERIOD` or so while nothing but time passes; what it raises ends the campaign.
Joint = Callable[[], object]

#: s between two calls.
PERIOD = 0.1


def no_joint() -> None:
    """For a campaign that nobody ends."""
