"""The shell scripts of ci/: what they share, and that arguments reach pytest."""

import re
import subprocess
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
