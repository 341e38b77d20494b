"""What makes one simulated rig differ from the one its rig file describes.

A variation is plain data: it can be pickled, compared, printed, and sent to another machine.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any, Literal, TypeVar

Described = TypeVar("Described")

#: What a variation can change: the parameters of the drive (`hil.twin.parameters`), the settings
#: of the reference firmware, and the data sheet of the supply.
ROOTS = ("drive", "firmware", "supply")


@dataclass(frozen=True, slots=True)
class Change:
    """One parameter that differs.

    Parameters
    ----------
    path : where it stands, from one of `ROOTS` on: ``drive.motor.resistance``,
        ``drive.motor.hall_error_deg.0``, ``firmware.defects.speed_scale``.
    value : what it becomes, or by what it is scaled or shifted.
    how : ``set``, ``scale`` (times `value`) or ``add``.
    """

    path: str
    value: Any
    how: Literal["set", "scale", "add"] = "set"

    def __post_init__(self) -> None:
        root, _, rest = self.path.partition(".")
        if root not in ROOTS or not rest:
            raise ValueError(
                f"no parameter {self.path!r}: expected a path that begins with one of "
                f"{', '.join(ROOTS)} and a dot"
            )

    def __str__(self) -> str:
        sign = {"set": "=", "scale": "x", "add": "+"}[self.how]
        shown = f"{self.value:.6g}" if isinstance(self.value, float) else f"{self.value}"
        return f"{self.path} {sign} {shown}"


@dataclass(frozen=True, slots=True)
class Variation:
    """Changes to one rig, made in their order; without any it is the rig of the file.

    Parameters
    ----------
    name : for people, in tables and records.
    """

    name: str = ""
    changes: tuple[Change, ...] = ()

    def applied(self, root: str, described: Described) -> Described:
        """`described` with the changes whose path begins with `root`.

        Raises
        ------
        ValueError
            If a path leads nowhere, or the changed parameters are refused by their own check.
        """
        for change in self.changes:
            first, *steps = change.path.split(".")
            if first == root:
                described = _changed(described, steps, change)
        return described

    def __str__(self) -> str:
        changes = ", ".join(str(change) for change in self.changes) or "as the rig file says"
        return f"{self.name}: {changes}" if self.name else changes


def _changed(owner: Any, steps: list[str], change: Change) -> Any:
    """A copy of `owner` in which what `steps` lead to has been changed."""
    if not steps:
        if change.how == "set":
            return change.value
        return owner * change.value if change.how == "scale" else owner + change.value
    name, rest = steps[0], steps[1:]
    if is_dataclass(owner) and not isinstance(owner, type):
        names = [one.name for one in fields(owner)]
        if name not in names:
            raise _nowhere(change, name, names)
        return replace(owner, **{name: _changed(getattr(owner, name), rest, change)})
    if isinstance(owner, Mapping):
        if name not in owner and (rest or change.how != "set"):
            raise _nowhere(change, name, owner)
        return {**owner, name: _changed(owner.get(name), rest, change)}
    if isinstance(owner, tuple):
        places = [str(n) for n in range(len(owner))]
        if name not in places:
            raise _nowhere(change, name, places)
        n = int(name)
        return (*owner[:n], _changed(owner[n], rest, change), *owner[n + 1 :])
    raise ValueError(f"no parameter {change.path!r}: {name!r} asked of the number {owner!r}")


def _nowhere(change: Change, name: str, names: Iterable[str]) -> ValueError:
    return ValueError(f"no parameter {change.path!r}: {name!r} is none of {', '.join(names)}")
