"""Fields of a link profile between raw numbers on the wire and canonical values."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from hil.core.drive import Fault
from hil.core.trace import FloatArray
from hil.ports.link import FieldSpec

#: Struct letters of the binary types; ``text`` is written with its size, e.g. ``16s``.
LETTERS = {
    "u8": "B", "i8": "b", "u16": "H", "i16": "h", "u32": "I", "i32": "i", "u64": "Q", "i64": "q",
    "f32": "f", "f64": "d",
}  # fmt: skip
FLOATS = ("f32", "f64")
#: Smallest and largest raw number of the integer types.
RANGES = {
    name: (-(1 << (bits - 1)), (1 << (bits - 1)) - 1) if name[0] == "i" else (0, (1 << bits) - 1)
    for name in LETTERS
    if name not in FLOATS
    for bits in (int(name[1:]),)
} | {"bit": (0, 1), "hex": (0, (1 << 64) - 1)}


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
    if spec.type == "hex":
        return f"{round(raw):X}"
    if raw == round(raw) and abs(raw) < 1e15:
        return str(int(raw))
    if spec.type == "f32":
        return f"{raw:.9g}"
    return repr(float(raw))


def from_text(spec: FieldSpec, word: str) -> float | str:
    """Raw value of a word of a line: the text itself of a text field, NaN for 'no value'.

    Raises
    ------
    ValueError
        If the word is no number of the type of the field.
    """
    if spec.type == "text":
        return word
    if spec.missing_text and word == spec.missing_text:
        return math.nan
    try:
        number = float(int(word, 16)) if spec.type == "hex" else float(word)
    except (ValueError, OverflowError):
        raise ValueError(f"{spec.name}: {word!r} is not a number") from None
    if "_" in word or not in_range(spec, [number]):
        raise ValueError(f"{spec.name}: {word!r} is not a number of type {spec.type}")
    return number


def leaves(specs: Sequence[FieldSpec]) -> tuple[FieldSpec, ...]:
    """The numeric fields, each followed by the parts inside it."""
    return tuple(leaf for spec in specs if spec.type != "text" for leaf in (spec, *spec.parts))


class Parts:
    """Rows of the parts of bit fields, put behind the row of the field they are in."""

    def __init__(self, specs: Sequence[FieldSpec]) -> None:
        self._specs = tuple(spec for spec in specs if spec.type != "text")
        self.any = any(spec.parts for spec in self._specs)

    def spread(self, raw: FloatArray) -> FloatArray:
        """Rows of `leaves`, shape (leaves, n), from the rows of the fields, shape (fields, n)."""
        if not self.any:
            return raw
        rows: list[FloatArray] = []
        for spec, row in zip(self._specs, raw, strict=True):
            rows.append(row)
            if not spec.parts:
                continue
            known = np.isfinite(row)
            # two's complement: the bits of a negative number as they are on the wire
            whole = np.where(known, row, 0.0).astype(np.int64)
            for part in spec.parts:
                bits = (whole >> part.low) & ((1 << part.width) - 1)
                if part.signed:
                    bits -= (bits >> (part.width - 1)) << part.width
                rows.append(np.where(known, bits, np.nan))
        return np.array(rows, dtype=np.float64).reshape(len(rows), raw.shape[1])


class Columns:
    """Canonical values of whole columns of raw numbers, one column a field.

    Scaling is one multiplication for all of them; codes, fault bits and the mark for 'no value'
    are treated afterwards, in the columns that have them.
    """

    def __init__(self, specs: Sequence[FieldSpec]) -> None:
        self._scale = np.array([[1.0 if s.values or s.bits else s.scale] for s in specs])
        self._offset = np.array([[0.0 if s.values or s.bits else s.offset] for s in specs])
        self._plain = bool(np.all(self._scale == 1.0) and np.all(self._offset == 0.0))
        self._special = [
            (index, spec)
            for index, spec in enumerate(specs)
            if spec.values or spec.bits or spec.missing is not None
        ]

    def convert(self, raw: FloatArray, problems: list[str]) -> FloatArray:
        """Canonical values.

        Parameters
        ----------
        raw : shape (fields, n), raw numbers.
        problems : one text is added for each code the profile does not know.

        Returns
        -------
        shape (fields, n): NaN where the profile says 'no value' or the code is unknown. A fault
        bit or fault code that the profile does not name becomes `Fault.OTHER`: an unknown fault
        must not look like none.
        """
        out = raw.copy() if self._plain else raw * self._scale + self._offset
        if not raw.size:
            return out
        for index, spec in self._special:
            column = raw[index]
            if spec.values:
                out[index] = _look_up(spec, column, problems)
            elif spec.bits and column.any():
                out[index] = _flags(spec, column)
            if spec.missing is not None:
                out[index][column == spec.missing] = np.nan
        return out


def _look_up(spec: FieldSpec, raw: FloatArray, problems: list[str]) -> FloatArray:
    # a dictionary beats array operations here: a read brings few frames, each with its overhead
    known, codes = spec.values, raw.tolist()
    out = np.array([known.get(code, math.nan) for code in codes], dtype=np.float64)
    if math.isnan(out.sum()):
        names = ", ".join(str(number) for number in sorted(known))
        problems.extend(
            f"{spec.name}: unknown code {code:g}, the profile knows {names}"
            for code in sorted({code for code in codes if not math.isnan(code)} - set(known))
            if code != spec.missing
        )
        if spec.channel == "reported.fault":
            out[np.isnan(out) & np.isfinite(raw)] = int(Fault.OTHER)
    return out


def _flags(spec: FieldSpec, raw: FloatArray) -> FloatArray:
    finite = np.isfinite(raw)
    whole = np.where(finite, raw, 0.0).astype(np.int64)
    flags = np.zeros(raw.shape, dtype=np.int64)
    known = 0
    for bit, flag in spec.bits.items():
        known |= 1 << bit
        flags |= np.where(whole & (1 << bit), flag, 0)
    flags |= np.where(whole & ~known, int(Fault.OTHER), 0)
    return np.where(finite, flags, np.nan)


def in_range(spec: FieldSpec, raw: Sequence[float] | FloatArray) -> bool:
    """Whether all raw numbers read from text are finite and fit the type of the field."""
    column = np.asarray(raw, dtype=np.float64)
    if spec.type in RANGES:
        low, high = RANGES[spec.type]
        return bool(np.all((column >= low) & (column <= high) & (column == np.round(column))))
    return bool(np.all(np.isfinite(column)))
