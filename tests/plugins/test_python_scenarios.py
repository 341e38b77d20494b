"""Scenarios written in Python, with the fixtures for the opened rig."""

from pathlib import Path

import pytest

from hil.core.record import ItemStart
from hil.core.verdict import Verdict

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


def test_a_mistake_in_the_test_blames_nobody(lab) -> None:
    result = lab.run(write(lab, PREPARED + 'measured["no such measure"]'))
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(["test_dose.py B*"])
    assert lab.result.verdict is Verdict.BENCH_FAULT
    assert lab.result.reason == "test: KeyError: 'no such measure'"


def test_assertions_alone_may_judge(lab) -> None:
    result = lab.run(write(lab, PREPARED + 'assert measured["success"].value == 1'))
    result.assert_outcomes(passed=1)
    assert lab.result.verdict is Verdict.PASS
    assert lab.result.reason == "no band was judged; the test's own assertions held"


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


def test_a_fixture_that_fails_after_the_bench_is_open(lab) -> None:
    (lab.path / "test_late.py").write_text(
        "import pytest\n\n\n"
        "@pytest.fixture\ndef pump(hil_bench):\n    raise OSError('no pump')\n\n\n"
        "def test_it(pump):\n    pass\n"
    )
    result = lab.run(f"--hil-rig={RIG}")
    result.assert_outcomes(errors=1)
    assert lab.result.verdict is Verdict.BENCH_FAULT
    assert lab.result.reason == "test: OSError: no pump"


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
        "def test_it(hil_bench, speed, way):\n    pass\n"
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
