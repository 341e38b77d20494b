"""Measures held against the truth, which a simulated bench knows.

A `Witness` stands between the bench and the drive and notes, twice a millisecond, what truly
happens. From that a second trace is made, without quantisation, gain errors or telemetry, and the
same definitions applied to it give the true values. What the firmware *says* is data and not an
estimate of anything where a measure holds it against a witness: there the reported channel stays
as recorded and only the witness is replaced.

Errors of the instruments are drawn within their data sheets: the supply's readback and the board's
converters by the simulated rig itself, the tachometer's time base and the eccentricity of its
encoder here, since the simulated counter is otherwise perfect.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from scipy.interpolate import CubicHermiteSpline

from hil.bench.access import Access
from hil.bench.assemble import assemble
from hil.bench.bench import closing
from hil.bench.open import open_parts
from hil.bench.simulate import POLL, tolerances_of, world_for
from hil.core.conditions import Conditions
from hil.core.measure import Measure
from hil.core.trace import Accuracy, Channel, FloatArray, Trace
from hil.measures.catalogue import measure
from hil.measures.power_balance import NAMEPLATE
from hil.plan.plan import PlannedItem
from hil.plan.rig import Rig
from hil.scenarios.act import conditions_of
from hil.scenarios.execute import execute
from hil.scenarios.truth_coverage import Held
from hil.twin.drive import Drive
from hil.twin.population import Spread, Tolerances, healthy_rig
from hil.twin.reference.state import STATE
from hil.twin.variation import Change, Variation
from hil.twin.wires.registry import publish
from hil.twin.wires.visa import visa_library
from hil.twin.world import VirtualClock

TICK = 0.001  # s between two samples of the simulated counter
#: s between two looks. Half a tick: the ends of a gate about any of them are looks too, so that a
#: true mean speed needs no interpolation, and what happens between two samples is seen.
LOOK = TICK / 2.0
DEGREES = 6.0  # per second and rpm

#: Measures that hold what the firmware says against a witness.
COMPARED = (
    "speed-disagreement",
    "voltage-disagreement",
    "current-disagreement",
    "reported-speed-slope",
    "reported-speed-offset",
)
#: Measures without a truth of their own: exact counts, and the promise of a link profile.
LEFT_OUT = ("telemetry-loss", "telemetry-repeats", "telemetry-rate-error", "duration")
_COLUMNS = (
    "time",
    "witness.speed",
    "witness.position",
    "reported.state",
    "reported.fault",
    "reported.current",
    "reported.peak",
    "reported.voltage",
    "reported.temperature",
    "supply.voltage",
    "supply.current",
)


class Witness:
    """A drive that is watched while it runs; everything else it does is the drive's own."""

    def __init__(self, drive: Drive) -> None:
        self.drive = self._drive = drive
        self._firmware: Any = drive.firmware.state(STATE)
        self._next = 0.0
        self.rows: list[tuple[float, ...]] = []

    def __getattr__(self, name: str) -> Any:
        return getattr(self._drive, name)

    def advance(self, seconds: float) -> None:
        """Let time pass, and look twice a millisecond."""
        drive = self._drive
        end = drive.time + seconds
        while self._next <= end:
            drive.advance(max(0.0, self._next - drive.time))
            self._look(self._next)
            self._next += LOOK
        drive.advance(max(0.0, end - drive.time))

    def _look(self, now: float) -> None:
        drive, firmware = self._drive, self._firmware
        self.rows.append(
            (
                now,
                drive.speed_rpm,
                drive.angle_deg,
                float(firmware["state"]),
                float(firmware["faults"]),
                0.5 * sum(map(abs, drive.phase_currents)),
                drive.current_peak,
                drive.dc_link_voltage,
                drive.temperatures.junction,
                drive.supply_voltage,
                drive.supply_current,
            )
        )
        drive.clear_peaks()

    def trace(self, start: float, seen: Trace, gate: float) -> Trace:
        """What truly happened, with the marks and the end of the trace that was `seen`.

        `start` is the origin of `seen` on the time of the drive, s. The speed is a mean over the
        `gate` of the tachometer, which belongs to the definition of every measure of speed.
        """
        table = np.array(self.rows, dtype=np.float64)
        t = table[:, 0] - start
        table, t = table[(t >= 0.0) & (t <= seen.end)], t[(t >= 0.0) & (t <= seen.end)]
        columns = dict(zip(_COLUMNS, table.T, strict=True))
        angle, speed = columns["witness.position"], columns["witness.speed"]
        columns["witness.speed"] = _gated(t, angle, speed, gate)
        channels = {
            name: Channel(name, seen.channels[name].unit, t, y, interval=LOOK)
            for name, y in columns.items()
            if name in seen.channels
        }
        # A supply is asked now and then; the truth is asked at the same instants.
        for name in ("supply.voltage", "supply.current"):
            asked = seen.channels[name]
            channels[name] = replace(
                channels[name],
                t=asked.t,
                y=np.interp(asked.t, t, columns[name]),
                interval=asked.interval,
            )
        return replace(seen, channels=channels)


def _gated(t: FloatArray, degrees: FloatArray, rpm: FloatArray, gate: float) -> FloatArray:
    """Mean speed over the `gate` (s) about each instant, rpm: how far the shaft turned in it.

    Between two looks the angle follows the cubic that has angle and speed of both.
    """
    if gate <= 0.0 or t.size < 2:
        return rpm
    angle = CubicHermiteSpline(t, degrees, DEGREES * rpm)

    def turned(at: FloatArray) -> FloatArray:
        inside = np.clip(at, t[0], t[-1])
        beyond = (at - inside) * DEGREES
        found: FloatArray = angle(inside) + beyond * np.interp(inside, t, rpm)
        return found

    return (turned(t + gate / 2.0) - turned(t - gate / 2.0)) / (DEGREES * gate)


def as_defined(true: Trace, seen: Trace, drive: Drive) -> Trace:
    """True currents and voltage as the definitions have them: as the board samples and filters.

    Known as its readings without the gain and the offset error that were drawn for this board.
    What the board cannot see (ripple between its samples, and during commutation) is in neither.
    """
    sensing = drive.parameters.sensing
    channels = dict(true.channels)
    for name in ("reported.current", "reported.peak"):
        said = seen.channels[name]
        # The offset counts for the sign that the current has, which is positive while it drives.
        y = np.maximum(said.y - sensing.current_offset, 0.0) / sensing.current_gain
        channels[name] = replace(said, y=y, accuracy=Accuracy())
    said = seen.channels["reported.voltage"]
    y = (said.y - sensing.voltage_offset) / sensing.voltage_gain
    channels["reported.voltage"] = replace(said, y=y, accuracy=Accuracy())
    return replace(true, channels=channels)


def stated_tolerances(rig: Rig) -> Tolerances:
    """Healthy rigs that use up the limits of error that the rig and the measures state.

    Beside boards and instruments that are the nameplate constants, in which measures allow for
    `NAMEPLATE`; a limit of error is a rectangular distribution (JCGM 100:2008, 4.3.7).
    """
    told = rig.telemetry
    return replace(
        tolerances_of(rig),
        back_emf=Spread(NAMEPLATE),
        resistance=Spread(NAMEPLATE),
        shunt_gain=Spread(told.current_accuracy.limits().relative),
        shunt_offset=Spread(told.current_accuracy.limits().absolute),
        voltage_gain=Spread(told.voltage_accuracy.limits().relative),
        supply_readback=Spread(1.0),
    )


def drawn_rig(rig: Rig, seed: int, number: int) -> Variation:
    """Rig `number` of `seed`, the offset of its voltage divider drawn as well."""
    limit = rig.telemetry.voltage_accuracy.limits().absolute
    rng = np.random.default_rng([seed, number, 7])
    offset = Change("drive.sensing.voltage_offset", float(rng.uniform(-limit, limit)), "add")
    found = healthy_rig(stated_tolerances(rig), seed, number)
    return replace(found, changes=(*found.changes, offset))


def lateness(seen: Trace, start: float) -> float:
    """How late the stamps of the simulated counter are, s: a bench takes the middle of an exchange.

    `start` is the origin of `seen` on the time of the drive, s. The counter samples at the ticks of
    the drive; its stamps are nearer to them than half a tick.
    """
    position = seen.channels.get("witness.position")
    if position is None or not len(position):
        return 0.0
    ticks = (position.t + start) / TICK
    return float(np.median(ticks - np.rint(ticks))) * TICK


def misread(trace: Trace, rng: np.random.Generator, late: float = 0.0) -> Trace:
    """The trace as a tachometer with errors within its data sheet would have captured it.

    Speed: one gain error of its time base, one offset. Position: an eccentric encoder, whose error
    over a turn is a sine of such an amplitude that at a random angle it is uniform within the
    limits (the coordinate of a random point on a sphere is). Time: the simulated counter starts
    at a certain point of the exchange that starts it, so that its stamps are `late` by so many
    seconds; a real one starts anywhere within the exchange.
    """
    channels = dict(trace.channels)
    speed, position = channels.get("witness.speed"), channels.get("witness.position")
    if speed is not None:
        a = speed.accuracy
        half = math.sqrt(3.0) * speed.time_uncertainty
        late += rng.uniform(-half, half)
        speed = replace(speed, t=speed.t - late)
        gain, offset = 1.0 + a.relative * rng.uniform(-1, 1), a.absolute * rng.uniform(-1, 1)
        channels["witness.speed"] = replace(speed, y=gain * speed.y + offset)
    if position is not None and speed is not None:
        position = replace(position, t=position.t - late)
        size = position.accuracy.absolute * math.sqrt(1.0 - rng.uniform(-1.0, 1.0) ** 2)
        error = size * np.sin(np.radians(position.y) + rng.uniform(0.0, 2.0 * math.pi))
        channels["witness.position"] = replace(position, y=position.y + error)
    return replace(trace, channels={**channels, **_misreported(trace, rng)})


def _misreported(trace: Trace, rng: np.random.Generator) -> Mapping[str, Channel]:
    """Telemetry as another link and another sensor of temperature might have delivered it.

    The simulated link always takes the same time, and the simulated sensor of temperature makes no
    error and is told more finely than the rig file says that it resolves.
    """
    found = {n: c for n, c in trace.channels.items() if n.startswith("reported.")}
    share = rng.uniform(-1.0, 1.0)
    for name, channel in found.items():
        late = math.sqrt(3.0) * channel.time_uncertainty * share
        found[name] = replace(channel, t=channel.t + late)
    sensed = found.get("reported.temperature")
    if sensed is not None:
        a = sensed.accuracy
        gain, offset = 1.0 + a.relative * rng.uniform(-1, 1), a.absolute * rng.uniform(-1, 1)
        y = gain * sensed.y + offset
        if a.resolution > 0.0:
            y = a.resolution * np.rint(y / a.resolution)
        found["reported.temperature"] = replace(sensed, y=y)
    return found


def _true_conditions(conditions: Conditions, drive: Drive) -> Conditions:
    """The conditions with the winding this very motor has, at its temperature."""
    motor = drive.parameters.motor
    return replace(conditions, back_emf_constant=motor.back_emf, resistance=motor.resistance)


def held_against_truth(
    item: PlannedItem, rig: Rig, seed: int, number: int
) -> tuple[list[Held], str]:
    """Run one item on rig `number` of `seed`; its measures against the truth, and what went wrong.

    Measures without a value on either side, and counts, are left out.
    """
    import pyvisa

    world = world_for(rig, f"{seed}/{number}/{item.id}", drawn_rig(rig, seed, number))
    drive = world.drive
    assert isinstance(drive, Drive)
    witness = Witness(drive)
    world.drive = witness
    manager = pyvisa.ResourceManager(visa_library(world))
    access = Access(
        board=publish(world),
        visa=manager,
        clock=VirtualClock(world),
        on_close=[manager.close, world.close],
        poll=POLL,
    )
    starts: list[float] = []
    with closing(
        assemble(rig, open_parts(rig, access, {}), access.clock, None, access.poll)
    ) as bench:
        # Nothing ties the moment of a command to the telemetry of a real board.
        bench.clock.sleep(float(np.random.default_rng([seed, number, 5]).uniform(0.1, 0.2)))
        done = execute(
            item, rig, bench, keep=lambda _repeat, _trace: starts.append(bench.trace_start)
        )
    if done.problem is not None or not done.traces:
        return [], f"{item.id}, rig {number}: {done.reason}"
    return against_truth(item, rig, done.traces[0], witness, starts[0], (seed, number)), ""


def against_truth(
    item: PlannedItem,
    rig: Rig,
    whole: Trace,
    witness: Witness,
    start: float,
    draw: tuple[int, int],
) -> list[Held]:
    """The measures of a captured trace against those of what the witness saw.

    `start` is the origin of the trace on the time of the drive, s; `draw` decides the errors of the
    tachometer.
    """
    conditions, drive = conditions_of(item, rig), witness.drive
    # Judged is what came before the run-down to standstill, as in a run.
    stops = [mark.t for mark in whole.marks if mark.name == "stop"]
    seen = whole.between(0.0, stops[-1]) if stops else whole
    rng = np.random.default_rng([*draw, 11])
    gate = 0.0 if rig.tachometer is None else rig.tachometer.speed_gate
    true = as_defined(witness.trace(start, seen, gate), seen, drive)
    found = measure(item.kind, misread(seen, rng, lateness(seen, start)), conditions)
    truth = {m.name: m for m in measure(item.kind, true, conditions)}
    said = {n: c for n, c in seen.channels.items() if n.startswith("reported.")}
    beside = replace(true, channels={**true.channels, **_exact(said)})
    compared = measure(item.kind, beside, _true_conditions(conditions, drive))
    truth |= {m.name: m for m in compared if m.name in COMPARED}
    return list(_pairs(item.id, found, truth))


def _exact(channels: Mapping[str, Channel]) -> dict[str, Channel]:
    return {name: replace(c, accuracy=Accuracy()) for name, c in channels.items()}


def _pairs(item: str, found: tuple[Measure, ...], truth: Mapping[str, Measure]) -> Iterator[Held]:
    for one in found:
        true = truth[one.name]
        if one.unit == "1" or one.name in LEFT_OUT:
            continue
        if one.value is None or true.value is None:
            continue
        yield Held(
            item,
            one.name,
            one.unit,
            one.value,
            true.value,
            one.uncertainty or 0.0,
            one.contributions,
        )
