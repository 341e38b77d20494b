"""Where a campaign may be ended: between two looks at work that is under way, never within one."""

from __future__ import annotations

from collections.abc import Callable

#: Called by whoever waits for workers, before each result and at least every `PERIOD` until then;
#: what it raises ends the campaign.
Joint = Callable[[], object]

#: s between two calls while nothing but time passes.
PERIOD = 0.1


def no_joint() -> None:
    """For a campaign that nobody ends."""
