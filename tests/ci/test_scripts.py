"""The shell scripts of ci/: what they share, and that arguments reach pytest."""

import os
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

CI = Path(__file__).parents[2] / "ci"
SCRIPTS = sorted(p for p in CI.iterdir() if p.is_file() and p.read_bytes().startswith(b"#!"))


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_scripts_are_sound_shell(script: Path) -> None:
    subprocess.run(["bash", "-n", str(script)], check=True)


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_setup_is_always_given_an_argument(script: Path) -> None:
    """A sourced script without arguments of its own sees those of the script that sources it."""
    for line in script.read_text(encoding="utf-8").splitlines():
        if re.match(r"\s*(source|\.) .*ci/setup", line):
            assert re.search(r'setup"? (""|[a-z])', line), line


def test_arguments_of_the_nightly_script_reach_pytest(tmp_path: Path) -> None:
    """A copy of the scripts, with a stand-in for the virtual environment that prints its call."""
    for script in (CI / "nightly", CI / "setup"):
        target = tmp_path / "ci" / script.name
        target.parent.mkdir(exist_ok=True)
        target.write_text(script.read_text(encoding="utf-8"), encoding="utf-8")
    # The set-up takes the arguments it was sourced with for names of extras.
    setup = tmp_path / "ci" / "setup"
    setup.write_text('test -z "${1:-}" || exit 9\nvenv_python=echo\n', encoding="utf-8")

    def call(*arguments: str) -> str:
        command = ["bash", str(tmp_path / "ci" / "nightly"), *arguments]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        return done.stdout.strip()

    assert call() == "-m pytest testplans/nightly.plan.yaml"
    assert call("-k", "stall", "--hil-out", "/tmp/x y") == (
        "-m pytest testplans/nightly.plan.yaml -k stall --hil-out /tmp/x y"
    )
    assert call("testplans/smoke.plan.yaml", "-x") == "-m pytest testplans/smoke.plan.yaml -x"
    assert call("a.plan.yaml::start") == "-m pytest a.plan.yaml::start"


@pytest.fixture
def checking(tmp_path: Path) -> Callable[..., subprocess.CompletedProcess[str]]:
    """Run a copy of ci/test with stand-ins that print their call and fail if they are told to."""
    (tmp_path / "ci").mkdir()
    (tmp_path / "ci" / "test").write_text((CI / "test").read_text(encoding="utf-8"))
    (tmp_path / "ci" / "setup").write_text(f"here={tmp_path}; venv_python=python-of-venv\n")
    stands = tmp_path / ".venv" / "bin"
    stands.mkdir(parents=True)
    for name in ("apt-get", "ruff", "mypy", "lint-imports", "python-of-venv"):
        (stands / name).write_text(f'#!/bin/sh\necho "{name} $*"\n[ "$FAILING" != {name} ]\n')
        (stands / name).chmod(0o755)

    def run(*arguments: str, failing: str = "") -> subprocess.CompletedProcess[str]:
        path = f"{stands}{os.pathsep}{os.environ['PATH']}"
        return subprocess.run(
            ["bash", str(tmp_path / "ci" / "test"), *arguments],
            env={**os.environ, "PATH": path, "FAILING": failing, "TMPDIR": str(tmp_path), "CI": ""},
            capture_output=True, text=True, check=False,
        )  # fmt: skip

    return run


def calls(output: str) -> list[str]:
    """Without what a machine that lacks a package is told."""
    others = ("apt-get ", "installing ")
    return [line for line in output.splitlines() if not line.startswith(others)]


def test_everything_is_checked_and_then_tested(checking, tmp_path: Path) -> None:
    done = checking()
    assert done.returncode == 0, done.stderr
    *checks, tests = calls(done.stdout)
    assert checks == ["ruff check .", "ruff format --check .", "lint-imports ", "mypy "]
    assert tests.startswith("python-of-venv -m pytest -n ")
    assert {path.name for path in tmp_path.iterdir()} == {"ci", ".venv"}


@pytest.mark.parametrize("failing", ["ruff", "lint-imports", "mypy", "python-of-venv"])
def test_each_check_can_fail_the_whole(checking, tmp_path: Path, failing: str) -> None:
    done = checking(failing=failing)
    assert done.returncode == 1
    assert f"{failing} " in done.stdout
    assert ("pytest -n" in done.stdout) == (failing == "python-of-venv")
    assert {path.name for path in tmp_path.iterdir()} == {"ci", ".venv"}


def test_with_arguments_there_are_only_tests(checking) -> None:
    (tests,) = calls(checking("tests/core", "-q").stdout)
    assert tests.startswith("python-of-venv -m pytest -n ")
    assert tests.endswith(" tests/core -q")
