"""Rigs from a pool: one for each session and each worker, never two on one."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from hil.bench.lease import take
from hil.bench.simulate import world_for
from hil.core.errors import PlanError
from hil.plan.load import load_rig
from hil.plan.pool import load_pool
from hil.store.reading import read
from hil.twin.wires.served import Served, serve_in_thread

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"
PLAN = """\
format: 1
plan: t
rig: {rig}
scenarios:
  - id: s
    scenario: start
    speed: 1000 rpm
    hold: 0.3 s
    matrix: {{sensing: [hall, back-emf], direction: [cw, ccw]}}
    bands: {{success: {{exactly: 1}}}}
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("HIL_LEASES", str(tmp_path / "leases"))
    (tmp_path / "t.plan.yaml").write_text(PLAN.format(rig=RIG), encoding="utf-8")
    return tmp_path


def write_pool(folder: Path, *entries: dict[str, str]) -> Path:
    lines = ["format: 1", "pool:"]
    for entry in entries:
        first, *more = [f"{key}: {value}" for key, value in {"rig": RIG, **entry}.items()]
        lines += [f"  - {first}", *(f"    {line}" for line in more)]
    file = folder / "pool.yaml"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return file


def run(folder: Path, *args: str) -> subprocess.CompletedProcess[str]:
    command = [
        sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "t.plan.yaml",
        f"--hil-out={folder / 'runs'}", f"--hil-pool={folder / 'pool.yaml'}", *args,
    ]  # fmt: skip
    return subprocess.run(
        command, cwd=folder, capture_output=True, text=True, check=False, timeout=300.0
    )


# -- the file -----------------------------------------------------------------------------


def test_entries_and_their_overrides(folder: Path) -> None:
    pool = load_pool(write_pool(folder, {}, {"board": "/dev/ttyX", "supply": "S"}))
    assert [file for file, _ in pool] == [RIG, RIG]
    assert [entry.resources for _, entry in pool] == [{}, {"board": "/dev/ttyX", "supply": "S"}]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("format: 1\npool: []\n", "pool"),
        ("format: 1\npool:\n  - rig: no-such.yaml\n", "there is no file"),
        ("format: 1\npool:\n  - {rig: a.yaml, bord: x}\n", "bord"),
    ],
)
def test_a_wrong_file_is_refused_with_its_line(folder: Path, text: str, said: str) -> None:
    file = folder / "pool.yaml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(PlanError, match=said) as found:
        load_pool(file)
    assert str(found.value).startswith(f"{file}:")
    done = run(folder)
    assert done.returncode == pytest.ExitCode.USAGE_ERROR
    assert said in done.stderr + done.stdout


# -- sessions -----------------------------------------------------------------------------


def test_more_workers_than_rigs_are_refused(folder: Path) -> None:
    write_pool(folder, {})
    done = run(folder, "-n", "2", "--hil-bench=twin")
    assert done.returncode == pytest.ExitCode.USAGE_ERROR
    assert "-n 2, but" in done.stderr
    assert "never two workers on one" in done.stderr


@pytest.mark.parametrize("workers", [[], ["-n", "2"]])
def test_where_no_run_folder_can_be_made_no_rig_is_taken(folder: Path, workers: list[str]) -> None:
    write_pool(folder, {}, {"board": "/dev/ttyX", "supply": "S"})
    (folder / "runs").write_text("a file stands here")
    done = run(folder, "--hil-bench=twin", *workers)
    assert done.returncode == pytest.ExitCode.USAGE_ERROR
    assert (done.stdout + done.stderr).count("runs: cannot make a run folder: ") == 1
    assert not (folder / "leases").exists() or not list((folder / "leases").iterdir())


def test_a_rig_and_a_pool_exclude_each_other(folder: Path) -> None:
    write_pool(folder, {})
    done = run(folder, f"--hil-rig={RIG}")
    assert done.returncode == pytest.ExitCode.USAGE_ERROR
    assert "--hil-rig and --hil-pool exclude each other" in done.stderr


def test_without_a_free_rig_every_holder_is_named(folder: Path) -> None:
    write_pool(folder, {})
    with take(load_rig(RIG), {}):
        done = run(folder, "--hil-bench=hardware")
    assert done.returncode == 11
    assert "pool.yaml is free: the board" in done.stdout
    assert not (folder / "runs").exists()


def test_workers_share_the_items_of_simulated_benches(folder: Path) -> None:
    write_pool(folder, {}, {})
    done = run(folder, "-n", "2", "--hil-bench=twin")
    assert done.returncode == 0, done.stdout
    assert "4 passed" in done.stdout
    folders = list((folder / "runs").iterdir())
    assert len(folders) == 2
    found = [result.item for path in folders for result in read(path).results
             if result.verdict.value == "pass"]  # fmt: skip
    assert len(found) == len(set(found)) == 4  # each once, wherever it ran
    results = [result for path in folders for result in read(path).results]
    left = [result.reason for result in results if result.verdict.value == "not-run"]
    assert set(left) == {"left to another worker of the session"}
    for path in folders:
        assert f"run folder: {path}" in done.stdout


@pytest.fixture
def benches() -> Iterator[list[dict[str, str]]]:
    """Two benches, served."""
    with ExitStack() as stack:
        places = []
        for seed in (1, 2):
            served = stack.enter_context(Served(world_for(load_rig(RIG), seed)))
            thread = serve_in_thread(served)
            stack.callback(thread.join)
            stack.callback(served.stop)
            places.append({"board": served.board, **served.resources})
        yield places


def test_each_worker_has_a_bench_of_its_own(folder: Path, benches: list[dict[str, str]]) -> None:
    write_pool(folder, *benches)
    done = run(folder, "-n", "2", "--hil-bench=hardware", "--dist=each")
    assert done.returncode == 0, done.stdout
    boards = [
        read(path).start.identities[0].resource for path in (folder / "runs").iterdir()
    ]  # each worker was given every item, and has asked its own board who it is
    assert sorted(boards) == sorted(place["board"] for place in benches)


def test_a_session_without_workers_takes_the_first_free_one(
    folder: Path, benches: list[dict[str, str]]
) -> None:
    write_pool(folder, *benches)
    with take(load_rig(RIG), benches[0]):
        done = run(folder, "--hil-bench=hardware", "-m", "hall and cw")
    assert done.returncode == 0, done.stdout
    (path,) = (folder / "runs").iterdir()
    assert read(path).start.identities[0].resource == benches[1]["board"]
