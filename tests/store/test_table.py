from __future__ import annotations

import csv
import io
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from hil.core.measure import Measure
from hil.core.record import Entry, Identity, ItemResult, ItemStart, RunStart
from hil.core.verdict import Verdict
from hil.store.cells import FORMAT, read
from hil.store.reading import RunRecord
from hil.store.table import COLUMNS, TIMED, judged, measures_csv, measures_frame, timed_csv


@pytest.fixture
def record(run_start: RunStart, item_result: ItemResult) -> RunRecord:
    return _record(run_start, item_result)


def _record(*entries: Entry) -> RunRecord:
    start = entries[0]
    assert isinstance(start, RunStart)
    return RunRecord(Path("r"), start, entries)


def test_one_row_a_measure_and_band(record: RunRecord) -> None:
    frame = measures_frame(record)
    assert tuple(frame.columns) == COLUMNS
    found = frame[["measure", "repeat", "value", "low", "high", "verdict"]].to_numpy().tolist()
    assert found == [
        ["peak-current", 1, "3.7", "", "3.5", "fail"],
        ["peak-current", 1, "3.7", "0.1", "9.0", "pass"],
        ["time-to-speed", 1, "", "", "", ""],
        ["success", 0, "0.0", "1.0", "", "fail"],
    ]
    assert set(frame.evidence) == {"simulated"}
    assert list(frame.outcome) == ["value", "value", "never reached", "value"]
    assert list(frame.requirement) == ["REQ-1", "", "", ""]


def test_the_text_reads_back_to_the_same_numbers(record: RunRecord) -> None:
    frame = pd.read_csv(io.BytesIO(measures_csv(record)))
    assert frame.value.tolist()[:2] == [3.7, 3.7]
    assert frame.margin.tolist()[0] == -0.2
    assert frame.conformance.tolist()[0] == 0.001
    assert frame.uncertainty.tolist()[0] == 0.05


def test_equal_measures_give_equal_bytes_whatever_the_times(
    record: RunRecord, run_start: RunStart, item_start: ItemStart, item_result: ItemResult
) -> None:
    other = _record(
        replace(run_start, run="other", utc="2027-01-01T00:00:00.000Z"),
        replace(item_start, utc="2027"),
        replace(item_result, utc="2027", duration=99.0, traces=("x",)),
    )
    assert measures_csv(other) == measures_csv(record)


def test_with_times_it_is_the_same_table(record: RunRecord, run_start: RunStart) -> None:
    start = replace(run_start, identities=(Identity(role="board", revision="=1+1"),))
    timed = RunRecord(record.path, start, (start, *record.results))
    frame = pd.read_csv(io.BytesIO(timed_csv(timed)), dtype=str, keep_default_na=False)
    assert tuple(frame.columns) == (*TIMED, *COLUMNS)
    assert set(frame.run) == {"r"}
    assert set(frame.began_utc) == {run_start.utc}
    assert set(frame.build.map(read)) == {"=1+1"}
    assert set(frame.item_began_utc) == {result.utc for result in record.results}
    plain = pd.read_csv(io.BytesIO(measures_csv(record)), dtype=str, keep_default_na=False)
    assert frame[list(COLUMNS)].equals(plain)
    assert set(plain["format"]) == {str(FORMAT)}


def test_another_value_gives_other_bytes(
    record: RunRecord, run_start: RunStart, item_result: ItemResult
) -> None:
    nearly = replace(item_result.measures[0], value=3.7000000000000006)
    other = _record(run_start, replace(item_result, measures=(nearly, item_result.measures[1])))
    assert measures_csv(other) != measures_csv(record)


def test_bench_and_simulated_evidence_are_told_apart(
    run_start: RunStart, item_result: ItemResult
) -> None:
    frame = measures_frame(_record(replace(run_start, simulated=False), item_result))
    assert set(frame.evidence) == {"bench"}


def test_a_run_without_measures_is_a_table_with_columns_only(run_start: RunStart) -> None:
    assert measures_csv(_record(run_start)).decode() == ",".join(COLUMNS) + "\n"


@given(st.text("a,\"'\r\n\0\v\x85\u2028=-@+;\t ", max_size=12), st.sampled_from([None, ""]))
@example("REQ\r1", "")
def test_every_reader_finds_the_rows_that_were_written(text: str, newline: str | None) -> None:
    start = RunStart(run="r", utc="", simulated=True, bench="", rig="")
    found = ItemResult(
        item="i", scenario="start", plan="p", title="", conditions={}, verdict=Verdict.PASS,
        reason="", utc="", duration=1.0, measures=(Measure("m", "V", 1.5, detail=text),) * 2,
        repeats=(1, 2),
    )  # fmt: skip
    content = measures_csv(_record(start, found)).decode()
    rows = list(csv.reader(io.StringIO(content, newline=newline)))
    assert [len(row) for row in rows] == [len(COLUMNS)] * 3
    told = text.replace("\r", "\\r").replace("\0", "\\x00")
    assert [read(row[COLUMNS.index("detail")]) for row in rows[1:]] == [told, told]


def test_odd_text_is_quoted(run_start: RunStart, item_result: ItemResult) -> None:
    odd = Measure("m", "V", 1.0, detail='a "b", c\nd \ud800 µ')
    csv = measures_csv(_record(run_start, replace(item_result, measures=(odd,), repeats=(1,))))
    frame = pd.read_csv(io.BytesIO(csv))
    assert frame.detail[0] == 'a "b", c\nd \\ud800 µ'


@given(*[st.text(st.characters(codec=None), max_size=8)] * 3)
def test_the_text_is_what_the_table_library_writes(name: str, unit: str, detail: str) -> None:
    start = RunStart(run="r", utc="", simulated=True, bench="", rig="")
    found = ItemResult(
        item=name, scenario=unit, plan="p", title="", conditions={}, verdict=Verdict.PASS,
        reason="", utc="", duration=1.0, measures=(Measure(name, unit, 1.5, detail=detail),),
        repeats=(1,),
    )  # fmt: skip
    record = _record(start, found)
    written = measures_frame(record).to_csv(index=False, lineterminator="\n")
    assert measures_csv(record) == written.encode()


def test_equal_measures_of_two_repetitions_keep_their_own_judgement(
    item_result: ItemResult,
) -> None:
    peak = item_result.measures[0]
    second = replace(item_result.judgements[1], repeat=2)
    result = replace(
        item_result,
        measures=(peak, peak),
        repeats=(1, 2),
        judgements=(item_result.judgements[1], second),
    )
    found = list(judged(result))
    assert found == [(peak, 1, item_result.judgements[1]), (peak, 2, second)]


def test_measures_without_repeats_belong_to_the_item(item_result: ItemResult) -> None:
    found = list(judged(replace(item_result, repeats=(), judgements=())))
    assert [(repeat, judgement) for _, repeat, judgement in found] == [(0, None), (0, None)]
