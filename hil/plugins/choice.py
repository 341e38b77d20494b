"""Which bench a run uses, and its lease."""

from __future__ import annotations

from collections.abc import Mapping

from hil.bench.choose import Choice, choose
from hil.bench.lease import Lease, take
from hil.plan.rig import Rig


def choose_leased(
    rig: Rig, mode: str, resources: Mapping[str, str], lease: Lease | None
) -> tuple[Choice, Lease | None]:
    """As the module says; no lease where the bench is simulated.

    Raises
    ------
    RigInUse
        If somebody else holds the hardware; even asking it who it is would disturb them.
    """
    if lease is not None:  # from a pool
        choice = choose(rig, mode, resources)
        if choice.simulated:
            lease.release()
        return choice, None if choice.simulated else lease
    if mode == "auto":
        with take(rig, resources, purpose="look"):
            choice = choose(rig, mode, resources)
    else:
        choice = choose(rig, mode, resources)
    return choice, None if choice.simulated else take(rig, resources)
