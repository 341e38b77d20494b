"""Rungs of a ladder of resistors, as rig files and plans name them."""

from __future__ import annotations

from typing import Annotated

from pydantic import BeforeValidator

from hil.core.ladder import BROKEN, Rung
from hil.plan.units import convert


def read_rung(value: object) -> Rung:
    """``60 degC``, ``open`` or ``short``.

    Raises
    ------
    ValueError
        If it is none of them.
    """
    if isinstance(value, str) and value in BROKEN:
        return value
    try:
        return convert(value, "temperature")
    except ValueError as error:
        raise ValueError(f"{error}; {' and '.join(BROKEN)} stand for a broken sensor") from None


RungText = Annotated[float | str, BeforeValidator(read_rung)]
