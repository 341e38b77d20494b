"""``hil check --energise``: what the preflight of a run does, on request."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from hil.bench.lease import take
from hil.bench.simulate import world_for
from hil.cli.check import check
from hil.core.errors import BenchError
from hil.plan.load import load_rig
from hil.twin.wires.served import Served, serve_in_thread

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"
PROVEN = ["interlocks", "supply limits", "protection", "stop path", "direction"]


def whats(file: Path) -> list[str]:
    return [finding["what"] for finding in json.loads(file.read_text())]


@pytest.mark.parametrize("energise", [False, True])
def test_only_on_request(tmp_path: Path, energise: bool) -> None:
    file = tmp_path / "found.json"
    options = ["--energise"] if energise else []
    result = CliRunner().invoke(check, [str(RIG), "--twin", f"--json={file}", *options])
    assert result.exit_code == 0, result.output
    assert (whats(file)[-5:] == PROVEN) is energise
    assert ("clockwise as asked" in result.output) is energise


def test_what_a_described_brake_cannot_do_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HIL_LEASES", str(tmp_path))
    own = tmp_path / "own.yaml"
    own.write_text(
        f"based-on: {RIG}\nrig: own\nbrake: {{commands: {{torque: {{query: ''}}}}}}\n",
        encoding="utf-8",
    )
    with Served(world_for(load_rig(RIG), 1)) as served:
        thread = serve_in_thread(served)
        places = {"board": served.board, **served.resources}
        options = [f"--{role}={place}" for role, place in places.items()]
        try:
            silent = CliRunner().invoke(check, [str(RIG), *options])
            told = CliRunner().invoke(check, [str(own), *options])
        finally:
            served.stop()
            thread.join()
    assert told.exit_code == 0, told.output
    assert "WARNING  brake\n    its torque cannot be read back" in told.output
    assert "WARNING  brake" not in silent.output


def test_under_a_guard_on_a_served_bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HIL_LEASES", str(tmp_path))
    with Served(world_for(load_rig(RIG), 1)) as served:
        thread = serve_in_thread(served)
        places = {"board": served.board, **served.resources}
        options = [f"--{role}={place}" for role, place in places.items()]
        try:
            result = CliRunner().invoke(check, [str(RIG), "--energise", *options])
            assert result.exit_code == 0, result.output
            assert "guard process armed" in result.output
            with take(load_rig(RIG), places):
                result = CliRunner().invoke(check, [str(RIG), *options])
            assert isinstance(result.exception, BenchError)
            assert "in use: held by process" in str(result.exception)
        finally:
            served.stop()
            thread.join()
