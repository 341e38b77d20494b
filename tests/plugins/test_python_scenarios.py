"""Scenarios written in Python, with the fixtures for the opened rig."""

from fnmatch import fnmatch
from pathlib import Path

import pytest

from hil.core.record import ItemStart
from hil.core.verdict import Verdict
from hil.store.traces import read_trace

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"


def write(lab, body: str, name: str = "test_dose") -> str:
    lines = "\n".join(f"    {line}" for line in body.strip().splitlines())
    (lab.path / f"{name}.py").write_text(
        f"import pytest\n\npytestmark = pytest.mark.hil(rig={str(RIG)!r})\n\n\n"
        f"def test_it(hil_script, hil_bench):\n{lines}\n",
        encoding="utf-8",
    )
    return f"{name}.py"


PREPARED = """
hil_script.prepare(voltage=24.0, sensing="hall")
measured = hil_script.start(1000.0, hold=0.4)
"""


def test_bands_that_hold_pass_and_are_recorded(lab) -> None:
    file = write(
        lab,
        PREPARED
        + """
assert hil_script.judge(measured["success"], low=1.0).value == "pass"
measured = hil_script.speed_step(1500.0, hold=0.4)
hil_script.judge(measured["overshoot"], high=80.0)
""",
    )
    result = lab.run(file)
    result.assert_outcomes(passed=1)
    found = lab.result
    assert (found.item, found.scenario, found.plan) == ("test_dose.test_it", "script", file)
    assert (found.verdict, found.reason) == (Verdict.PASS, "all 2 bands held")
    assert found.traces == ("test_dose.test_it.1.parquet", "test_dose.test_it.2.parquet")
    assert {span.repeat for span in found.spans} == {1, 2}
    assert any("supply on at 24 V" in step for step in found.steps)
    assert found.duration > 1.0
    assert lab.left_on == [False]
    assert "test_dose.py" in lab.record.start.hashes
    assert (lab.folders[-1] / "serial" / "test_dose.test_it.log").stat().st_size > 1000


def test_a_band_that_does_not_hold_fails_the_test_not_its_teardown(lab) -> None:
    file = write(lab, PREPARED + 'hil_script.judge(measured["time-to-speed"], high=0.01)')
    result = lab.run(file)
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(
        [
            "test_dose.py F*",
            "firmware: time-to-speed *",
            "FAIL test_dose.py::test_it - *time-to-speed*",
        ]
    )
    assert lab.result.verdict is Verdict.FAIL
    assert lab.result.reason.startswith("firmware: time-to-speed")


def test_a_failing_assertion_is_a_fail_although_its_bands_held(lab) -> None:
    file = write(
        lab,
        PREPARED
        + 'hil_script.judge(measured["success"], low=1.0)\nassert measured["success"].value == 2',
    )
    result = lab.run(file)
    result.assert_outcomes(failed=1)
    assert lab.result.verdict is Verdict.FAIL
    assert lab.result.reason.startswith("test: assert")


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (
            'measured["time-to-sped"]',
            "measured: expected a measure of a start, found 'time-to-sped'; "
            "did you mean 'time-to-speed'?",
        ),
        (
            'hil_script.prepare(sensing="hal")',
            "sensing: expected 'hall' or 'back-emf', found 'hal'",
        ),
        ("hil_script.speed_step(20000.0)", "speed: expected 500 to 4000 rpm (min-speed and *"),
        ("hil_script.prepare(voltage=240.0)", "voltage: expected at most 42 V (max-voltage *"),
        ("hil_bench.board.start(20000.0)", "speed: expected 500 to 4000 rpm (min-speed and *"),
        ("hil_script.bench.board.set_speed(-4001)", "speed: expected 500 to 4000 rpm (min-*"),
        ("hil_bench.energise(240.0)", "voltage: expected more than 0 V, at most 42 V *"),
        ("hil_script.steps.brake(9.0)", "torque: expected at most 2 N*m (max-torque *"),
        ('hil_script.judge(measured["success"])', "judge: success: a band needs at least one *"),
    ],
)
def test_a_mistake_in_the_test_is_told_by_its_own_line_and_blames_nobody(lab, line, said) -> None:
    result = lab.run(write(lab, PREPARED + line))
    assert result.ret == pytest.ExitCode.TESTS_FAILED
    result.assert_outcomes(failed=1)
    found = lab.result
    assert found.verdict is Verdict.UNDECIDED
    assert fnmatch(found.reason, f"test: test_dose.py:9: {said}".replace("[", "[[]"))
    result.stdout.fnmatch_lines(["test_dose.py U*", found.reason.replace("[", "[[]")])
    told = result.stdout.str()
    assert "UNDECIDED test_dose.py::test_it - " in told
    assert "During handling" not in told
    for word in ("BENCH-FAULT", "bench-fault", "firmware", "Traceback", "asked.py", "enum.py"):
        assert word not in told
    assert "supply on at 240" not in " ".join(found.steps)
    assert lab.left_on == [False]
    junit = (lab.folders[-1] / "junit.xml").read_text(encoding="utf-8")
    assert 'type="Undecided"' in junit
    assert "<failure" not in junit


def test_a_mistake_below_the_test_is_told_where_the_test_leads_to_it(lab) -> None:
    folder = lab.path / "garden"
    folder.mkdir()
    (folder / "conftest.py").write_text(
        "import pytest\n\n\n@pytest.fixture\ndef pump(hil_script):\n"
        "    hil_script.prepare(voltage=240.0)\n"
    )
    (folder / "test_mine.py").write_text(
        "def dose(script):\n    script.start(20000.0)\n\n\n"
        "def test_dose(hil_script):\n    dose(hil_script)\n\n\n"
        "def test_pump(pump):\n    pass\n"
    )
    result = lab.run("garden", f"--hil-rig={RIG}")
    result.assert_outcomes(failed=1, errors=1)
    mine, below = lab.record.results
    assert (mine.verdict, below.verdict) == (Verdict.UNDECIDED, Verdict.UNDECIDED)
    assert mine.reason.startswith("test: garden/test_mine.py:2: speed: expected 500 to 4000 rpm")
    assert below.reason.startswith("test: garden/conftest.py:6: voltage: expected at most 42 V")
    assert "Traceback" not in result.stdout.str()
    assert "B" not in "".join(line for line in result.outlines if line.startswith("garden/test_"))


def test_a_mistake_of_any_other_kind_is_the_tests_too_and_shown_with_its_lines(lab) -> None:
    result = lab.run(write(lab, PREPARED + "{}['no such key']"))
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(["test_dose.py U*", "*{}?'no such key'?*", "*KeyError*"])
    assert lab.result.verdict is Verdict.UNDECIDED
    assert lab.result.reason == "test: test_dose.py:9: KeyError: 'no such key'"


def test_a_sensing_that_the_rig_has_not_is_not_run(lab) -> None:
    (lab.path / "test_it.py").write_text(
        "def test_it(hil_script):\n    hil_script.prepare(sensing='back-emf')\n"
    )
    poor = lab.rig("board: {sensing: [hall]}\n", "poor")
    lab.run(f"--hil-rig={poor}").assert_outcomes(skipped=1)
    assert lab.result.verdict is Verdict.NOT_RUN
    assert lab.result.reason == "rig poor has no sensing back-emf (board.sensing: hall)"


@pytest.mark.parametrize(
    "judges",
    [
        'assert measured["success"].value == 1',
        'with pytest.raises(ZeroDivisionError):\n    measured["success"].value / 0',
        "holds(measured)",
        "if measured:\n    further(measured)",
    ],
)
def test_assertions_alone_may_judge(lab, judges: str) -> None:
    file = write(lab, PREPARED + judges)
    with (lab.path / file).open("a", encoding="utf-8") as more:
        more.write(
            "\n\ndef further(measured):\n    holds(measured)\n\n\n"
            "def holds(measured):\n    assert measured['success'].value == 1\n"
        )
    result = lab.run(file)
    result.assert_outcomes(passed=1)
    assert lab.result.verdict is Verdict.PASS
    assert lab.result.reason == "no band was judged; the test's own assertions held"


@pytest.mark.parametrize("rest", ["", "measured['success'].value == 1", "print(measured)"])
def test_what_judges_nothing_is_undecided(lab, rest: str) -> None:
    file = write(lab, PREPARED + rest)
    with (lab.path / file).open("a", encoding="utf-8") as more:
        more.write("\n\ndef holds(measured):\n    assert measured['success'].value == 1\n")
    result = lab.run(file)
    assert result.ret == pytest.ExitCode.TESTS_FAILED
    result.stdout.fnmatch_lines(["test_dose.py U*", "test: nothing was judged: expected a band *"])
    assert lab.result.verdict is Verdict.UNDECIDED


def test_trouble_with_the_bench_is_a_bench_fault_and_keeps_the_evidence(lab) -> None:
    lab.strike(1.0, lambda world: world.unplug_board())
    result = lab.run(write(lab, "hil_script.prepare()\nhil_script.start(1000.0, hold=3.0)"))
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(["test_dose.py B*"])
    found = lab.result
    assert found.verdict is Verdict.BENCH_FAULT
    assert found.reason.startswith("bench: board on twin://")
    assert len(found.traces) == 1
    assert lab.left_on == [False]


def test_a_skipped_scenario_was_not_run(lab) -> None:
    result = lab.run(write(lab, 'pytest.skip("pump is empty")'))
    result.assert_outcomes(skipped=1)
    assert lab.result.verdict is Verdict.NOT_RUN
    assert lab.result.reason == "skipped: pump is empty"


def test_the_bench_alone_without_a_script(lab) -> None:
    (lab.path / "test_bare.py").write_text(
        "def test_who(hil_bench):\n"
        "    assert hil_bench.identities()[0].model == 'DOSING-DRIVE'\n"
        "    hil_bench.energise(12.0)\n"
    )
    result = lab.run(f"--hil-rig={RIG}")
    result.assert_outcomes(passed=1)
    assert (lab.result.item, lab.result.verdict) == ("test_bare.test_who", Verdict.PASS)
    assert lab.left_on == [False]  # although the test left it on
    (name,) = lab.result.traces
    trace = read_trace(lab.folders[-1] / "traces" / name)
    assert trace.mark("supply-on") is not None
    assert max(trace.channels["supply.voltage"].y) == pytest.approx(12.0, abs=0.2)


def test_a_supply_that_trips_under_a_test_is_the_benchs_fault(lab) -> None:
    """Also where the test notices first, and in what the firmware does without it."""
    lab.strike(1.0, lambda world: lab.instrument(world, "supply").trip_over_current())
    (lab.path / "test_trip.py").write_text(
        "from hil.core.errors import LinkTimeout\n\n\n"
        "def test_it(hil_bench):\n"
        "    hil_bench.begin_trace()\n"
        "    hil_bench.energise(12.0)\n"
        "    hil_bench.clock.sleep(2.0)\n"
        "    raise LinkTimeout('nothing is heard of the board')\n"
    )
    lab.run(f"--hil-rig={RIG}").assert_outcomes(failed=1)
    assert lab.result.verdict is Verdict.BENCH_FAULT
    assert lab.result.reason.startswith("bench: the supply's over-current protection tripped by ")
    assert lab.result.reason.endswith("; after that: nothing is heard of the board")


def test_a_fixture_that_fails_after_the_bench_is_open(lab) -> None:
    (lab.path / "test_late.py").write_text(
        "import pytest\n\n\n"
        "@pytest.fixture\ndef pump(hil_bench):\n    raise OSError('no pump')\n\n\n"
        "def test_it(pump):\n    pass\n"
    )
    result = lab.run(f"--hil-rig={RIG}")
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines(["test_late.py U*"])
    assert lab.result.verdict is Verdict.UNDECIDED
    assert lab.result.reason == "test: test_late.py:6: OSError: no pump"


@pytest.mark.parametrize(
    ("body", "outcome", "verdict", "reason"),
    [
        ("raise OSError('no pump')", "errors", Verdict.UNDECIDED, "test: test_early.py:6: OSError"),
        ("pytest.skip('no pump')", "skipped", Verdict.NOT_RUN, "skipped: no pump"),
    ],
)
@pytest.mark.parametrize("order", ["pump, hil_bench", "hil_bench, pump"])
def test_a_fixture_that_ends_a_test_before_or_after_it_has_the_bench_leaves_a_result(
    lab, body: str, outcome: str, verdict: Verdict, reason: str, order: str
) -> None:
    (lab.path / "test_early.py").write_text(
        f"import pytest\n\n\n@pytest.fixture\ndef pump():\n    {body}\n\n\n"
        f"def test_it({order}):\n    assert True\n\n\n"
        "def test_next(hil_bench):\n    assert True\n"
    )
    result = lab.run(f"--hil-rig={RIG}")
    result.assert_outcomes(**{outcome: 1, "passed": 1})
    record = lab.record
    found = {one.item: one for one in record.results}
    assert found["test_early.test_it"].verdict is verdict
    assert found["test_early.test_it"].reason.startswith(reason)
    assert found["test_early.test_next"].verdict is Verdict.PASS
    assert (record.interrupted, record.never_begun) == ((), ())


def test_a_fixture_that_fails_when_it_tidies_up_does_not_blame_the_bench(lab) -> None:
    (lab.path / "test_tidy.py").write_text(
        "import pytest\n\n\n"
        "@pytest.fixture\ndef pump(hil_bench):\n    yield\n    raise OSError('no pump')\n\n\n"
        "def test_it(pump):\n    assert True\n"
    )
    result = lab.run(f"--hil-rig={RIG}")
    result.assert_outcomes(passed=1, errors=1)
    result.stdout.fnmatch_lines(["test_tidy.py .U*"])
    assert lab.left_on == [False]


def test_without_a_rig_the_ways_to_name_one_are_told(lab) -> None:
    (lab.path / "test_it.py").write_text("def test_it(hil_bench): pass\n")
    result = lab.run()
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    result.stderr.fnmatch_lines(['ERROR: *names no rig; mark it pytest.mark.hil(rig="...")*'])


def test_parametrised_tests_get_ids_that_are_file_names(lab) -> None:
    (lab.path / "test_p.py").write_text(
        "import pytest\n\n\n"
        "@pytest.mark.parametrize('speed', [1000.0, 1200.0])\n"
        "@pytest.mark.parametrize('way', ['cw', 'Counter Clockwise'])\n"
        "def test_it(hil_bench, speed, way):\n    assert speed\n"
    )
    assert lab.run(f"--hil-rig={RIG}").ret == 0
    assert lab.record.start.items == (
        "test_p.test_it-cw-1000.0",
        "test_p.test_it-cw-1200.0",
        "test_p.test_it-counter-clockwise-1000.0",
        "test_p.test_it-counter-clockwise-1200.0",
    )


@pytest.mark.parametrize(
    ("ends", "why"),
    [("raise KeyboardInterrupt", "Ctrl-C"), ("pytest.exit('enough', returncode=2)", "enough")],
)
def test_an_interrupted_scenario_says_so_and_blames_nobody(lab, ends: str, why: str) -> None:
    result = lab.run(write(lab, PREPARED + ends))
    assert result.ret == pytest.ExitCode.INTERRUPTED
    result.stdout.fnmatch_lines(
        ["SIMULATED: 1 interrupted", f"interrupted: {why}, in the midst of test_dose.test_it"]
    )
    record = lab.record
    (found,) = record.results
    assert (found.verdict, found.reason) == (Verdict.NOT_RUN, f"interrupted: {why}")
    assert len(found.traces) == 1
    assert [begun.item for begun in record.interrupted] == [found.item]
    assert record.end.reason == f"interrupted: {why}"
    assert lab.left_on == [False]
    assert isinstance(record.entries[1], ItemStart)


def test_plans_and_python_scenarios_share_a_run(lab) -> None:
    lab.plan()
    write(lab, PREPARED + 'hil_script.judge(measured["success"], low=1.0)')
    lab.run().assert_outcomes(passed=2)
    assert {r.item for r in lab.record.results} == {"s", "test_dose.test_it"}
    assert len(lab.folders) == 1
