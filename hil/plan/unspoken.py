"""Words that a plan waits for and the link profile of a rig has none for: they will never come."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from hil.core.drive import DriveState, Fault
from hil.plan.kinds import StepsParameters
from hil.plan.offers import NAMED
from hil.plan.plan import PlannedItem
from hil.plan.protective import ProtectionParameters
from hil.plan.rig import Rig
from hil.plan.steps import ExpectFault, WaitForState
from hil.ports.link import LinkDescription


def spoken(profile: LinkDescription) -> tuple[frozenset[str], frozenset[str]]:
    """The words of states and of faults that telemetry by a link profile can report."""
    states: set[str] = set()
    faults: set[str] = set()
    for name, message in profile.messages.items():
        if not name.startswith("telemetry"):
            continue
        for leaf in (leaf for field in message.fields for leaf in (field, *field.parts)):
            if leaf.channel == "reported.state":
                states |= {DriveState(value).word for value in leaf.values.values()}
            elif leaf.channel == "reported.fault":
                for value in (*leaf.values.values(), *leaf.bits.values()):
                    faults |= set(Fault(value).words)
    return frozenset(states), frozenset(faults | set(Fault.OTHER.words))


def unspoken(items: Sequence[PlannedItem], rig: Rig) -> Iterator[str]:
    """Which items wait for a state or a fault that the board cannot name, one sentence for each."""
    states, faults = spoken(rig.profile)
    found: dict[str, dict[str, None]] = {}
    for item in items:
        if item.lacks:
            continue
        for what, words in _awaited(item):
            if not set(words) & (states if what == "state" else faults):
                found.setdefault(f"{what} {' or '.join(words)}", {})[item.id] = None
    for what, waiting in found.items():
        those = list(waiting)
        more = f" and {len(those) - NAMED} more" if len(those) > NAMED else ""
        yield (
            f"link profile {rig.profile.name} of rig {rig.rig} has no {what}, for which wait in "
            f"vain: {', '.join(those[:NAMED])}{more}"
        )


def _awaited(item: PlannedItem) -> Iterator[tuple[str, tuple[str, ...]]]:
    parameters = item.parameters
    if isinstance(parameters, ProtectionParameters) and parameters.expect == "trip":
        yield "fault", parameters.fault
    elif isinstance(parameters, StepsParameters):
        for step in parameters.steps:
            if isinstance(step, ExpectFault):
                yield "fault", step.faults
            elif isinstance(step, WaitForState):
                yield "state", (step.state.word,)
