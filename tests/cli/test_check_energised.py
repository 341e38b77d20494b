"""``hil check --energise``: what the preflight of a run does, on request."""

import json
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from hil.bench.lease import RigInUse, take
from hil.bench.simulate import world_for
from hil.cli.check import check
from hil.core.errors import BenchError
from hil.plan.load import load_rig
from hil.twin.instruments.supply import SimulatedSupply
from hil.twin.scpi import ScpiError
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


@pytest.fixture
def served(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Served]:
    monkeypatch.setenv("HIL_LEASES", str(tmp_path))
    with Served(world_for(load_rig(RIG), 1)) as made:
        thread = serve_in_thread(made)
        try:
            yield made
        finally:
            made.stop()
            thread.join()


def options(served: Served) -> list[str]:
    places = {"board": served.board, **served.resources}
    return [f"--{role}={place}" for role, place in places.items()]


def supply_of(served: Served) -> SimulatedSupply:
    (supply,) = (
        one for one in served.world.instruments.values() if isinstance(one, SimulatedSupply)
    )
    return supply


def test_under_a_guard_on_a_served_bench(served: Served) -> None:
    supply_of(served).status.report(ScpiError(-222, "VOLT 99"))
    result = CliRunner().invoke(check, [str(RIG), "--energise", *options(served)])
    assert result.exit_code == 0, result.output
    assert "guard process armed" in result.output
    told = " ".join(result.output.split())
    assert "WARNING errors from before supply at TCPIP0::127.0.0.1::" in told
    assert 'its error queue held from before: -222,"Data out of range;VOLT 99"' in told
    with take(load_rig(RIG), {"board": served.board, **served.resources}):
        result = CliRunner().invoke(check, [str(RIG), *options(served)])
    assert isinstance(result.exception, BenchError)
    assert "in use: held by process" in str(result.exception)


def test_its_guard_holds_the_lease_while_it_goes_on_switching_off(
    served: Served, tmp_path: Path
) -> None:
    supply, places = supply_of(served), {"board": served.board, **served.resources}
    rig = tmp_path / "rig.yaml"
    text = f"based-on: {RIG}\nrig: impatient\nsupply: {{timeout: 100 ms}}\n"
    rig.write_text(text, encoding="utf-8")
    over = threading.Event()

    def fall_silent_with_the_shaft_turning() -> None:
        while not over.wait(0.005):
            if supply.on and abs(served.world.drive.speed_rpm) > 100.0:
                supply.silent = True

    watching = threading.Thread(target=fall_silent_with_the_shaft_turning)
    watching.start()
    result = CliRunner().invoke(check, [str(rig), "--energise", *options(served)])
    over.set()
    watching.join()
    assert result.exit_code == 3, result.output
    told = " ".join(result.output.split())
    assert "the supply is not proven off" in told
    assert "goes on trying to switch the supply off" in told
    with pytest.raises(RigInUse):
        take(load_rig(rig), places)
    supply.silent = False
    end = time.monotonic() + 20.0
    while True:
        try:
            take(load_rig(rig), places).release()
        except RigInUse:
            assert time.monotonic() < end, "the guard does not end"
            time.sleep(0.05)
        else:
            break
    assert not supply.on
