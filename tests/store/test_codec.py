from __future__ import annotations

import contextlib
import json
from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.errors import StoreError
from hil.core.measure import Measure
from hil.core.record import SCHEMA, Entry, ItemResult, ItemStart, Note, RunStart
from hil.store.codec import decode, encode


@given(data=st.data())
def test_an_entry_of_any_kind_and_content_comes_back_equal(
    entries: st.SearchStrategy[Entry], data: st.DataObject
) -> None:
    entry = data.draw(entries)
    line = encode(entry)
    assert decode(line) == entry
    assert "\n" not in line
    assert line.isascii()
    assert encode(decode(line)) == line


@given(data=st.data(), noise=st.binary(max_size=6), place=st.floats(0.0, 1.0))
def test_a_damaged_line_gives_an_entry_or_a_store_error_and_nothing_else(
    entries: st.SearchStrategy[Entry], data: st.DataObject, noise: bytes, place: float
) -> None:
    line = encode(data.draw(entries))
    cut = int(place * len(line))
    damaged = line[:cut] + noise.decode("latin-1") + line[cut + len(noise) :]
    with contextlib.suppress(StoreError):
        decode(damaged)


def test_the_kind_comes_first_so_that_people_can_read_a_record(item_start: ItemStart) -> None:
    assert encode(item_start).startswith('{"kind":"item-start","item":"a",')


def test_numbers_come_back_as_the_same_double(item_result: ItemResult) -> None:
    for value in (0.1, 1e-308, 5e-324, 1.7976931348623157e308, -0.0):
        back = decode(encode(replace(item_result, duration=value)))
        assert isinstance(back, ItemResult)
        assert np.float64(back.duration).tobytes() == np.float64(value).tobytes()


def test_numbers_of_numpy_are_kept_as_plain_numbers(item_result: ItemResult) -> None:
    entry = replace(
        item_result,
        measures=(Measure("m", "A", np.float64(1.5)),),
        repeats=(np.int64(2),),  # type: ignore[arg-type]
    )
    line = encode(entry)
    assert json.loads(line)["repeats"] == [2]
    back = decode(line)
    assert isinstance(back, ItemResult)
    assert type(back.measures[0].value) is float


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_what_is_no_number_is_never_written(item_result: ItemResult, value: float) -> None:
    with pytest.raises(StoreError, match=r"duration: expected a finite number, found -?(nan|inf)"):
        encode(replace(item_result, duration=value))


@pytest.mark.parametrize("word", ["NaN", "Infinity", "-Infinity"])
def test_what_is_no_number_is_never_read(item_result: ItemResult, word: str) -> None:
    line = encode(item_result).replace('"duration":2.5', f'"duration":{word}')
    with pytest.raises(StoreError, match=word):
        decode(line, "r.jsonl:7")


@pytest.mark.parametrize("number", ["1e999", "1" + "0" * 400])
def test_a_number_too_large_for_a_double_is_refused(item_result: ItemResult, number: str) -> None:
    line = encode(item_result).replace('"duration":2.5', f'"duration":{number}')
    with pytest.raises(StoreError, match="finite"):
        decode(line)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("item", 3),
        ("duration", "2"),
        ("duration", True),
        ("verdict", "maybe"),
        ("conditions", [("a", "b")]),
        ("conditions", {1: "x"}),
        ("traces", ["a"]),
        ("measures", ("m", "n")),
        ("repeats", (1.0, 1.0)),
    ],
)
def test_a_value_of_another_type_is_not_written(
    item_result: ItemResult, field: str, value: object
) -> None:
    with pytest.raises(StoreError, match=f"cannot record a 'item' entry: {field}"):
        encode(replace(item_result, **{field: value}))  # type: ignore[arg-type]


def test_the_message_names_the_place_and_the_path_within_the_entry(item_result: ItemResult) -> None:
    line = encode(item_result).replace('"rule":"guarded"', '"rule":"lenient"')
    with pytest.raises(
        StoreError,
        match=r"r\.jsonl:7: item entry: judgements\[1\]\.band\.rule: expected one of 'simple', "
        r"'guarded', found 'lenient'",
    ):
        decode(line, "r.jsonl:7")


@pytest.mark.parametrize("line", ["", "{", "null", "[]", '"x"', "12", '{"kind":"item"', "\x00"])
def test_what_is_no_entry_is_refused_with_its_place(line: str) -> None:
    with pytest.raises(StoreError, match=r"^r\.jsonl:7: "):
        decode(line, "r.jsonl:7")


@pytest.mark.parametrize("kind", ['"surprise"', "null", "3", "{}", '""'])
def test_an_unknown_kind_is_refused(kind: str) -> None:
    with pytest.raises(StoreError, match=r"unknown kind of entry .* expected one of run-start"):
        decode(f'{{"kind":{kind}}}')


def test_a_newer_schema_is_refused_and_an_older_one_read(run_start: RunStart) -> None:
    newer = encode(replace(run_start, schema=SCHEMA + 1))
    with pytest.raises(StoreError, match=f"schema {SCHEMA + 1} is newer than {SCHEMA}"):
        decode(newer, "r.jsonl:1")
    assert decode(encode(replace(run_start, schema=0))) == replace(run_start, schema=0)


def test_a_newer_schema_is_named_even_if_its_fields_are_unknown(run_start: RunStart) -> None:
    line = encode(replace(run_start, schema=SCHEMA + 1)).replace('"seed"', '"sseed"')
    with pytest.raises(StoreError, match="newer"):
        decode(line)


def test_unknown_and_missing_fields_are_named(item_start: ItemStart) -> None:
    line = encode(item_start).replace('"utc"', '"time"')
    with pytest.raises(StoreError, match="unknown field 'time', field 'utc' is missing"):
        decode(line)


def test_a_field_with_a_default_may_be_missing() -> None:
    assert decode('{"kind":"note","utc":"u","text":"t"}') == Note(utc="u", text="t")


def test_what_the_core_types_refuse_is_refused(item_result: ItemResult) -> None:
    line = encode(item_result).replace('"high":3.5', '"high":null')
    with pytest.raises(StoreError, match="a band needs at least one finite limit"):
        decode(line)


def test_repeats_must_match_the_measures_both_ways(item_result: ItemResult) -> None:
    with pytest.raises(StoreError, match="1 repeats for 2 measures"):
        encode(replace(item_result, repeats=(1,)))
    line = encode(item_result).replace('"repeats":[1,1]', '"repeats":[1,1,1]')
    with pytest.raises(StoreError, match="3 repeats for 2 measures"):
        decode(line)


def test_every_field_of_every_kind_is_written(
    run_start: RunStart, item_start: ItemStart, item_result: ItemResult
) -> None:
    for entry in (run_start, item_start, item_result):
        assert list(json.loads(encode(entry)))[1:] == [field.name for field in fields(entry)]
