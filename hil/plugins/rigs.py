"""Rig files, each read once a session."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hil.plan.rig import Rig


@cache
def load_rig_once(path: Path) -> Rig:
    """The rig of a rig file."""
    from hil.plan.load import load_rig

    return load_rig(path)
