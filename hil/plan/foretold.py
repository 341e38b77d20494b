"""What can be said of a plan on a rig before anything is run."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from hil.plan.expand import left_out, not_wired
from hil.plan.offers import NAMED, not_judged
from hil.plan.plan import Plan, PlannedItem
from hil.plan.reach import out_of_reach
from hil.plan.rig import Rig
from hil.plan.unspoken import unspoken
from hil.verdicts.sequence import announce


def foretold(plans: Sequence[Plan], items: Sequence[PlannedItem], rig: Rig) -> Iterator[str]:
    """What will not run or be judged on the rig, or be waited for in vain; how long a series is.

    Parameters
    ----------
    items : of these plans, or a choice of them.
    """
    for plan in plans:
        yield from left_out(plan, rig)
    yield from not_wired(items, rig)
    yield from not_judged(items, rig)
    yield from out_of_reach(items, rig)
    yield from unspoken(items, rig)
    series: dict[str, list[str]] = {}
    for item in items:
        if item.series is not None and not item.lacks:
            series.setdefault(announce(item.series), []).append(item.id)
    for text, those in series.items():
        more = f" and {len(those) - NAMED} more" if len(those) > NAMED else ""
        yield f"{', '.join(those[:NAMED])}{more}: {text}"
