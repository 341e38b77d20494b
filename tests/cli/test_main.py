from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import click
import pytest

from hil.cli import main as cli
from hil.core.errors import (
    BenchError,
    FirmwareError,
    HarnessError,
    HilError,
    InstrumentTimeout,
    LinkTimeout,
    PlanError,
    StoreError,
)


def _exit(arguments: list[str]) -> int:
    with pytest.raises(SystemExit) as left:
        cli.main(arguments)
    code = left.value.code
    assert isinstance(code, int)
    return code


@pytest.fixture
def failing(monkeypatch: pytest.MonkeyPatch) -> type[Exception]:
    """A command called ``fail`` that raises what is put into ``raised``."""

    class Raised(Exception):
        error: BaseException = RuntimeError()

    @click.command("fail")
    def fail() -> None:
        raise Raised.error

    module = type(sys)("fake_commands")
    module.fail = fail  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "fake_commands", module)
    monkeypatch.setitem(cli.COMMANDS, "fail", ("fake_commands", "fail", "Fails."))
    return Raised


@pytest.mark.parametrize(
    ("error", "code", "says"),
    [
        (
            PlanError("no such key", file="rig.yaml", line=3, column=5),
            2,
            "rig.yaml:3:5: no such key",
        ),
        (BenchError("rig is busy"), 3, "rig is busy"),
        (LinkTimeout("board silent"), 3, "board silent"),
        (InstrumentTimeout("supply silent"), 3, "supply silent"),
        (StoreError("record.jsonl:4: bad"), 1, "record.jsonl:4: bad"),
        (FirmwareError("crashed"), 1, "crashed"),
        (HarnessError("ours"), 1, "ours"),
        (HilError("two\nlines"), 1, "two lines"),
        (OSError(28, "No space left on device"), 1, "[Errno 28] No space left on device"),
        (KeyboardInterrupt(), 130, "interrupted"),
    ],
)
def test_an_error_is_one_line_and_an_exit_code(
    failing: type[Exception],
    capsys: pytest.CaptureFixture[str],
    error: BaseException,
    code: int,
    says: str,
) -> None:
    failing.error = error  # type: ignore[attr-defined]
    assert _exit(["fail"]) == code
    out, err = capsys.readouterr()
    assert (out, err.strip()) == ("", f"hil: {says}")


def test_a_defect_of_our_own_keeps_its_traceback(failing: type[Exception]) -> None:
    failing.error = ZeroDivisionError("ours")  # type: ignore[attr-defined]
    with pytest.raises(ZeroDivisionError):
        cli.main(["fail"])


def test_several_errors_of_a_file_are_one_a_line(
    failing: type[Exception], capsys: pytest.CaptureFixture[str]
) -> None:
    failing.error = PlanError(  # type: ignore[attr-defined]
        "motor is missing\np.yaml:1:1: board is missing", file="p.yaml", line=1, column=1
    )
    assert _exit(["fail"]) == 2
    assert capsys.readouterr().err.splitlines() == [
        "hil: p.yaml:1:1: motor is missing",
        "hil: p.yaml:1:1: board is missing",
    ]


@pytest.mark.parametrize("command", ["check", "twin", "link"])
def test_a_file_of_another_kind_is_named_in_one_line_with_the_command_that_takes_it(
    command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    plans = Path(__file__).parents[2] / "testplans"
    file = plans / "release.requirements.yaml"
    more = ["--port", "/dev/null"] if command == "link" else []
    assert _exit([command, str(file), *more]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith(f"hil: {file}:")
    assert "found a requirement file; 'hil qualify" in line


@pytest.mark.parametrize("arguments", [["--help"], ["-h"]])
def test_help_lists_every_command_without_loading_one(
    arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert _exit(arguments) == 0
    said = capsys.readouterr().out
    for name, (_, _, summary) in cli.COMMANDS.items():
        assert f"  {name}" in said
        assert summary in said


@pytest.mark.parametrize("name", sorted(cli.COMMANDS))
def test_every_listed_command_loads_and_has_help(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert {"bands", "check", "link", "measures", "report", "twin"} <= set(cli.COMMANDS)
    assert _exit([name, "--help"]) == 0
    assert f"Usage: hil {name}" in capsys.readouterr().out


@pytest.mark.parametrize("arguments", [["nonsense"], ["--nonsense"], ["report"]])
def test_a_misused_command_line_says_how_it_is_used(
    arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert _exit(arguments) == 2
    assert "Usage: hil" in capsys.readouterr().err


def test_the_version_is_that_of_the_package(capsys: pytest.CaptureFixture[str]) -> None:
    assert _exit(["--version"]) == 0
    assert capsys.readouterr().out.startswith("hil, version ")


def test_help_loads_no_heavy_library() -> None:
    code = (
        "import sys\n"
        "from hil.cli.main import main\n"
        "try: main(['--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'pandas', 'pyarrow', 'scipy', 'numba', 'pydantic', 'rich', 'jinja2'}\n"
        "print('loaded', sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "loaded []"


def test_the_module_can_be_run(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "hil.cli.main", "report", str(tmp_path)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1
    assert done.stderr.startswith(f"hil: {tmp_path}/record.jsonl: no readable record")
    assert done.stderr.count("\n") == 1
