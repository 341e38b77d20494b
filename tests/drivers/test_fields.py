"""Fields between raw numbers and canonical values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.core.drive import Fault
from hil.drivers.fields import (
    RANGES,
    Columns,
    Parts,
    from_text,
    in_range,
    letter,
    to_raw,
    to_text,
)
from hil.ports.link import FieldSpec


def convert(spec: FieldSpec, *raw: float):
    problems: list[str] = []
    found = Columns((spec,)).convert(np.array([raw], dtype=float), problems)[0]
    return found.tolist(), problems


@pytest.mark.parametrize(
    ("kind", "low", "high"),
    [
        ("u8", 0, 255),
        ("i8", -128, 127),
        ("u16", 0, 65535),
        ("i16", -32768, 32767),
        ("u32", 0, 4294967295),
        ("i32", -2147483648, 2147483647),
    ],
)
def test_ranges_of_the_integer_types(kind, low, high):
    assert RANGES[kind] == (low, high)
    spec = FieldSpec(name="x", type=kind)
    assert (to_raw(spec, float(low)), to_raw(spec, float(high))) == (low, high)
    for beyond in (low - 1, high + 1):
        with pytest.raises(ValueError, match=f"does not fit {kind} \\({low} to {high}\\)"):
            to_raw(spec, float(beyond))


def test_scale_and_offset_both_ways():
    spec = FieldSpec(name="temperature", type="i16", scale=0.1, offset=-40.0)
    assert to_raw(spec, 25.0) == 650
    assert convert(spec, 650.0)[0] == [pytest.approx(25.0)]


@settings(deadline=None)
@given(
    st.sampled_from(sorted(RANGES)),
    st.floats(1e-3, 1e3),
    st.floats(-100.0, 100.0),
    st.data(),
)
def test_a_raw_number_survives_the_round_trip(kind, scale, offset, data):
    low, high = RANGES[kind]
    # numbers are held as floats, exact up to 2**53; scaling costs some of that
    raw = data.draw(st.integers(max(low, -(2**48)), min(high, 2**48)))
    spec = FieldSpec(name="x", type=kind, scale=scale, offset=offset)
    assert to_raw(spec, convert(spec, float(raw))[0][0]) == raw


def test_choices_are_words():
    spec = FieldSpec(name="sensing", type="u8", choices={"hall": 0, "back-emf": 1})
    assert to_raw(spec, "back-emf") == 1
    with pytest.raises(ValueError, match="'encoder' is not a choice, known: hall, back-emf"):
        to_raw(spec, "encoder")
    with pytest.raises(ValueError, match="known: none"):
        to_raw(FieldSpec(name="x", type="u8"), "hall")


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_set_point_must_be_finite(value):
    for kind in ("number", "i16", "f32"):
        with pytest.raises(ValueError, match="not a finite number"):
            to_raw(FieldSpec(name="speed", type=kind), value)


@pytest.mark.parametrize(
    ("raw", "text"),
    [(3000.0, "3000"), (-3000, "-3000"), (0.0, "0"), (12.5, "12.5"), (1e-4, "0.0001")],
)
def test_numbers_on_a_line(raw, text):
    assert to_text(FieldSpec(name="x", type="number"), raw) == text


def test_single_precision_on_a_line_is_short_but_exact():
    text = to_text(FieldSpec(name="x", type="f32"), 0.1)
    assert text == "0.1"
    assert np.float32(text) == np.float32(0.1)


def test_states_are_mapped_and_unknown_codes_are_named():
    spec = FieldSpec(name="state", type="u8", values={0: 0, 10: 3, 20: 5})
    assert convert(spec, 0, 20, 10) == ([0.0, 5.0, 3.0], [])
    values, problems = convert(spec, 10, 7, 7, 200)
    assert values[0] == 3.0
    assert all(math.isnan(value) for value in values[1:])
    assert problems == [
        "state: unknown code 7, the profile knows 0, 10, 20",
        "state: unknown code 200, the profile knows 0, 10, 20",
    ]


def test_states_with_negative_or_huge_codes_work_without_a_table():
    spec = FieldSpec(name="state", type="i32", values={-1: 0, 100000: 3})
    assert convert(spec, 100000, -1) == ([3.0, 0.0], [])


def test_state_codes_that_are_not_whole_are_unknown():
    values, problems = convert(FieldSpec(name="state", type="number", values={1: 1}), 1.5)
    assert math.isnan(values[0])
    assert problems == ["state: unknown code 1.5, the profile knows 1"]


def test_fault_bits_are_mapped_one_by_one():
    spec = FieldSpec(name="faults", type="u16", bits={0: Fault.STALL, 3: Fault.OVER_CURRENT})
    assert convert(spec, 0, 1, 8, 9)[0] == [0, Fault.STALL, Fault.OVER_CURRENT, 3]


def test_an_unknown_fault_does_not_look_like_none():
    spec = FieldSpec(name="faults", type="u16", bits={0: Fault.STALL})
    assert convert(spec, 0x8000, 0x8001)[0] == [Fault.OTHER, Fault.OTHER | Fault.STALL]


@pytest.mark.parametrize(
    "more", [{}, {"scale": 0.1}, {"values": {0: 0}}, {"bits": {0: 1}}], ids=str
)
def test_the_mark_for_no_value_is_nan(more):
    spec = FieldSpec(name="x", type="i16", missing=-32768, **more)
    values, problems = convert(spec, -32768.0, 0.0)
    assert math.isnan(values[0])
    assert values[1] == 0.0
    assert problems == []


def test_no_columns_and_no_rows():
    spec = FieldSpec(name="state", type="u8", values={0: 0})
    assert Columns((spec,)).convert(np.empty((1, 0)), []).shape == (1, 0)


def test_converting_leaves_the_raw_numbers_alone():
    raw = np.array([[1.0, 2.0]])
    out = Columns((FieldSpec(name="x", type="u8", missing=1),)).convert(raw, [])
    assert math.isnan(out[0, 0])
    assert raw.tolist() == [[1.0, 2.0]]


def test_numbers_from_text_must_fit_their_type():
    assert in_range(FieldSpec(name="x", type="u8"), [0.0, 255.0])
    for number in (-1.0, 256.0, 1.5, math.nan, math.inf):
        assert not in_range(FieldSpec(name="x", type="u8"), [number])
    assert in_range(FieldSpec(name="x", type="number"), [1e300, -1.5])
    assert not in_range(FieldSpec(name="x", type="number"), [math.nan])


def test_fields_that_have_no_binary_form():
    with pytest.raises(ValueError, match="needs a size"):
        letter(FieldSpec(name="model", type="text"))
    with pytest.raises(ValueError, match="'number' has no binary form"):
        letter(FieldSpec(name="speed", type="number"))
    assert letter(FieldSpec(name="model", type="text", size=16)) == "16s"


# ---------------------------------------------------------------------- parts of a field


def parted(*parts, kind="u16"):
    return FieldSpec(
        name="status",
        type=kind,
        parts=tuple(
            FieldSpec(name=f"p{n}", type=kind, low=low, width=width, signed=signed)
            for n, (low, width, signed) in enumerate(parts)
        ),
    )


def spread(spec, *raw):
    return Parts((spec,)).spread(np.array([raw], dtype=float))


def test_bits_of_a_field():
    rows = spread(parted((0, 3, False), (3, 1, False), (8, 8, True)), 0xFF0D, 0x7FF2)
    assert rows[0].tolist() == [0xFF0D, 0x7FF2]
    assert rows[1].tolist() == [5, 2]
    assert rows[2].tolist() == [1, 0]
    assert rows[3].tolist() == [-1, 127]


def test_bits_of_a_negative_field_are_those_on_the_wire():
    assert spread(parted((0, 4, False), (12, 4, False), kind="i16"), -2)[1:].tolist() == [
        [14],
        [15],
    ]


def test_bits_of_no_value_are_no_value():
    assert np.isnan(spread(parted((0, 4, False)), np.nan)).all()


@settings(deadline=None)
@given(
    st.integers(0, (1 << 32) - 1),
    st.lists(
        st.tuples(st.integers(0, 31), st.integers(1, 32), st.booleans()).filter(
            lambda p: p[0] + p[1] <= 32
        ),
        min_size=1,
        max_size=5,
    ),
)
def test_any_bits_against_a_text_of_ones_and_zeros(raw, parts):
    text = f"{raw:032b}"[::-1]
    rows = spread(parted(*parts, kind="u32"), raw)
    for row, (low, width, signed) in zip(rows[1:], parts, strict=True):
        bits = text[low : low + width][::-1]
        expected = int(bits, 2) - (1 << width if signed and bits[0] == "1" else 0)
        assert row[0] == expected


def test_a_field_without_parts_costs_nothing():
    raw = np.zeros((1, 3))
    assert Parts((FieldSpec(name="x", type="u8"),)).spread(raw) is raw


# ---------------------------------------------------------------------- words of a line


@pytest.mark.parametrize(
    ("kind", "word", "value"),
    [("hex", "ff", 255.0), ("hex", "0xFF", 255.0), ("number", "-1.5e3", -1500.0), ("u8", "7", 7.0)],
)
def test_words_to_numbers(kind, word, value):
    assert from_text(FieldSpec(name="x", type=kind), word) == value


@pytest.mark.parametrize(
    ("kind", "word"),
    [("hex", "xyz"), ("hex", "-1"), ("hex", "f_f"), ("number", "nan"), ("number", "1_0"),
     ("number", ""), ("u8", "256"), ("u8", "1.5"), ("hex", "1" * 40)],
)  # fmt: skip
def test_words_that_are_no_numbers(kind, word):
    with pytest.raises(ValueError, match=r"x: .* is not a number"):
        from_text(FieldSpec(name="x", type=kind), word)


def test_a_text_that_means_no_value():
    spec = FieldSpec(name="x", type="number", missing_text="--")
    assert np.isnan(from_text(spec, "--"))
    assert from_text(spec, "5") == 5.0
    assert from_text(FieldSpec(name="x", type="text"), "--") == "--"


def test_hexadecimal_numbers_both_ways():
    spec = FieldSpec(name="x", type="hex")
    assert to_text(spec, 48879) == "BEEF"
    assert from_text(spec, "BEEF") == 48879.0


# ---------------------------------------------------------------------- fault codes


def test_fault_codes_and_an_unknown_one():
    spec = FieldSpec(
        name="fault", type="u8", channel="reported.fault", values={0: 0, 4: int(Fault.STALL)}
    )
    problems: list[str] = []
    found = Columns((spec,)).convert(np.array([[0.0, 4.0, 9.0]]), problems)
    assert found[0].tolist() == [0, Fault.STALL, Fault.OTHER]
    assert problems == ["fault: unknown code 9, the profile knows 0, 4"]


def test_fault_bits_of_no_value():
    spec = FieldSpec(name="f", type="u8", channel="reported.fault", bits={0: 1})
    found = Columns((spec,)).convert(np.array([[np.nan, 1.0, 2.0]]), [])
    assert np.isnan(found[0][0])
    assert found[0][1:].tolist() == [1, Fault.OTHER]
