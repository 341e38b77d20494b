"""A bench served in this process, and runs on it in others, as on hardware."""

from __future__ import annotations

import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from hil.bench.simulate import world_for
from hil.plan.load import load_rig
from hil.store.reading import RunRecord, read
from hil.twin.wires.served import Served, serve_in_thread
from hil.twin.world import World

RIG = Path(__file__).parents[3] / "testplans" / "rigs" / "dosing-pump.yaml"
PLAN = """\
format: 1
plan: t
rig: rig.yaml
scenarios:
  - id: long
    scenario: start
    speed: 1000 rpm
    hold: 60 s
    bands: {success: {exactly: 1}}
  - id: next
    scenario: start
    speed: 1000 rpm
    hold: 0.2 s
    bands: {success: {exactly: 1}}
"""


INTERLOCK = (
    "interlock: {resource: 'TCPIP::127.0.0.1::5029::SOCKET', expect: SIM-INTERLOCK,"
    " contacts: {emergency-stop: 1, guard: 2}}\n"
)


def _is_guard(process: int) -> bool:
    """Whether there is such a process, not ended and waiting to be reaped, and it is a guard."""
    try:
        return b"guard_process" in Path(f"/proc/{process}/cmdline").read_bytes()
    except OSError:
        return False


class Hardware:
    """A served bench and the runs on it; `board` is a link that follows the pseudo-terminal.

    `more` is what else the rig file says, `rewired` what becomes of the simulated bench before it
    is served.
    """

    def __init__(
        self,
        folder: Path,
        *,
        more: str = "",
        plan: str = PLAN,
        rewired: Callable[[World], World] = lambda world: world,
    ) -> None:
        self.folder = folder
        self.rig = folder / "rig.yaml"
        text = f"based-on: {RIG}\nrig: hardware\n{INTERLOCK}{more}"
        self.rig.write_text(text, encoding="utf-8")
        (folder / "t.plan.yaml").write_text(plan, encoding="utf-8")
        self.served = Served(rewired(world_for(load_rig(self.rig), 1)))
        self.thread = serve_in_thread(self.served)
        self.board = folder / "board"
        self.board.symlink_to(self.served.board)
        self.places: dict[str, str] = {}  # of ports that are not served by themselves
        self.run: subprocess.Popen[str] | None = None
        self.out = folder / "runs"

    def instrument(self, role: str) -> Any:
        return next(one for one in self.served.world.instruments.values() if one.role == role)

    @property
    def on(self) -> bool:
        return bool(self.instrument("supply").on)

    @property
    def turning(self) -> bool:
        return self.on and abs(self.served.world.drive.speed_rpm) > 800.0

    def do(self, action: Callable[[], object]) -> None:
        """Do something to the bench in its own thread, and wait until it is done."""
        done: list[bool] = []
        self.served.call(lambda: (action(), done.append(True)))
        self.wait(lambda: bool(done), 5.0, "the served bench does not answer")

    @staticmethod
    def wait(condition: Callable[[], bool], within: float, what: str) -> None:
        end = time.monotonic() + within
        while not condition():
            assert time.monotonic() < end, what
            time.sleep(0.002)

    def command(self, *args: str) -> list[str]:
        places = {**self.served.resources, **self.places, "board": str(self.board)}
        return [
            sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "--hil-bench=hardware",
            f"--hil-out={self.out}", *(f"--hil-{role}={at}" for role, at in places.items()), *args,
        ]  # fmt: skip

    def start(self, *args: str) -> None:
        """Start a run and wait until its shaft turns."""
        self.run = subprocess.Popen(
            self.command("--hil-preflight=off", *(args or ("t.plan.yaml",))), cwd=self.folder,
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
        end = time.monotonic() + 60.0
        while not self.turning:
            assert self.run.poll() is None, self.run.communicate()[0]
            assert time.monotonic() < end, "the shaft does not turn"
            time.sleep(0.01)

    def strike(self, action: Callable[[], object]) -> float:
        """Do it; s until the supply is off."""
        self.do(action)
        struck = time.monotonic()
        self.wait(lambda: not self.on, 10.0, "the supply is still on")
        return time.monotonic() - struck

    def finish(self) -> tuple[int, str, RunRecord]:
        """Exit code, output and record of the run."""
        assert self.run is not None
        output, _ = self.run.communicate(timeout=60.0)
        (folder,) = (path for path in self.out.iterdir() if path.is_dir())
        return self.run.returncode, output, read(folder)

    def guard_log(self) -> str:
        """What the guard's log holds by now: a thread of the guard writes it."""
        return "".join(file.read_text(encoding="utf-8") for file in self.out.glob("*/guard.log"))

    def guards(self) -> list[int]:
        """Guard processes of its runs that have not ended yet."""
        told = re.findall(r"process (\d+) armed", self.guard_log())
        return [number for number in map(int, told) if _is_guard(number)]

    def tidy(self) -> None:
        """Make it whole for the next test, with no guard left that would go on trying."""
        if self.run is not None:
            self.run.kill()
            self.run.communicate()
            self.run = None
        for instrument in self.served.world.instruments.values():
            instrument.silent = False
        self.instrument("interlock").closed[2] = True
        self.wait(lambda: not self.guards(), 20.0, "a guard does not end")
        self.wait(lambda: not self.on, 5.0, "the supply was left on")

    def put_away(self) -> None:
        """Serve no more."""
        self.served.stop()
        self.thread.join()
        self.served.close()


@pytest.fixture(scope="module")
def make_hardware(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., Hardware]]:
    """Serve benches that differ, see `Hardware`."""
    made: list[Hardware] = []

    def make(**more: Any) -> Hardware:
        made.append(Hardware(tmp_path_factory.mktemp("hardware"), **more))
        return made[-1]

    yield make
    for one in made:
        one.put_away()


@pytest.fixture(scope="module")
def bench(make_hardware: Callable[..., Hardware]) -> Hardware:
    return make_hardware()


@pytest.fixture
def hardware(
    bench: Hardware, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Hardware]:
    monkeypatch.setenv("HIL_LEASES", str(tmp_path / "leases"))
    bench.out = tmp_path / "runs"
    yield bench
    bench.tidy()
