"""Fields of a link profile between raw numbers on the wire and canonical values."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from hil.core.drive import Fault
from hil.core.trace import FloatArray
from hil.ports.link import FieldSpec

#: Struct letters of the binary types; ``text`` is written with its size, e.g. ``16s``.
LETTERS = {"u8": "B", "i8": "b", "u16": "H", "i16": "h", "u32": "I", "i32": "i", "f32": "f"}
#: Smallest and largest raw number of the integer types.
RANGES = {
    name: (-(1 << (bits - 1)), (1 << (bits - 1)) - 1) if name[0] == "i" else (0, (1 << bits) - 1)
    for name in ("u8", "i8", "u16", "i16", "u32", "i32")
    for bits in (int(name[1:]),)
}


def letter(spec: FieldSpec) -> str:
    """Struct format of a field in a binary message; ValueError if it cannot stand in one."""
    if spec.type == "text":
        if spec.size < 1:
            raise ValueError(f"field {spec.name!r}: text in a binary message needs a size")
        return f"{spec.size}s"
    if spec.type not in LETTERS:
        raise ValueError(f"field {spec.name!r}: type {spec.type!r} has no binary form")
    return LETTERS[spec.type]


def to_raw(spec: FieldSpec, value: float | str) -> int | float:
    """Raw number of an argument: a word by `FieldSpec.choices`, a number by scale and offset.

    Raises
    ------
    ValueError
        If the word is not among the choices, or the number is not finite or does not fit the type.
    """
    if isinstance(value, str):
        if value not in spec.choices:
            known = ", ".join(spec.choices) or "none"
            raise ValueError(f"{spec.name}: {value!r} is not a choice, known: {known}")
        raw: float = spec.choices[value]
    else:
        raw = (value - spec.offset) / spec.scale
    if not math.isfinite(raw):
        raise ValueError(f"{spec.name}: {value!r} is not a finite number")
    if spec.type in RANGES:
        low, high = RANGES[spec.type]
        whole = round(raw)
        if not low <= whole <= high:
            raise ValueError(f"{spec.name}: {value!r} does not fit {spec.type} ({low} to {high})")
        return whole
    return raw


def to_text(spec: FieldSpec, raw: float) -> str:
    """Raw number as it is written on a line: whole numbers without a point, others short."""
    if raw == round(raw) and abs(raw) < 1e15:
        return str(int(raw))
    if spec.type == "f32":
        return f"{raw:.9g}"
    return repr(float(raw))


def to_canonical(spec: FieldSpec, raw: FloatArray, problems: list[str]) -> FloatArray:
    """Canonical values of a column of raw numbers.

    Parameters
    ----------
    raw : shape (n,), raw numbers.
    problems : one text is added for each state code the profile does not know.

    Returns
    -------
    shape (n,): NaN where the profile says 'no value' or the code is unknown. A fault bit that the
    profile does not name becomes `Fault.OTHER`: an unknown fault must not look like none.
    """
    if spec.values:
        return _look_up(spec, raw, problems)
    if spec.bits:
        return _flags(spec, raw)
    out = raw * spec.scale + spec.offset
    if spec.missing is not None:
        out[raw == spec.missing] = np.nan
    return out


def _look_up(spec: FieldSpec, raw: FloatArray, problems: list[str]) -> FloatArray:
    out = np.full(raw.shape, np.nan)
    for code in np.unique(raw).tolist():
        if code in spec.values:
            out[raw == code] = spec.values[code]
        elif code != spec.missing:
            known = ", ".join(str(number) for number in sorted(spec.values))
            problems.append(f"{spec.name}: unknown code {code:g}, the profile knows {known}")
    return out


def _flags(spec: FieldSpec, raw: FloatArray) -> FloatArray:
    out = np.zeros(raw.shape)
    missing = raw == spec.missing if spec.missing is not None else None
    if raw.any():
        whole = raw.astype(np.int64)
        flags = np.zeros(raw.shape, dtype=np.int64)
        known = 0
        for bit, flag in spec.bits.items():
            known |= 1 << bit
            flags |= np.where(whole & (1 << bit), flag, 0)
        flags |= np.where(whole & ~known, int(Fault.OTHER), 0)
        out = flags.astype(np.float64)
    if missing is not None:
        out[missing] = np.nan
    return out


def in_range(spec: FieldSpec, raw: Sequence[float] | FloatArray) -> bool:
    """Whether all raw numbers read from text are finite and fit the type of the field."""
    column = np.asarray(raw, dtype=np.float64)
    if spec.type in RANGES:
        low, high = RANGES[spec.type]
        return bool(np.all((column >= low) & (column <= high) & (column == np.round(column))))
    return bool(np.all(np.isfinite(column)))
