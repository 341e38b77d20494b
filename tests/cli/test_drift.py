from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from ci.history import Change, make_history
from ci.history_items import items_of
from hil.cli import main as cli
from hil.cli.drift import drift
from hil.cli.drift_told import told
from hil.report.history import changes_of
from hil.store.index import open_index
from hil.store.index.rows import Series, SeriesKey

ITEM, MEASURE = "start.hall.cw.500rpm", "time-to-speed"


@pytest.fixture(scope="module")
def quiet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return _index(tmp_path_factory.mktemp("quiet"), [])


@pytest.fixture(scope="module")
def changed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return _index(tmp_path_factory.mktemp("changed"), [Change(ITEM, MEASURE, 40, 6.0)])


def _index(folder: Path, changes: list[Change], **more: object) -> Path:
    # Benches that had a fault, or a latest run cut short, would be told of, too.
    made = make_history(
        folder / "runs", nights=60, items=2, seed=1, changes=changes, trouble=0.0, cut=0.0, **more
    )
    assert made.folders
    with open_index(folder / "index.db") as index:
        index.rebuild([folder / "runs"])
    return folder / "index.db"


def _run(database: Path, *options: str, width: int = 80) -> Result:
    return CliRunner(env={"COLUMNS": str(width)}).invoke(
        drift, ["--database", str(database), *options], standalone_mode=False
    )


def test_nothing_changed_says_how_much_was_watched_and_how_often_that_is_wrong(quiet):
    found = _run(quiet)
    assert found.return_value == 0, found.output
    text = " ".join(found.output.split())
    assert "Nothing changed: 21 series watched" in text
    assert "one look in 100 still tells of a change" in text
    assert "as before" in text
    assert "7 series not judged: they never vary" in text


def test_a_single_night_is_not_called_one_without_a_change(tmp_path):
    make_history(tmp_path / "runs", nights=1, items=2, seed=1, changes=[], trouble=0.0, cut=0.0)
    with open_index(tmp_path / "index.db") as index:
        index.rebuild([tmp_path / "runs"])
    found = _run(tmp_path / "index.db", "--json", str(tmp_path / "out.json"))
    assert found.return_value == 2, "neither changed nor unchanged"
    assert json.loads((tmp_path / "out.json").read_text())[0]["judged"] == 0
    text = " ".join(found.output.split())
    assert "Nothing can be told yet: no series is long enough to be judged." in text
    assert "nothing can be told of it yet. 28 series not judged" in text
    assert "0 of" not in text
    assert "Nothing changed" not in text
    assert "one look in" not in text
    assert "can be compared" not in text


def test_two_builds_of_one_run_each_may_be_compared_in_the_site(tmp_path):
    make_history(tmp_path / "runs", nights=2, items=2, seed=1, gap=0.0, trouble=0.0, cut=0.0,
                 changes=[Change(ITEM, MEASURE, 1, 6.0)])  # fmt: skip
    with open_index(tmp_path / "index.db") as index:
        index.rebuild([tmp_path / "runs"])
        assert len({run.build for run in index.runs()}) == 2
    found = _run(tmp_path / "index.db")
    assert found.return_value == 2
    assert "can be compared in the site (hil site)" in " ".join(found.output.split())


def test_a_change_is_told_with_its_place_its_size_and_its_build(changed, tmp_path):
    out = tmp_path / "drift.json"
    found = _run(changed, "--json", str(out))
    assert found.return_value == 1, found.output
    assert f"{ITEM}: {MEASURE}" in found.output
    assert "SIMULATED: no motor turned." in found.output
    (bench,) = json.loads(out.read_text())
    (row,) = bench["changes"]
    assert (row["item"], row["measure"], row["unit"]) == (ITEM, MEASURE, "s")
    assert row["sigma"] == pytest.approx(6.0, abs=2.0)
    assert f"build {row['build']}, commit {row['commit'][:12]}" in found.output
    assert row["p"] < 0.01
    assert row["effect"] == "nearer to its limit"
    assert (bench["evidence"], bench["series"], bench["false-share"]) == ("simulated", 28, 0.01)
    assert len(bench["latest"]) == len(bench["scatter"]) == 28


def test_what_one_night_changed_stands_together_though_its_items_began_apart(tmp_path):
    far = [items_of(9, seed=1)[n].name for n in (0, 8)]
    make_history(tmp_path / "runs", nights=60, items=9, seed=1, trouble=0.0, cut=0.0,
                 changes=[Change(item, "peak-current", 40, 9.0) for item in far])  # fmt: skip
    with open_index(tmp_path / "index.db") as index:
        index.rebuild([tmp_path / "runs"])
        runs = {run.run: run for run in index.runs()}
    found = _run(tmp_path / "index.db", "--json", str(tmp_path / "out.json"))
    (bench,) = json.loads((tmp_path / "out.json").read_text())
    rows = bench["changes"]
    assert {row["item"] for row in rows} == set(far)
    assert len({row["utc"][:16] for row in rows}) == 2, "not within the same minute"
    (run,) = {row["run"] for row in rows}
    heads = [line for line in found.output.splitlines() if line.endswith(" on")]
    assert heads == [
        f"build {runs[run].build}, commit {runs[run].commit[:12]}, "
        f"from {runs[run].utc[:16].replace('T', ' ')} on"
    ]


def test_the_builds_between_which_to_search_hold_the_change(changed, tmp_path):
    out = tmp_path / "drift.json"
    _run(changed, "--json", str(out))
    (row,) = json.loads(out.read_text())[0]["changes"]
    with open_index(changed) as index:
        builds = [run.build for run in sorted(index.runs(), key=lambda run: run.utc)]
        first = next(r.build for r in sorted(index.runs(), key=lambda r: r.utc)
                     if r.utc >= "2025-04-10")  # fmt: skip
    order = list(dict.fromkeys(builds))
    assert order.index(row["build-good"]) < order.index(first) <= order.index(row["build-bad"])


def test_only_changes_since_a_build_count(changed):
    with open_index(changed) as index:
        runs = sorted(index.runs(), key=lambda run: run.utc)
    found = _run(changed, "--since", runs[-1].build)
    assert found.return_value == 0, found.output
    assert "Nothing changed since" in found.output
    assert _run(changed, "--since", runs[0].build).return_value == 1


def test_an_unknown_build_is_told_with_the_last_ones(changed):
    found = _run(changed, "--since", "9.9.9")
    assert "no run of build '9.9.9'; the last builds are" in str(found.exception)


@pytest.mark.parametrize("share", ["0 %", "70 %", "never"])
def test_a_share_that_is_none(changed, share):
    found = _run(changed, "--false-alarms", share)
    assert found.exception is not None


def test_filters_leave_less_to_be_watched(changed):
    found = _run(changed, "--item", ITEM, "--measure", MEASURE, "--rig", "dosing-pump")
    assert "1 series in" in found.output
    assert found.return_value == 1
    nothing = _run(changed, "--evidence", "bench", "--item", ITEM)
    assert f"holds no figures of evidence bench, item {ITEM}" in str(nothing.exception)


def test_a_rig_that_has_no_runs_is_told_with_those_that_have(changed, tmp_path):
    nothing = _run(changed, "--rig", "nope")
    assert "has no run of rig 'nope'; its rigs are dosing-pump" in str(nothing.exception)
    open_index(tmp_path / "index.db").close()
    empty = _run(tmp_path / "index.db", "--rig", "nope")
    assert "has no run of rig 'nope'; it is empty" in str(empty.exception)


def test_a_build_that_was_not_reported_has_a_name_among_the_last_ones(tmp_path):
    made = make_history(tmp_path / "runs", nights=3, items=1, seed=1, changes=[], gap=0.0, cut=0.0)
    record = made.folders[-1] / "record.jsonl"
    text = record.read_text().replace(f'"revision":"{made.builds[-1]}"', '"revision":""')
    record.write_text(text)
    with open_index(tmp_path / "index.db") as index:
        index.rebuild([tmp_path / "runs"])
    found = _run(tmp_path / "index.db", "--since", "9.9")
    assert str(found.exception).endswith(f"{made.builds[0]}, not reported")


def _nights(plan: str, item: str, values: list[float], first: int) -> Series:
    """A series of one figure a night, from night `first` on."""
    count, day = len(values), np.timedelta64(1, "D")

    def text(of: list[str]) -> np.ndarray:
        return np.array(of, dtype=object)

    return Series(
        key=SeriesKey(
            rig="pump",
            evidence="bench",
            plan=plan,
            item=item,
            measure="time-to-speed",
            unit="s",
        ),
        run=text([f"{plan}-{first + n}" for n in range(count)]),
        utc=np.datetime64("2026-01-01T22:00", "ms") + (np.arange(count) + first) * day,
        build=text(["1.0"] * count),
        commit=text([""] * count),
        repeat=np.ones(count, dtype=np.int64),
        value=np.array(values),
        uncertainty=np.full(count, 0.01),
        low=np.full(count, np.nan),
        high=np.full(count, np.nan),
        verdict=text([""] * count),
        outcome=text(["value"] * count),
    )


def test_a_partial_latest_run_is_told_apart(tmp_path):
    made = make_history(tmp_path / "runs", nights=60, items=2, seed=1, changes=[], trouble=0.0,
                        cut=0.0)  # fmt: skip
    record = made.folders[-1] / "record.jsonl"
    first, rest = record.read_text().split("\n", 1)
    left = {"plan": "nightly", "why": "deselected", "items": {"a": [], "b": [], "c": []}}
    record.write_text(json.dumps(json.loads(first) | {"omitted": [left]}) + "\n" + rest)
    with open_index(tmp_path / "index.db") as index:
        index.rebuild([tmp_path / "runs"])
    out = tmp_path / "drift.json"
    text = " ".join(_run(tmp_path / "index.db", "--json", str(out)).output.split())
    assert ", partial: 3 planned items deselected): " in text[text.index("Latest run") :]
    said = {made.folders[-1].name: "partial: 3 planned items deselected"}
    assert json.loads(out.read_text())[0]["partial"] == said


def test_the_latest_run_of_one_plan_says_nothing_of_the_items_of_another(capsys):
    chance = np.random.default_rng(1)
    values = [float(value) for value in 1.0 + 0.01 * chance.standard_normal(30)]
    watch = changes_of([
        _nights("nightly", "start.hall", values, first=10),
        _nights("smoke", "start.hall.cw", [*values[:-1], np.nan], first=0),
    ])  # fmt: skip
    told({("pump", "bench"): watch}, "", {}, {})
    said = " ".join(capsys.readouterr().out.split())
    nightly, smoke = (
        said.index("Latest run of plan nightly"),
        said.index("Latest run of plan smoke"),
    )
    missing = said.index("start.hall.cw: time-to-speed has no value, where it had one before.")
    assert nightly < smoke < missing
    assert "nightly-39 (build 1.0): 1 of 1 series as before." in said
    assert "smoke-29 (build 1.0): 0 of 1 series as before." in said
    told({("pump", "bench"): changes_of([_nights("smoke", "a", values, 0)])}, "", {}, {})
    assert "Latest run smoke-29 (build 1.0)" in " ".join(capsys.readouterr().out.split())


def test_bench_and_simulated_evidence_are_told_apart(tmp_path):
    changes = [Change(ITEM, MEASURE, 40, 6.0)]
    # Another seed: runs of one name would be copies of each other.
    for name, simulated, seed in (("bench", False, 2), ("twin", True, 3)):
        make_history(tmp_path / name, nights=60, items=1, seed=seed, cut=0.0, trouble=0.0,
                     simulated=simulated, changes=[] if simulated else changes)  # fmt: skip
    with open_index(tmp_path / "index.db") as index:
        index.rebuild([tmp_path / "bench", tmp_path / "twin"])
    out = tmp_path / "out.json"
    found = _run(tmp_path / "index.db", "--json", str(out))
    assert found.return_value == 1
    both = {bench["evidence"]: len(bench["changes"]) for bench in json.loads(out.read_text())}
    assert both == {"bench": 1, "simulated": 0}
    before, after = found.output.split("SIMULATED: no motor turned.")
    assert MEASURE in before
    assert "Nothing changed" in after


@pytest.mark.parametrize("width", [60, 80, 300])
def test_lines_fit_the_terminal(changed, width):
    lines = _run(changed, width=width).output.splitlines()
    assert max(map(len, lines)) <= min(width, 100)
    assert not any(line != line.rstrip() for line in lines)


def test_without_an_index_it_says_how_to_make_one(tmp_path, capsys):
    with pytest.raises(SystemExit) as end:
        cli.main(["drift", "--database", str(tmp_path / "none.db")])
    assert end.value.code == 2  # 1 would say that something changed
    assert "hil index" in capsys.readouterr().err
