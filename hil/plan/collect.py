"""A plan file and the rig it is run on, read together: what pytest collects."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from hil.core.errors import PlanError
from hil.measures.catalogue import KINDS, definitions
from hil.plan.expand import Measures, expand_all
from hil.plan.load import load_plan, load_rig
from hil.plan.plan import Plan, PlannedItem
from hil.plan.rig import Rig


@dataclass(frozen=True, slots=True)
class Collected:
    """What a plan comes to on a rig; `left_out`: why, and items that the rig cannot do."""

    plan: Plan
    rig: Rig
    rig_file: Path
    items: tuple[PlannedItem, ...]
    left_out: tuple[tuple[str, PlannedItem], ...]


def units() -> Measures:
    """Kind of scenario -> name of a measure -> its unit."""
    return {kind: {name: d.unit for name, d in definitions(kind).items()} for kind in KINDS}


def collect(
    path: Path | str, rig_file: Path | str = "", *, load: Callable[[Path], Rig] = load_rig
) -> Collected:
    """The items of a plan on `rig_file`, or on the rig that the plan names.

    Parameters
    ----------
    load : reads a rig file.

    Raises
    ------
    PlanError
        If a file is wrong, plan and rig contradict each other, or no rig is named at all.
    """
    plan = load_plan(path)
    named = Path(rig_file) if rig_file else plan.rig_path
    if named is None:
        raise PlanError(
            "names no rig: add 'rig: FILE', or give --hil-rig (pytest), --rig (hil)",
            file=str(path),
            line=1,
        )
    rig = load(named)
    return Collected(plan, rig, named, *expand_all(plan, rig, units()))
