"""Recipes for CI services: valid for their service, and safe for the bench.

GitHub and GitLab: the vendored JSON Schemas of check-jsonschema (the package of actionlint loads a
program from the network when it is installed, which not every machine can). Jenkins: there is no
schema, and no linter without a Jenkins server; the file is parsed as Groovy and its structure is
looked at.
"""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from ruamel.yaml import YAML

from hil.plugins.options import OPTIONS

ROOT = Path(__file__).parents[2]
RECIPES = ROOT / "ci" / "recipes"
GITHUB, GITLAB = RECIPES / "github-actions.yml", RECIPES / "gitlab-ci.yml"
JENKINS = RECIPES / "Jenkinsfile"
ALL = (GITHUB, GITLAB, JENKINS)
SCHEMAS = {
    GITHUB: ["--builtin-schema", "vendor.github-workflows"],
    GITLAB: ["--builtin-schema", "vendor.gitlab-ci", "--data-transform", "gitlab-ci"],
}


def check(schema: list[str], file: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "check_jsonschema", *schema, str(file)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.mark.parametrize("file", SCHEMAS, ids=lambda path: path.name)
def test_the_schema_of_the_service_accepts_it(file: Path) -> None:
    said = check(SCHEMAS[file], file)
    assert said.returncode == 0, said.stdout


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        (GITHUB, "runs-on:", "run-on:"),
        (GITLAB, "resource_group: motor", "resource_group: &a [motor"),
    ],
    ids=["github", "gitlab"],
)
def test_the_schema_of_the_service_refuses_a_slip(
    tmp_path: Path, file: Path, old: str, new: str
) -> None:
    slipped = tmp_path / file.name
    slipped.write_text(file.read_text().replace(old, new))
    assert check(SCHEMAS[file], slipped).returncode != 0


def test_the_jenkinsfile_is_groovy() -> None:
    from groovy_parser.parser import parse_groovy_content
    from lark.exceptions import UnexpectedInput

    text = JENKINS.read_text()
    parse_groovy_content(text)
    with pytest.raises(UnexpectedInput):
        parse_groovy_content(text.replace("timestamps()", "timestamps("))


def yaml(path: Path) -> dict[str, Any]:
    found: dict[str, Any] = YAML(typ="safe").load(path.read_text())
    return found


def stage(name: str) -> str:
    """The text of one stage of the Jenkinsfile, braces matched."""
    text = JENKINS.read_text()
    begin = text.index(f"stage('{name}')")
    depth = 0
    for place in range(text.index("{", begin), len(text)):
        depth += {"{": 1, "}": -1}.get(text[place], 0)
        if depth == 0:
            return text[begin : place + 1]
    raise AssertionError(name)


# -- the bench: one at a time, at night, never for a fork, never cut short ---------------------


def test_github_keeps_forks_and_pull_requests_off_the_bench() -> None:
    found = yaml(GITHUB)
    bench, twin = found["jobs"]["bench"], found["jobs"]["twin"]
    condition = " ".join(bench["if"].split())
    assert condition.startswith("github.repository == 'OWNER/FIRMWARE' && (")
    events = set(re.findall(r"github\.event_name == '([a-z_]+)'", condition))
    assert events == {"schedule", "workflow_dispatch"}
    assert "pull_request_target" not in GITHUB.read_text()
    assert "self-hosted" in bench["runs-on"]
    assert twin["runs-on"] == "ubuntu-latest"
    assert found["permissions"] == {"contents": "read"}
    assert "{{ secrets." not in GITHUB.read_text()
    assert all(
        step["with"]["persist-credentials"] is False
        for job in (bench, twin)
        for step in job["steps"]
        if step.get("uses", "").startswith("actions/checkout")
    )


def test_github_has_one_lock_and_cancels_nobody() -> None:
    bench = yaml(GITHUB)["jobs"]["bench"]
    assert bench["concurrency"] == {"group": "motor-bench-1", "cancel-in-progress": False}
    assert bench["env"]["RUNNER_TRACKING_ID"] == ""  # else the runner ends the guard


def test_gitlab_keeps_forks_and_merge_requests_off_the_bench() -> None:
    found = yaml(GITLAB)
    (rule,) = found["bench"]["rules"]
    assert rule["if"] == (
        '$CI_PIPELINE_SOURCE == "schedule" && $CI_PROJECT_PATH == "GROUP/FIRMWARE" && '
        '$CI_COMMIT_REF_PROTECTED == "true"'
    )
    assert found["bench"]["tags"] == ["motor-bench"]
    assert "tags" not in found["twin"]
    assert found["bench"]["resource_group"] == "motor-bench-1"
    assert found["bench"]["interruptible"] is False


def test_jenkins_keeps_change_requests_off_the_bench() -> None:
    bench = stage("bench")
    when = bench[bench.index("when {") : bench.index("agent {")]
    for condition in (
        "beforeAgent true", "beforeOptions true", "allOf", "triggeredBy 'TimerTrigger'",
        "branch 'main'", "not { changeRequest() }",
    ):  # fmt: skip
        assert condition in when
    assert "lock('motor-bench-1')" in bench
    assert "JENKINS_NODE_COOKIE = 'dontKillMe'" in bench
    assert "disableConcurrentBuilds()" in JENKINS.read_text()
    assert "motor-bench'" in bench
    assert "!motor-bench" in stage("twin")


# -- what is run --------------------------------------------------------------------------------


def test_github_shows_what_came_of_it_whatever_that_was() -> None:
    for job in yaml(GITHUB)["jobs"].values():
        (step,) = [one for one in job["steps"] if "$GITHUB_STEP_SUMMARY" in one.get("run", "")]
        assert step["if"] == "always()"
        assert '--summary "$GITHUB_STEP_SUMMARY"' in step["run"]
        names = [one.get("name", one.get("uses", "")) for one in job["steps"]]
        assert names.index(step["name"]) < next(
            n for n, name in enumerate(names) if name.startswith("actions/upload-artifact")
        )


def commands(path: Path) -> list[str]:
    if path == JENKINS:
        return re.findall(r"sh '(.*)'", path.read_text())
    jobs = yaml(path)["jobs"].values() if path == GITHUB else yaml(path).values()
    found = []
    for job in jobs:
        if isinstance(job, dict):
            found += [step["run"] for step in job.get("steps", []) if "run" in step]
            found += [*job.get("script", []), *job.get("after_script", [])]
    return found


@pytest.mark.parametrize("path", ALL, ids=lambda path: path.name)
def test_the_run_takes_the_place_of_the_shell_so_that_signals_reach_it(path: Path) -> None:
    found = [command for command in commands(path) if "ci/nightly" in command]
    assert len(found) == 2
    bench = [command for command in found if "--hil-bench=hardware" in command]
    assert len(bench) == 1
    assert bench[0].startswith("exec bash ci/nightly ")
    nightly = (ROOT / "ci" / "nightly").read_text()
    assert nightly.rstrip().splitlines()[-1].startswith("exec ")


@pytest.mark.parametrize("path", ALL, ids=lambda path: path.name)
def test_what_is_named_exists(path: Path) -> None:
    text = "\n".join(commands(path))
    for option in re.findall(r"--hil-([a-z-]+)", text):
        assert option in OPTIONS
    for name in re.findall(r"(?:ci|testplans)/[\w./-]+", text):
        assert (ROOT / name).is_file(), name
    for command in re.findall(r"hil (\w+)", text):
        from hil.cli.main import COMMANDS

        assert command in COMMANDS


@pytest.mark.parametrize("path", ALL, ids=lambda path: path.name)
def test_commands_are_sound_shell_and_twin_and_bench_are_verified(path: Path) -> None:
    for command in commands(path):
        subprocess.run(["bash", "-n", "-c", command], check=True)
    assert sum("hil verify" in command for command in commands(path)) == 2
