"""What was planned, out of the plan and rig files that a run has kept.

They lie side by side in one folder, whatever folders they came from; of two with one name the
second is called ``NAME-2``. Only what items are made of is read: no firmware, no descriptions of
instruments.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from hil.core.errors import PlanError
from hil.plan.collect import Collected, units
from hil.plan.expand import expand_all
from hil.plan.load import load_plan, load_profile, read_rig, rig_of
from hil.plan.reader import read
from hil.plan.recognise import kinds_of
from hil.plan.rig import Rig

_YAML = (".yaml", ".yml")


def collect_kept(folder: Path, names: Iterable[str], rig: str) -> tuple[Collected, ...]:
    """The items of every plan among the files `names` of `folder`, on the rig of that name.

    Raises
    ------
    PlanError
        If a file is wrong, there are plans and no such rig, or plan and rig contradict each other.
    """
    sources = [read(folder / name) for name in names if name.lower().endswith(_YAML)]
    files = {kind: [s.files[0] for s in sources if kind in kinds_of(s)] for kind in ("plan", "rig")}
    if not files["plan"]:
        return ()
    file, found = _rig(files["rig"], rig, folder)
    plans = [load_plan(path, alone=True) for path in files["plan"]]
    return tuple(Collected(p, found, file, *expand_all(p, found, units())) for p in plans)


def _rig(files: list[Path], name: str, folder: Path) -> tuple[Path, Rig]:
    bases: set[Path] = set()
    found: dict[Path, Rig] = {}

    def find(path: Path, named: str) -> Path:
        """The kept copy of the file that `path` is based on: it was kept after it."""
        name = Path(named)
        same = [folder / name.name]
        same += [folder / f"{name.stem}-{n}{name.suffix}" for n in range(2, len(files) + 1)]
        later = files[files.index(path) + 1 :]
        base = next((copy for copy in same if copy in later), same[0])
        bases.add(base)
        return base

    for path in files:  # one that another is based on stands behind it
        if path not in bases:
            found[path] = rig_of(read_rig(path, find))
            found[path]._profile = load_profile(folder / Path(found[path].board.profile).name)
    for path, rig in found.items():
        if rig.rig == name:
            return path, rig
    there = ", ".join(rig.rig for rig in found.values()) or "none"
    raise PlanError(
        f"expected the file of rig {name} among the files of the run, found {there}",
        file=str(folder),
    )
