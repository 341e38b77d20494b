"""What every test shares: a watch on leaks, pytest's own test bed, and stand-ins for a bench.

The stand-ins obey the ports of `hil.ports` on a clock that only moves when somebody sleeps.
"""

from __future__ import annotations

import gc
import itertools
import math
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from hil.core.drive import DriveState, Fault
from hil.core.errors import CommandRefused, InstrumentError, LinkError
from hil.core.record import Identity
from hil.plugins.options import OPTIONS
from hil.ports.board import BoardReadings
from hil.ports.instruments import Reading, ShaftReadings, SupplyReading

try:
    import hypothesis
except ModuleNotFoundError:  # pytest loads this file for a mistyped path to a plan, too
    _MISSING = (
        "the project's own tests need more than plans do: pip install -e '.[test]' "
        "(a plan is run by its name: pytest testplans/smoke.plan.yaml)"
    )
else:
    _MISSING = ""
    # A busy machine must not fail a property: timing claims belong into ci/benchmark.
    hypothesis.settings.register_profile("house", deadline=None)
    hypothesis.settings.load_profile("house")

# pytest's test bed moves the home folder: without this, every process started in it would compile
# the simulated motor anew.
os.environ.setdefault("XDG_CACHE_HOME", str(Path.home() / ".cache"))

# A shell that starts a command in the background has it ignore Ctrl-C, nohup the hangup, and every
# process inherits that: tests of interrupts would wait for what cannot come.
for _number in (signal.SIGINT, signal.SIGHUP):
    if signal.getsignal(_number) is signal.SIG_IGN:
        signal.signal(
            _number, signal.default_int_handler if _number == signal.SIGINT else signal.SIG_DFL
        )


def pytest_addoption(pluginmanager: pytest.PytestPluginManager) -> None:
    """Inner pytest sessions need pytest's own test bed."""
    pluginmanager.import_plugin("pytester")


def pytest_collection(session: pytest.Session) -> None:
    """Refuse tests that cannot be imported, in one line."""
    here = Path(__file__).parent
    named = [
        Path(session.config.invocation_params.dir, argument.partition("::")[0]).resolve()
        for argument in session.config.args
    ]
    if _MISSING and any(p.is_relative_to(here) or here.is_relative_to(p) for p in named):
        raise pytest.UsageError(_MISSING)


def pytest_collection_finish() -> None:
    """Thousands of tests stay to the end: each search for garbage would walk through them again."""
    gc.collect()
    gc.freeze()


#: For sessions in processes of their own: the one loads hypothesis at the end, the other looks for
#: garbage, and both together take a quarter of such a session.
QUICK = "-p no:hypothesispytest -p no:unraisableexception"


@pytest.fixture(scope="session", autouse=True)
def _quick_sessions() -> Iterator[None]:
    """Not before: the workers of this session need both."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTEST_ADDOPTS", QUICK)
        for name in OPTIONS:  # what whoever runs the tests has set is not meant for them
            patch.delenv(f"HIL_{name.upper()}", raising=False)
        yield


_numbers = itertools.count()


@pytest.fixture(autouse=True)
def _leases_of_its_own(monkeypatch: pytest.MonkeyPatch, tmp_path_factory: Any) -> None:
    """Tests run side by side and name the same rigs: none may hold the lease of another's.

    The folder is made by whoever takes a rig; thousands of them would make each new one slow.
    """
    folder = tmp_path_factory.getbasetemp() / "leases" / str(next(_numbers))
    monkeypatch.setenv("HIL_LEASES", str(folder))


# -- leaks --------------------------------------------------------------------------------


def open_terminals() -> dict[str, str]:
    """Descriptors of this process that are serial ports or pseudo-terminals."""
    found = {}
    folder = Path("/proc/self/fd")
    if not folder.is_dir():  # another system: only simulated ports are watched there
        return {}
    for link in folder.iterdir():
        try:
            target = str(link.readlink())
        except OSError:  # closed in the meantime
            continue
        if target.startswith(("/dev/pts/", "/dev/ptmx", "/dev/tty")):
            found[link.name] = target
    return found


def open_simulated_ports() -> set[int]:
    """Simulated benches whose serial port somebody holds open."""
    module = sys.modules.get("hil.twin.wires.protocol_twin")
    return {id(world) for world in module._busy} if module is not None else set()


def energised_supplies() -> set[int]:
    """Simulated benches that can be reached and whose supply is on."""
    module = sys.modules.get("hil.twin.wires.registry")
    if module is None:
        return set()
    return {
        id(world)
        for world in list(module._worlds.values())
        if not world.closed and any(getattr(d, "on", False) for d in world.instruments.values())
    }


@pytest.fixture(autouse=True)
def nothing_leaks() -> Iterator[None]:
    """Fail a test that leaves a serial port, a thread or an energised simulated supply behind."""
    before = open_terminals(), open_simulated_ports(), energised_supplies()
    threads = set(threading.enumerate())
    yield
    after = open_terminals(), open_simulated_ports(), energised_supplies()
    for name, old, new in zip(
        ("terminal left open", "simulated port left open", "simulated supply left on"),
        before,
        after,
        strict=True,
    ):
        left = set(new) - set(old)
        assert not left, f"{name}: {[new[k] if isinstance(new, dict) else k for k in left]}"
    for thread in set(threading.enumerate()) - threads:
        thread.join(timeout=2.0)
        assert not thread.is_alive(), f"thread left running: {thread}"


# -- stand-ins ----------------------------------------------------------------------------


class FakeClock:
    """Time that moves only by sleeping; `at` runs an action when a moment has come."""

    def __init__(self) -> None:
        self.time = 100.0
        self._due: list[tuple[float, Any]] = []

    def now(self) -> float:
        return self.time

    def at(self, after: float, action: Any) -> None:
        self._due.append((self.time + after, action))

    def sleep(self, seconds: float) -> None:
        self.time += max(0.0, seconds)
        for entry in [entry for entry in self._due if entry[0] <= self.time]:
            self._due.remove(entry)
            entry[1]()


class FakeBoard:
    """A drive whose speed follows its set point at a constant rate; 200 frames a second."""

    RATE = 8000.0  # rpm/s

    def __init__(self, clock: FakeClock, journal: list[str]) -> None:
        self.clock, self.journal = clock, journal
        self.speed = self.target = self.angle = 0.0
        self.state, self.fault = DriveState.IDLE, Fault.NONE
        self.refuses: set[str] = set()
        self.silent = False
        self.broken = ""
        self.bad: tuple[str, ...] = ()
        self.report: dict[str, float] = {}  # overrides of reported channels
        self.streaming = False
        self.feed_voltage = 24.0
        self._last = clock.now()

    def _obey(self, command: str) -> None:
        self.journal.append(f"board {command}")
        if self.broken:
            raise LinkError(self.broken)
        if command.split(maxsplit=1)[0] in self.refuses:
            raise CommandRefused(f"board refused {command!r}: busy")

    def identify(self) -> Identity:
        self._obey("identify")
        return Identity(role="board", model="FAKE", revision="1")

    def start(self, speed: float) -> None:
        self._obey(f"start {speed:g}")
        self.target, self.state = speed, DriveState.RUN

    def set_speed(self, speed: float) -> None:
        self._obey(f"set-speed {speed:g}")
        self.target = speed

    def stop(self) -> None:
        self._obey("stop")
        self.target = 0.0
        if self.state is not DriveState.FAULT:
            self.state = DriveState.IDLE

    def clear(self) -> None:
        self._obey("clear")
        self.state, self.fault = DriveState.IDLE, Fault.NONE

    def select_sensing(self, sensing: str) -> None:
        self._obey(f"select-sensing {sensing}")

    def stream(self, on: bool) -> None:
        self._obey(f"stream {on}")
        self.streaming = on

    def trip(self, fault: Fault) -> None:
        self.state, self.fault, self.target = DriveState.FAULT, fault, 0.0

    def read(self) -> BoardReadings:
        if self.broken:
            raise LinkError(self.broken)
        first, last = int(self._last / 0.005) + 1, int(self.clock.now() / 0.005)
        self._last = max(self._last, self.clock.now())
        if last < first:
            return BoardReadings(np.empty(0), np.empty(0), {}, bad=self.bad)
        time = np.arange(first, last + 1) * 0.005
        speeds = []
        for _ in time:
            step = self.RATE * 0.005
            self.speed += float(np.clip(self.target - self.speed, -step, step))
            self.angle += self.speed * 6.0 * 0.005
            speeds.append(self.speed)
        if self.silent or not self.streaming:
            return BoardReadings(np.empty(0), np.empty(0), {}, bad=self.bad)
        values = {
            "reported.speed": np.array(speeds),
            "reported.setpoint": np.full(time.size, self.target),
            "reported.current": np.full(time.size, 0.5),
            "reported.voltage": np.full(time.size, self.feed_voltage),
            "reported.temperature": np.full(time.size, 30.0),
            "reported.state": np.full(time.size, float(self.state)),
            "reported.fault": np.full(time.size, float(self.fault)),
        }
        for name, value in self.report.items():
            values[name] = np.full(time.size, value)
        return BoardReadings(np.full(time.size, self.clock.now()), time, values, bad=self.bad)

    def close(self) -> None:
        self.journal.append("board close")


class FakeInstrument:
    """Common to the fake instruments; `broken` is the text of the error every call raises."""

    role = ""

    def __init__(self, clock: FakeClock, journal: list[str]) -> None:
        self.clock, self.journal, self.broken = clock, journal, ""

    def note(self, text: str) -> None:
        self.journal.append(f"{self.role} {text}")
        if self.broken:
            raise InstrumentError(self.broken)

    def identify(self) -> Identity:
        self.note("identify")
        return Identity(role=self.role, model=f"FAKE-{self.role}")

    def close(self) -> None:
        self.journal.append(f"{self.role} close")


class FakeSupply(FakeInstrument):
    role = "supply"

    def __init__(self, clock: FakeClock, journal: list[str]) -> None:
        super().__init__(clock, journal)
        self.on, self.voltage, self.sag = False, 0.0, 0.0
        self.current = 0.3

    def prepare(self, voltage: float, current_limit: float, over_voltage: float) -> None:
        self.note(f"prepare {voltage:g} V {current_limit:g} A {over_voltage:g} V")
        self.voltage = voltage

    def set_voltage(self, voltage: float) -> None:
        self.note(f"set {voltage:g} V")
        self.voltage = voltage

    def switch_on(self) -> None:
        self.note("on")
        self.on = True

    def switch_off(self) -> None:
        self.note("off")
        self.on = False

    def is_on(self) -> bool:
        if self.broken:
            raise InstrumentError(self.broken)
        return self.on

    def measure(self) -> SupplyReading:
        if self.broken:
            raise InstrumentError(self.broken)
        voltage = self.voltage - self.sag if self.on else 0.0
        return SupplyReading(self.clock.now(), voltage, self.current if self.on else 0.0)


class FakeTachometer(FakeInstrument):
    role = "tachometer"
    senses_direction = True
    time_uncertainty = 0.0005

    def __init__(self, clock: FakeClock, journal: list[str], board: FakeBoard) -> None:
        super().__init__(clock, journal)
        self._board, self._last = board, clock.now()

    def begin(self) -> None:
        self.note("begin")
        self._last = self.clock.now()

    def read(self) -> ShaftReadings:
        if self.broken:
            raise InstrumentError(self.broken)
        now = self.clock.now()
        if now <= self._last:
            return ShaftReadings(np.empty(0), np.empty(0), np.empty(0))
        self._last = now
        board = self._board
        return ShaftReadings(np.array([now]), np.array([board.angle]), np.array([board.speed]))


class FakeBrake(FakeInstrument):
    role = "brake"
    torque = 0.0

    def apply(self, torque: float) -> None:
        self.note(f"apply {torque:g}")
        self.torque = torque

    def release(self) -> None:
        self.note("release")
        self.torque = 0.0


class FakeSwitch(FakeInstrument):
    role = "switch"

    def set(self, line: str, closed: bool) -> None:
        self.note(f"set {line} {closed}")

    def restore(self) -> None:
        self.note("restore")


@pytest.fixture
def kit() -> SimpleNamespace:
    """A bench of stand-ins: ``bench``, its parts, the ``clock`` and the ``journal`` of calls."""
    from hil.bench.bench import Bench, Parts, Settings
    from hil.bench.limits import Limits
    from hil.bench.recorder import Sources

    clock, journal = FakeClock(), []
    board = FakeBoard(clock, journal)
    supply, brake, switch = (kind(clock, journal) for kind in (FakeSupply, FakeBrake, FakeSwitch))
    tachometer = FakeTachometer(clock, journal, board)
    parts = Parts(board=board, supply=supply, tachometer=tachometer, brake=brake, switch=switch)

    def make(**kept: Any) -> Bench:
        for name in ("tachometer", "brake", "switch"):
            if name in kept:
                setattr(parts, name, kept.pop(name))
        return Bench(
            parts=parts,
            clock=clock,
            settings=Settings(current_limit=10.0, over_voltage=46.0, **kept),
            limits=Limits(speed=6000.0, current=15.0, dc_link_voltage=45.0, temperature=90.0),
            sources=Sources(line_time=0.001),
        )

    return SimpleNamespace(
        bench=make(),
        make=make,
        parts=parts,
        board=board,
        supply=supply,
        tachometer=tachometer,
        brake=brake,
        switch=switch,
        clock=clock,
        journal=journal,
    )


class FakeThermometer(FakeInstrument):
    """On a body that cools as Newton's law has it: 25 degC + `rise` exp(-t / 100 s)."""

    role = "thermometer"

    def __init__(self, clock: FakeClock, journal: list[str], rise: float) -> None:
        super().__init__(clock, journal)
        self.rise, self.begun = rise, clock.now()

    def temperature(self) -> Reading:
        if self.broken:
            raise InstrumentError(self.broken)
        passed = self.clock.now() - self.begun
        return Reading(self.clock.now(), 25.0 + self.rise * math.exp(-passed / 100.0), 0.001)


@pytest.fixture
def hot(kit: SimpleNamespace) -> Callable[..., FakeThermometer]:
    """Puts so many K more than 25 degC on the bench of stand-ins, to begin below 45 degC."""

    def make(rise: float, **settings: Any) -> FakeThermometer:
        kit.parts.thermometer = FakeThermometer(kit.clock, kit.journal, rise)
        kit.bench = kit.make(**{"cool_below": 45.0, "cool_within": 600.0, **settings})
        return kit.parts.thermometer

    return make


# -- firmware in C ------------------------------------------------------------------------

#: Answers ``id`` in the line protocol, streams telemetry of a board that always idles, commutates
#: by Hall sensors once told ``go``; what a test puts into the holes happens in the functions.
TINY_FIRMWARE = r"""
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include "firmware_port.h"
static char line[64], out[4096];
static unsigned size, first, end, ticks, every, sequence, go;
static double now;
static volatile int zero;
@TOP@
static unsigned crc(const char *t) {
    unsigned c = 0xFFFF;
    for (; *t; t++) {
        c ^= (unsigned)(unsigned char)*t << 8;
        for (int b = 0; b < 8; b++) c = c & 0x8000 ? (c << 1 ^ 0x1021) & 0xFFFF : c << 1;
    }
    return c;
}
static void say(const char *text) {
    char whole[200];
    int n = snprintf(whole, sizeof whole, "%s*%04X\n", text, crc(text));
    for (int i = 0; i < n; i++) out[end++ % sizeof out] = whole[i];
}
int port_version(void) { @VERSION@ return FIRMWARE_PORT_VERSION; }
void port_reset(double hz) {
    (void)hz;
    size = first = end = ticks = every = sequence = go = 0;
    @RESET@
}
static void heard(void) {
    char answer[80];
    char *mark = strchr(line, '*'), *comma;
    if (mark) *mark = 0;
    if (!strcmp(line, "id")) { @ID@ say("id,DOSING-DRIVE,1.0.0,00000001"); return; }
    comma = strchr(line, ',');
    if (comma) *comma = 0;
    if (!strcmp(line, "start")) { go = 1; @START@ }
    if (!strcmp(line, "stream") && comma) every = atoi(comma + 1) ? 20000u / atoi(comma + 1) : 0;
    snprintf(answer, sizeof answer, "done,%s", line);
    say(answer);
}
void port_period(const port_inputs *in, port_outputs *o) {
    static const signed char high[8] = {-1, 0, 1, 1, 2, 0, 2, -1};
    static const signed char low[8] = {-1, 2, 0, 2, 1, 1, 0, -1};
    int on = high[in->hall & 7], off = low[in->hall & 7];
    now = in->time;
    for (int leg = 0; leg < 3; leg++) o->drive[leg] = LEG_FLOAT;
    if (go && on >= 0) {
        o->drive[on] = o->drive[off] = LEG_SYNC;
        o->duty[on] = 0.3f;
        o->duty[off] = 0;
    }
    if (every && ++ticks >= every) {
        char text[120];
        ticks = 0;
        snprintf(text, sizeof text, "t,%u,%lu,%d,0,0,0,0,0,%d,250", sequence++ & 255u,
                 (unsigned long)(now * 1e6), go ? 3 : 0, (int)(1000 * in->v_bus));
        say(text);
    }
    @PERIOD@
}
void port_receive(const uint8_t *bytes, int count) {
    @RECEIVE@
    for (int i = 0; i < count; i++) {
        if (bytes[i] == '\n') { line[size] = 0; size = 0; heard(); }
        else if (size < sizeof line - 1) line[size++] = (char)bytes[i];
    }
}
int port_transmit(uint8_t *bytes, int capacity) {
    int n = 0;
    @TRANSMIT@
    while (n < capacity && first != end) bytes[n++] = (uint8_t)out[first++ % sizeof out];
    return n;
}
@END@
"""


@pytest.fixture
def firmware_c(tmp_path: Path) -> Any:
    """Write a tiny firmware: ``firmware_c(period="abort();")`` returns its source file.

    Holes: top, version, reset, id, start, period, receive, transmit, end. Skips without a compiler.
    """
    from hil.twin import library

    if library.compiler() is None:
        pytest.skip("no C compiler on this machine")

    def write(name: str = "tiny", **bodies: str) -> Path:
        text = TINY_FIRMWARE
        for hole in ("top", "version", "reset", "id", "start", "period", "receive", "transmit"):
            text = text.replace(f"@{hole.upper()}@", bodies.pop(hole, ""))
        text = text.replace("@END@", bodies.pop("end", ""))
        assert not bodies, bodies
        folder = tmp_path / name
        folder.mkdir(exist_ok=True)
        (folder / "main.c").write_text(text)
        return folder / "main.c"

    return write
