"""A bench that cannot be opened, told once: what, where, whose fault it is, and every reason."""

from __future__ import annotations

from collections.abc import Iterable

from hil.core.errors import BenchError


class Unopened(BenchError):
    """Parts of a bench cannot be opened; the message is all reasons, one after the other.

    Attributes
    ----------
    headline : which parts of which rig, and whose fault it is.
    reasons : one line each.
    """

    def __init__(self, rig: str, first: str, parts: Iterable[tuple[str, str]]) -> None:
        """`first` is what opening ended at; `parts` are all that fail when tried by themselves."""
        found = list(parts)
        told = dict.fromkeys((first, *(reason for _, reason in found)))
        self.reasons = tuple(" ".join(reason.split()) for reason in told)
        roles = " and ".join(", ".join(role for role, _ in found).rsplit(", ", 1))
        of = f"{roles} of rig {rig}" if roles else f"rig {rig}"
        self.headline = f"{of} cannot be opened: the bench is at fault, not the firmware"
        super().__init__("; ".join(self.reasons))
