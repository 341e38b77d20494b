from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hil.core.trace import Trace
from hil.report.site.compare import (
    Compared,
    address,
    chosen,
    compare_pieces,
    drawn,
    handed,
    pairs,
)
from hil.report.site.gather import Gathered
from hil.report.site.shell import page_of
from hil.report.site.views import Strand
from hil.store.traces import trace_bytes

BENCH = Strand("pump", "bench")


@pytest.fixture
def one(
    tmp_path: Path, make_strand: Callable[..., Gathered], make_trace: Callable[..., Trace]
) -> Gathered:
    """Thirty runs, good up to the 21st; the last four and the 20th have traces."""
    found = make_strand(BENCH, 30)
    folders = dict(found.folders)
    for n in (19, 26, 27, 28, 29):
        folder = tmp_path / found.runs[n].run
        (folder / "traces").mkdir(parents=True)
        for name in ("start.hall.cw.24v.1", "start.hall.cw.24v.2", "stall.locked.1"):
            data = trace_bytes(make_trace(seed=n))
            (folder / "traces" / f"{name}.parquet").write_bytes(data)
        folders[found.runs[n].run] = str(folder)
    return replace(found, folders=folders)


def value_of(script: bytes) -> tuple[str, Any]:
    text = script.decode("ascii")
    assert text.startswith("hand.apply(null,")
    assert text.endswith(");\n")
    name, value = json.loads(text.removeprefix("hand.apply(null,")[:-3])
    return name, value


def numbers(some: tuple[Compared, ...], one: Gathered) -> list[int]:
    return [one.runs.index(c.run) for c in some]


def test_the_newest_runs_and_the_last_good_one_are_chosen(one: Gathered) -> None:
    assert numbers(chosen(one, 2), one) == [19, 28, 29]
    assert numbers(chosen(one, 9), one) == [19, 26, 27, 28, 29]


def test_a_good_run_among_the_newest_is_enough(one: Gathered) -> None:
    good = replace(one.runs[28], counts={"pass": 3})
    mended = replace(one, runs=(*one.runs[:28], good, one.runs[29]))
    assert numbers(chosen(mended, 2), mended) == [28, 29]


def test_runs_without_traces_are_passed_over(one: Gathered) -> None:
    away = replace(one, folders={**one.folders, one.runs[29].run: "/gone"})
    assert numbers(chosen(away, 1), away) == [19, 28]
    assert chosen(replace(one, folders={}), 5) == ()


def test_an_item_run_again_has_its_last_trace(one: Gathered) -> None:
    folder = Path(one.folders[one.runs[29].run], "traces")
    for name in ("stall.locked.1-2", "stall.locked.1-10", "stall.locked.4", "readme"):
        (folder / f"{name}.parquet").write_bytes(b"")
    last = chosen(one, 1)[-1]
    assert last.traces["stall.locked", 1].name == "stall.locked.1-10.parquet"
    assert ("stall.locked", 4) not in last.traces  # three repetitions are enough
    assert last.items == ("stall.locked", "start.hall.cw.24v")


def test_each_run_is_paired_with_earlier_ones(one: Gathered) -> None:
    found = pairs(chosen(one, 2), one.runs)
    names = [one.runs[n].run for n in (19, 28, 29)]
    assert {run: set(others) for run, others in found.items()} == {
        names[0]: set(),
        names[1]: {names[0]},
        names[2]: {names[0], names[1]},
    }
    assert found[names[2]][names[1]] == address(names[2], names[1])
    assert address("b", "a", "x y&z") == "a=a&b=b&item=x%20y%26z"


def test_the_data_of_the_page(one: Gathered) -> None:
    some = chosen(one, 2)
    pieces = {
        p.path: p for p in compare_pieces(page_of("compare.html", (), [BENCH]), [(one, some)])
    }
    name, listed = value_of(pieces["compare-data.js"].make())
    assert name == "runs"
    assert [entry["run"] for entry in listed] == [c.run.run for c in some]
    assert listed[-1]["items"]["start.hall.cw.24v"] == ["start.hall.cw.24v", 2]
    assert [entry["good"] for entry in listed] == [True, False, False]
    run = some[-1].run.run
    name, measures = value_of(pieces[f"traces/{run}/measures.js"].make())
    assert name == f"measures {run}"
    measure, unit, value, spread, verdict, page = measures["start.hall.cw.24v"][0]
    assert (measure, unit, verdict) == ("time-to-speed", "s", "pass")
    assert value == pytest.approx(1.0, abs=0.1)
    assert spread == pytest.approx(0.008)
    assert page.startswith("measures/")
    name, trace = value_of(pieces[f"traces/{run}/stall.locked.1.js"].make())
    assert name == f"trace {run} stall.locked 1"
    assert trace["marks"] == [["supply-on", 0.02], ["command", 0.1], ["stop", 2.9]]
    assert [panel["title"] for panel in trace["panels"]][:2] == ["Speed", "Current"]
    assert len(pieces) == 3 + 3 * (1 + 3)


def test_runs_of_one_minute_are_told_apart(one: Gathered) -> None:
    close = replace(one.runs[28], utc=one.runs[29].utc.replace(":00Z", ":41Z"))
    runs = (*one.runs[:28], close, one.runs[29])
    page = page_of("compare.html", (), [BENCH])
    pieces = {p.path: p for p in compare_pieces(page, [(one, chosen(replace(one, runs=runs), 3))])}
    _, listed = value_of(pieces["compare-data.js"].make())
    assert [run["night"] for run in listed[-2:]] == [f"{close.night}:41", f"{close.night}:00"]
    assert listed[0]["night"] == one.runs[19].night


def test_a_trace_is_made_again_only_when_its_file_changes(one: Gathered) -> None:
    def stamp() -> str:
        some = chosen(one, 1)
        page = page_of("compare.html", (), [BENCH])
        run = some[-1].run.run
        return next(
            p.stamp for p in compare_pieces(page, [(one, some)]) if f"{run}/stall" in p.path
        )

    before = stamp()
    assert before == stamp() != ""
    file = Path(one.folders[one.runs[29].run], "traces", "stall.locked.1.parquet")
    file.write_bytes(file.read_bytes() + b"x")
    assert stamp() != before


def test_an_unreadable_trace_is_said(tmp_path: Path) -> None:
    (tmp_path / "x.parquet").write_bytes(b"no trace")
    assert drawn(tmp_path / "x.parquet")["problem"] == "the trace file is not readable"


def test_what_is_handed_over_cannot_end_the_script() -> None:
    script = handed("x", "</script><b>\u2028\ud800")
    assert b"</script" not in script
    assert value_of(script)[1] == "</script><b>\u2028\ud800"
    with pytest.raises(ValueError, match="not JSON compliant"):
        handed("x", float("nan"))
