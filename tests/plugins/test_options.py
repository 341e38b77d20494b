"""Options, their ini twins, and values that cannot be used."""

from pathlib import Path

import pytest

from hil.plugins.options import OPTIONS
from hil.store.index import open_index

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"


def test_every_option_is_in_the_help_under_one_heading(lab) -> None:
    result = lab.pytester.runpytest_inprocess("--help")
    text = result.stdout.str()
    assert "bench for brushless-motor firmware:" in text
    for name in OPTIONS:
        assert f"--hil-{name}" in text
        assert f"hil_{name} ({'int' if name == 'seed' else 'string'})" in text


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["--hil-bench=moon"], "invalid choice: 'moon'"),
        (["--hil-seed=soon"], "--hil-seed soon: expected a whole number"),
        (["--hil-seed=-1"], "--hil-seed -1: expected a number from 0 to 4294967295"),
        (["--hil-rig=nowhere.yaml"], "--hil-rig nowhere.yaml: no such file"),
    ],
)
def test_a_bad_value_is_a_usage_error_that_names_option_and_value(
    lab, args: list[str], words: str
) -> None:
    result = lab.pytester.runpytest_inprocess(lab.plan(), "--hil-out=runs", *args)
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    everything = result.stdout.str() + result.stderr.str()
    assert words in everything
    assert "Traceback" not in everything
    assert "INTERNALERROR" not in everything
    assert not lab.folders


def test_a_bad_ini_value_is_a_usage_error_too(lab) -> None:
    lab.pytester.makeini("[pytest]\nhil_bench = moon\n")
    result = lab.pytester.runpytest_inprocess(lab.plan())
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    assert "hil_bench = moon: expected one of auto, hardware, twin" in result.stderr.str()


def test_the_ini_file_sets_what_the_command_line_does_not(lab) -> None:
    lab.pytester.makeini("[pytest]\nhil_bench = twin\nhil_seed = 7\nhil_out = night\n")
    lab.plan()
    assert lab.pytester.runpytest_inprocess("t.plan.yaml").ret == 0
    (folder,) = (lab.path / "night").iterdir()
    assert '"seed": 7' in (folder / "record.jsonl").read_text().replace('":7', '": 7')


@pytest.mark.parametrize("table", ["tool.pytest", "tool.pytest.ini_options"])
def test_a_seed_is_a_number_in_either_table_of_a_pyproject(lab, table: str) -> None:
    (lab.path / "pyproject.toml").write_text(
        f'[{table}]\nhil_seed = 7\nhil_bench = "twin"\nhil_out = "runs"\n'
        'addopts = ["--strict-config", "--strict-markers"]\n'
    )
    lab.plan()
    assert lab.pytester.runpytest_inprocess("t.plan.yaml").ret == 0
    assert (lab.record.start.seed, lab.record.start.simulated) == (7, True)


def test_a_seed_that_is_no_number_in_an_ini_file_is_a_usage_error(lab) -> None:
    lab.pytester.makeini("[pytest]\nhil_seed = soon\n")
    result = lab.pytester.runpytest_inprocess(lab.plan())
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    told = result.stdout.str() + result.stderr.str()
    assert "hil_seed" in told
    assert "soon" in told
    assert "Traceback" not in told


NO_PORT = "--hil-board=/dev/ttyUSB99"
NOWHERE = "rig: nowhere\nsupply: {{resource: 'TCPIP::127.0.0.1::1::SOCKET'}}\nbased-on: {}\n"


@pytest.mark.parametrize(
    ("ini", "args", "simulated"),
    [
        ("auto", [], True),
        ("auto", [NO_PORT], False),
        ("auto", ["--hil-bench=auto", NO_PORT], False),
        ("auto", ["--hil-supply=TCPIP::127.0.0.1::1::SOCKET"], False),
        ("twin", [NO_PORT], False),
        ("twin", [NO_PORT, "--hil-bench=twin"], True),
        ("auto\nhil_board = /dev/ttyUSB99", [], True),
    ],
)
def test_a_port_on_the_command_line_is_never_exchanged_for_the_twin(
    lab, ini: str, args: list[str], simulated: bool
) -> None:
    """One in the ini file stands for the desk it usually is at, as one in the rig file does."""
    rig = lab.path / "rig.yaml"
    rig.write_text(NOWHERE.format(RIG))
    lab.pytester.makeini(f"[pytest]\nhil_bench = {ini}\n")
    result = lab.pytester.runpytest_inprocess(lab.plan(rig=rig), *args)
    assert result.ret == (0 if simulated else 10)
    assert bool(lab.worlds) is simulated
    if not simulated:
        assert lab.result.verdict.value == "not-run"
        result.stdout.fnmatch_lines(
            ["bench: hardware bench nowhere, as asked for", "*nothing was run: *"]
        )


def test_the_command_line_wins_over_the_ini_file(lab) -> None:
    lab.pytester.makeini("[pytest]\nhil_seed = 7\nhil_bench = hardware\n")
    assert lab.run(lab.plan(), "--hil-seed=8").ret == 0
    assert lab.record.start.seed == 8
    assert lab.record.start.simulated


def test_another_rig_may_be_given_for_a_plan(lab) -> None:
    other = lab.rig("motor: {rated-current: 2 A}\n", "other")
    assert lab.run(lab.plan(), f"--hil-rig={other}").ret == 0
    assert lab.record.start.rig == "other"


@pytest.mark.parametrize("where", ["runs", "runs/deep/down", "/proc/x"])
def test_where_no_run_folder_can_be_made_nothing_is_run_and_nobody_blamed(lab, where: str) -> None:
    (lab.path / "runs").write_text("a file stands here")
    (lab.path / "test_it.py").write_text("def test_it(hil_bench): raise SystemError\n")
    result = lab.run(lab.plan(), "test_it.py", f"--hil-rig={RIG}", f"--hil-out={where}")
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    told = result.stdout.str() + result.stderr.str()
    assert told.count("cannot make a run folder") == 1
    result.stderr.fnmatch_lines([f"ERROR: --hil-out {where}: cannot make a run folder: ?*"])
    for word in ("BENCH-FAULT", "Traceback", "INTERNALERROR", "run folder: "):
        assert word not in told.replace("cannot make a run folder: ", "")
    assert lab.worlds == []


def test_a_folder_for_runs_is_made_with_those_above_it_and_left_clean(lab) -> None:
    assert lab.run(lab.plan(), "--hil-out=deep/down").ret == 0
    (folder,) = (lab.path / "deep" / "down").iterdir()
    assert (folder / "record.jsonl").is_file()


def test_collecting_alone_asks_for_no_folder(lab) -> None:
    result = lab.run(lab.plan(), "--hil-out=/proc/x", "--collect-only")
    assert result.ret == pytest.ExitCode.OK
    assert not lab.folders


def test_who_ran_it_and_where_is_kept_in_the_record(lab) -> None:
    result = lab.run(
        lab.plan(), "--hil-operator", " A. Bench ", "--hil-place=east bay", "--hil-ambient=295.15 K"
    )
    assert result.ret == 0
    start = lab.record.start
    assert start.operator == "A. Bench"
    assert start.environment == {"place": "east bay", "ambient": "22 degC"}
    assert start.firmware == {}  # the reference firmware is part of the package


def test_nothing_is_said_of_operator_and_surroundings_unless_stated(lab) -> None:
    assert lab.run(lab.plan()).ret == 0
    assert (lab.record.start.operator, lab.record.start.environment) == ("", {})


def test_a_run_of_a_search_says_so_in_its_record_and_enters_no_index(lab) -> None:
    result = lab.run(lab.plan(), "--hil-search=bisect-0a", "--hil-index=index.db")
    assert result.ret == 0
    assert lab.record.start.search == "bisect-0a"
    with open_index(lab.path / "index.db") as index:
        assert index.runs() == []


@pytest.mark.parametrize("ambient", ["22", "22 V", "warm"])
def test_an_ambient_temperature_needs_its_unit(lab, ambient: str) -> None:
    result = lab.run(lab.plan(), f"--hil-ambient={ambient}")
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    assert f"--hil-ambient {ambient}: expected a temperature with its unit" in (
        result.stdout.str() + result.stderr.str()
    )
