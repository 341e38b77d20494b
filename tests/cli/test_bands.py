from __future__ import annotations

import json
import re
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from hil.cli import main as cli
from hil.cli.plan_edit import band_entries, unified, with_limits
from hil.core.errors import HarnessError, PlanError
from hil.core.measure import Measure, Outcome
from hil.core.record import ItemResult, RunEnd, RunStart
from hil.core.verdict import Verdict
from hil.measures.catalogue import KINDS, definitions
from hil.plan.kick import KICK
from hil.plan.load import load_plan, load_rig
from hil.plan.source import Position
from hil.store.folder import RunFolder

SHIPPED = Path(__file__).parents[2] / "testplans"
UTC = "2026-03-01T22:15:09.123Z"
UNITS = {kind: {name: d.unit for name, d in definitions(kind).items()} for kind in KINDS}

PLAN = f"""\
# Starts of the dosing pump.   (odd   spacing stays)
format: 1
plan: night
rig: {SHIPPED.as_posix()}/rigs/dosing-pump.yaml
defaults:
  bands: {{telemetry-loss: {{max: 2 %}}}}
scenarios:
  - id: start
    scenario: start
    speed: 2000 rpm
    matrix: {{direction: [cw, ccw]}}
    bands:
      success: {{exactly: 1}}
      time-to-speed: {{max: '800 ms', requirement: R-1}}
      peak-current:   # first the one direction
        - {{max: 3 A, when: {{direction: cw}}}}
        - {{min: 0.5 A, max: 4 A, when: {{direction: ccw}}}}
      overshoot: &small {{max: 10 %}}   # of the step; used twice
  - id: again
    scenario: start
    speed: 1000 rpm
    bands: {{success: {{exactly: 1}}, overshoot: *small}}
"""


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "night.plan.yaml"
    path.write_text(PLAN)
    return path


def _conditions(plan: Path) -> dict[str, dict[str, str]]:
    loaded = load_plan(plan)
    assert loaded.rig_path is not None
    items, _entries = band_entries(loaded, load_rig(loaded.rig_path), UNITS)
    return {item.id: item.describe() for item in items}


MakeRun = Callable[..., Path]


@pytest.fixture
def make_run(tmp_path: Path, plan: Path) -> MakeRun:
    """Write a run of the plan: measures by item, moved a little from run to run."""
    conditions = _conditions(plan)

    def make(
        name: str,
        step: float = 0.0,
        *,
        simulated: bool = False,
        rig: str = "dosing-pump",
        items: Sequence[str] = ("start.cw", "start.ccw", "again"),
        verdict: Verdict = Verdict.PASS,
        supply: str = "",
        seed: int = 0,
    ) -> Path:
        with RunFolder.create(tmp_path, name) as folder:
            folder.append(
                RunStart(run=name, utc=UTC, simulated=simulated, bench="b", rig=rig, seed=seed)
            )
            for item in items:
                told = dict(conditions[item])
                if supply:
                    told["supply"] = supply
                folder.append(
                    ItemResult(
                        item=item, scenario="start", plan="night", title="", conditions=told,
                        verdict=verdict, reason="", utc=UTC, duration=1.0,
                        measures=(
                            Measure("success", "1", 1.0),
                            Measure("time-to-speed", "s", 0.4 + 0.001 * step, 0.002, 0.002),
                            Measure("peak-current", "A", 2.0 + 0.01 * step, 0.02, 0.01),
                            Measure("overshoot", "%", 4.0 + 0.1 * step, 0.1, 0.1),
                            Measure.absent("telemetry-loss", "%", Outcome.NOT_APPLICABLE, ""),
                        ),
                    )
                )  # fmt: skip
            folder.append(RunEnd(utc=UTC, reason="completed", counts={}))
            return folder.path

    return make


@pytest.fixture
def runs(make_run: MakeRun) -> list[str]:
    return [str(make_run(f"night-{n}", step)) for n, step in enumerate((0, 1, -1, 2, -2, 0.5))]


@pytest.fixture
def hil(monkeypatch: pytest.MonkeyPatch) -> Callable[..., int]:
    """Run ``hil bands`` and return its exit code."""
    monkeypatch.setitem(cli.COMMANDS, "bands", ("hil.cli.bands", "bands", "Propose bands."))

    def run(*arguments: str) -> int:
        with pytest.raises(SystemExit) as left:
            cli.main(["bands", *arguments])
        return int(left.value.code or 0)

    return run


def _changed(diff: str) -> list[tuple[str, str]]:
    """Removed and added lines of a diff, paired."""
    old = [line[1:] for line in diff.splitlines() if re.match(r"-(?!--)", line)]
    new = [line[1:] for line in diff.splitlines() if re.match(r"\+(?!\+\+)", line)]
    return list(zip(old, new, strict=True))


def test_it_proposes_and_leaves_the_plan_alone(
    hil: Callable[..., int],
    plan: Path,
    runs: list[str],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    diff_file = tmp_path / "bands.diff"
    assert hil(*runs, "--plan", str(plan), "--diff", str(diff_file)) == 0
    said = capsys.readouterr().out
    assert plan.read_text() == PLAN
    assert "6 runs of rig dosing-pump, 3 of the 3 items of the plan" in said
    assert "peak-current at most 3 A -> at most 2.1" in said
    assert "start.ccw: 6 values of 6 runs, mean 2.001 A" in said
    assert "past results: 6 pass now, 6 pass with the proposed band" in said
    assert re.search(r"in the long run, .* outside it and passed, .* \(JCGM 106, 9\.5\)", said)
    assert "time-to-speed stays at most 0.8 s: stands for R-1" in said
    assert "telemetry-loss stays at most 2 %: it applies to none of its items" in said
    assert "2 bands of counts and exact values stay" in said
    changed = _changed(diff_file.read_text())
    assert [old.strip() for old, _new in changed] == [
        "- {max: 3 A, when: {direction: cw}}",
        "- {min: 0.5 A, max: 4 A, when: {direction: ccw}}",
        "overshoot: &small {max: 10 %}   # of the step; used twice",
    ]
    for old, new in changed:
        number = r"[0-9.]+"
        assert re.sub(number, "N", old) == re.sub(number, "N", new)


def test_written_the_plan_reads_as_proposed(
    hil: Callable[..., int], plan: Path, runs: list[str], tmp_path: Path
) -> None:
    facts_file = tmp_path / "bands.json"
    options = ("--plan", str(plan), "--write", "--requirements", "--json", str(facts_file))
    assert hil(*runs, *options) == 0
    facts = json.loads(facts_file.read_text())
    proposed = {b["line"]: b["proposed"] for b in facts["bands"] if b["proposed"]}
    rig = load_rig(SHIPPED / "rigs" / "dosing-pump.yaml")
    _items, entries = band_entries(load_plan(plan), rig, UNITS)
    for entry in entries:
        if entry.position.line in proposed:
            wanted = proposed.pop(entry.position.line)
            assert entry.band.low == pytest.approx(wanted["min"])
            assert entry.band.high == pytest.approx(wanted["max"])
    assert not proposed
    text = plan.read_text()
    assert "(odd   spacing stays)" in text
    assert "# of the step; used twice" in text
    assert "*small" in text
    assert re.search(r"max: '4\d\d ms', requirement: R-1", text)
    assert hil(*runs, *options) == 0  # nothing further to change
    assert plan.read_text() == text


def test_a_shared_band_fits_all_its_items(
    hil: Callable[..., int], plan: Path, make_run: MakeRun, runs: list[str], tmp_path: Path
) -> None:
    # Six more runs in which one of three items overshoots more.
    more = [str(make_run(f"more-{n}", 20 + n % 3, items=["again"])) for n in range(6)]
    facts = []
    for name, folders in (("few", runs), ("all", [*runs, *more])):
        file = tmp_path / f"{name}.json"
        assert hil(*folders, "--plan", str(plan), "--json", str(file)) == 0
        (band,) = (b for b in json.loads(file.read_text())["bands"] if b["measure"] == "overshoot")
        facts.append(band)
    assert facts[1]["proposed"]["max"] > facts[0]["proposed"]["max"]
    assert facts[1]["proposed"]["max"] == max(i["proposed"]["max"] for i in facts[1]["items"])
    assert [len(item["runs"]) for item in facts[1]["items"]] == [6, 6, 12]
    assert all(set(item["past-proposed"]) == {"pass"} for item in facts[1]["items"])
    for item in facts[1]["items"]:
        assert set(item["long-run"]) == {"nonconforming", "consumer", "producer"}
        assert all(0.0 <= share < 0.05 for share in item["long-run"].values())


def test_a_band_with_an_item_without_data_stays(
    hil: Callable[..., int], plan: Path, make_run: MakeRun, capsys: pytest.CaptureFixture[str]
) -> None:
    folders = [str(make_run(f"r{n}", n, items=["start.cw", "start.ccw"])) for n in range(6)]
    assert hil(*folders, "--plan", str(plan)) == 0
    said = capsys.readouterr().out
    assert "overshoot stays at most 10 %: again: 0 values, of which it takes 5" in said
    assert "peak-current 0.5 to 4 A -> " in said


def test_simulated_and_bench_runs_are_never_mixed(
    hil: Callable[..., int],
    plan: Path,
    make_run: MakeRun,
    runs: list[str],
    capsys: pytest.CaptureFixture[str],
) -> None:
    twin = make_run("virtual", simulated=True)
    for order in ([*runs, str(twin)], [str(twin), *runs]):
        assert hil(*order, "--plan", str(plan), "--write") == 2
        said = " ".join(capsys.readouterr().err.split())
        assert "run virtual is SIMULATED and run night-" in said
    assert plan.read_text() == PLAN


def test_runs_of_another_rig_are_refused(
    hil: Callable[..., int],
    plan: Path,
    make_run: MakeRun,
    runs: list[str],
    capsys: pytest.CaptureFixture[str],
) -> None:
    other = make_run("elsewhere", rig="big-pump")
    assert hil(*runs, str(other), "--plan", str(plan)) == 2
    assert "run elsewhere is of rig big-pump" in " ".join(capsys.readouterr().err.split())


def test_simulated_runs_say_so_and_repeated_seeds_are_named(
    hil: Callable[..., int], plan: Path, make_run: MakeRun, capsys: pytest.CaptureFixture[str]
) -> None:
    folders = [str(make_run(f"v{n}", n, simulated=True, seed=n // 5)) for n in range(6)]
    assert hil(*folders, "--plan", str(plan)) == 0
    said = capsys.readouterr().out
    assert said.startswith("SIMULATED: no motor turned.")
    assert "5 runs have the seed 0, and where one repeats another its values count twice: v" in said
    assert said.count("have the seed") == 1  # the sixth is alone with its own


def test_a_run_named_twice_counts_once(
    hil: Callable[..., int], plan: Path, runs: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert hil(*runs, *runs, f"{runs[0]}/record.jsonl", "--plan", str(plan)) == 0
    assert "6 runs of rig" in capsys.readouterr().out


def test_what_was_left_out_is_named(
    hil: Callable[..., int],
    plan: Path,
    make_run: MakeRun,
    runs: list[str],
    capsys: pytest.CaptureFixture[str],
) -> None:
    broken = make_run("broken", 50, verdict=Verdict.BENCH_FAULT, items=["again"])
    other = make_run("other", 50, supply="20 V", items=["again"])
    assert hil(*runs, str(broken), str(other), "--plan", str(plan)) == 0
    said = capsys.readouterr().out
    assert "run broken: again: bench-fault" in said
    assert "run other: again: run with supply 20 V, now planned with 24 V" in said


def test_room_and_claims_are_options(
    hil: Callable[..., int], plan: Path, runs: list[str], tmp_path: Path
) -> None:
    def limit(*options: str) -> float:
        file = tmp_path / "x.json"
        assert hil(*runs, "--plan", str(plan), "--json", str(file), *options) == 0
        (band,) = (b for b in json.loads(file.read_text())["bands"] if b["measure"] == "overshoot")
        return float(band["proposed"]["max"])

    usual = limit()
    assert limit("--coverage", "90 %", "--confidence", "80") < usual
    assert limit("--room", "100 %") >= 8.0
    assert limit("--room-of", "overshoot=5 %") >= 9.0


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--coverage", "5 V"], "expected a ratio"),
        (["--room-of", "nonsense=5 %"], "there is no measure 'nonsense'"),
        (["--room-of", "overshoot=5 V"], "overshoot: expected a ratio"),
        (["--room-of", "overshoot"], "overshoot: expected a ratio"),
    ],
    ids=["unit", "measure", "quantity", "nothing"],
)
def test_a_misused_command_line(
    hil: Callable[..., int],
    plan: Path,
    runs: list[str],
    capsys: pytest.CaptureFixture[str],
    options: list[str],
    says: str,
) -> None:
    assert hil(*runs, "--plan", str(plan), *options) == 2
    assert says in " ".join(capsys.readouterr().err.split())


@pytest.mark.parametrize("options", [["--coverage", "100 %"], ["--confidence", "0 %"]])
def test_impossible_claims_are_a_misuse_too(
    hil: Callable[..., int], plan: Path, runs: list[str], options: list[str]
) -> None:
    assert hil(*runs, "--plan", str(plan), *options) == 2


def test_no_run_is_a_misuse(hil: Callable[..., int], plan: Path) -> None:
    assert hil("--plan", str(plan)) == 2


def test_runs_of_another_plan_are_named(
    hil: Callable[..., int], plan: Path, runs: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    plan.write_text(PLAN.replace("plan: night", "plan: day"))
    assert hil(*runs, "--plan", str(plan)) == 2
    assert "expected runs of plan day, found runs of night" in capsys.readouterr().err


def test_a_wrong_plan_is_named(hil: Callable[..., int], plan: Path, runs: list[str]) -> None:
    plan.write_text(PLAN.replace("time-to-speed", "time-to-sped"))
    assert hil(*runs, "--plan", str(plan)) == 2


@pytest.mark.parametrize("name", ["nightly", "smoke"])
def test_every_band_of_the_shipped_plans_is_found(name: str) -> None:
    plan = load_plan(SHIPPED / f"{name}.plan.yaml")
    assert plan.rig_path is not None
    items, entries = band_entries(plan, load_rig(plan.rig_path), UNITS)
    by_item = {item.id: {e.band for e in entries if item.id in e.items} for item in items}
    assert all(by_item[item.id] <= set(item.bands) for item in items)
    # One band stands in no plan: that on the kick of a start where the plan says nothing of it.
    unwritten = {band.measure for item in items for band in set(item.bands) - by_item[item.id]}
    assert unwritten == {KICK}


def test_what_a_rig_leaves_out_of_a_plan_has_no_band() -> None:
    plan = load_plan(SHIPPED / "smoke.plan.yaml")
    rig = load_rig(SHIPPED / "rigs" / "dosing-pump-foc.yaml")
    items, entries = band_entries(plan, rig, UNITS)
    assert "start.back-emf" not in {item.id for item in items}
    by_item = {item.id: {e.band for e in entries if item.id in e.items} for item in items}
    assert by_item == {item.id: set(item.bands) for item in items}


@pytest.mark.parametrize("name", ["nightly", "smoke"])
def test_every_limit_of_the_shipped_plans_can_be_changed(name: str, tmp_path: Path) -> None:
    path = SHIPPED / f"{name}.plan.yaml"
    plan = load_plan(path)
    assert plan.rig_path is not None
    rig, text = load_rig(plan.rig_path), path.read_text()
    _items, entries = band_entries(plan, rig, UNITS)
    changes = {
        place: 1.5 * limit + 1.0
        for entry in entries
        if entry.band.unit != "1"
        for place, limit in ((entry.low, entry.band.low), (entry.high, entry.band.high))
        if place is not None and limit is not None
    }
    unit_of = {p: e.band.unit for e in entries for p in (e.low, e.high) if p is not None}
    edited = with_limits(text, changes, unit_of)
    copy = tmp_path / path.name
    copy.write_text(edited.replace("rig: rigs/", f"rig: {SHIPPED.as_posix()}/rigs/"))
    _items, after = band_entries(load_plan(copy), rig, UNITS)
    for old, new in zip(entries, after, strict=True):
        for place, before, now in (
            (old.low, old.band.low, new.band.low),
            (old.high, old.band.high, new.band.high),
        ):
            assert now == (pytest.approx(changes[place]) if place in changes else before)
    # Nothing but numbers changed.
    number = re.compile(r"\d+(\.\d+)?(e-?\d+)?")
    assert number.sub("N", edited).replace("-N", "N") == number.sub("N", text).replace("-N", "N")


def test_a_place_without_a_limit_is_a_defect_of_ours() -> None:
    place = Position("x", 1, 3)
    with pytest.raises(HarnessError, match="expected the limit of a band"):
        with_limits("a: 1 V\n", {place: 2.0}, {place: "V"})


def test_a_diff_can_be_applied_and_is_empty_without_change() -> None:
    assert unified(Path("p"), "a\n", "a\n") == ""
    assert unified(Path("p"), "a\nb", "a\nc").splitlines() == [
        "--- a/p", "+++ b/p", "@@ -1,2 +1,2 @@", " a",
        "-b", "\\ No newline at end of file", "+c", "\\ No newline at end of file",
    ]  # fmt: skip


def test_an_unreadable_plan(tmp_path: Path) -> None:
    from hil.cli.plan_edit import read_text

    with pytest.raises(PlanError, match="cannot be read"):
        read_text(tmp_path / "none")
