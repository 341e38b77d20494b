"""The simulated drive as a circuit for ngspice: values and gates written, results read.

Both simulations play the same schedule of commutations, so that they can be compared instant by
instant: in closed loop the result hangs on which PWM period first sees each Hall edge.
"""

from __future__ import annotations

import math
import shutil
import subprocess
import time
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from hil.twin.drive import Drive
from hil.twin.parameters import (
    BridgeParameters,
    DriveParameters,
    HeatParameters,
    MotorParameters,
    SensingParameters,
    SupplyParameters,
)

NETLIST = Path(__file__).parent / "drive.cir"
STORED = Path(__file__).parent / "waveform.npz"

#: The rig of the comparison: nothing warms up, friction has no separate breakaway value.
RIG = DriveParameters(
    motor=MotorParameters(static_ratio=1.0, initial_angle_deg=20.0),
    bridge=BridgeParameters(dead_time=1e-6, capacitance=220e-6),
    supply=SupplyParameters(slew=1e9),
    sensing=SensingParameters.ideal(),
    heat=HeatParameters(winding_capacity=1e9, junction_capacity=1e9, housing_capacity=1e9),
)
VOLTAGE = 24.0
DUTY = 0.6
BRAKING = 0.02  # s: a start from rest over three electrical turns, and then the bridge brakes:
LENGTH = 0.026  # s: two of three periods all legs are held low, the third pumps the DC link up
GRID = 10e-6  # s, of stored waveforms
TMAX = 1e-6  # s, longest step of the circuit simulation
EDGE = 2e-9  # s, of the gates
#: Columns of a waveform: A, V, rad/s, rad, and the integrals of the squared currents, A^2 s.
COLUMNS = ("link", "speed", "angle", "ia", "ib", "ic", "qa", "qb", "qc")


class Commutation(NamedTuple):
    """From this PWM period on, leg `high` switches and leg `low` is held low; 0, 1, 2.

    With -1 for both, all legs are held low.
    """

    period: int
    high: int
    low: int


class Waveform(NamedTuple):
    """What a simulation found, on a common grid."""

    time: np.ndarray
    values: dict[str, np.ndarray]
    link_peak: float
    cpu: float  # s, elapsed or of the processor


def missing() -> str:
    """Why ngspice cannot be run; empty if it can."""
    return "" if shutil.which("ngspice") else "ngspice is not installed (Debian package ngspice)"


def values(tmax: float, length: float) -> str:
    """`values.inc`: the rig as parameters of the netlist."""
    motor, bridge = RIG.motor, RIG.bridge
    period = 1.0 / bridge.pwm_hz
    numbers = {
        "vs": VOLTAGE,
        "rs": RIG.supply.resistance,
        "cap": bridge.capacitance,
        "bleed": bridge.bleeder,
        "ron": bridge.on_resistance,
        "vd": bridge.diode_drop,
        "rd": bridge.diode_resistance,
        "r": motor.resistance / 2,
        "l": motor.inductance / 2,
        "k": motor.back_emf / 2,
        "pairs": motor.pole_pairs,
        "j": motor.inertia,
        "visc": motor.viscous,
        "fric": motor.coulomb,
        "cog": motor.cogging,
        "cycles": motor.cogging_cycles,
        "angle0": math.radians(motor.initial_angle_deg),
        "rise": 0.5 * period * (1.0 - DUTY),
        "width": period * DUTY,
        "dead": bridge.dead_time,
        "edge": EDGE,
        "period": period,
        "grid": GRID,
        "length": length,
        "tmax": tmax,
    }
    return "".join(f".param {name}={value:.12g}\n" for name, value in numbers.items())


def schedule(commutations: list[Commutation]) -> str:
    """`schedule.inc`: six sources that say which leg switches and which is held low."""
    lines = []
    for kind, place in (("h", 1), ("l", 2)):
        for leg, name in enumerate("abc"):
            points: list[str] = []
            level = 0
            for change in commutations:
                new = int(change[place] == leg or (change.high < 0 and kind == "l"))
                at = change.period / RIG.bridge.pwm_hz
                if change.period == 0:
                    points.append(f"0 {new}")
                elif new != level:
                    points.append(f"{at - EDGE / 2:.12g} {level} {at + EDGE / 2:.12g} {new}")
                level = new
            lines.append(f"V{kind}{name} {kind}{name} 0 PWL({' '.join(points)})")
    return "\n".join(lines) + "\n"


def by_ngspice(
    commutations: list[Commutation], folder: Path, tmax: float = TMAX, length: float = LENGTH
) -> Waveform:
    """Run ngspice in `folder`.

    Raises
    ------
    AssertionError
        If it fails; with what it printed.
    """
    (folder / "values.inc").write_text(values(tmax, length))
    (folder / "schedule.inc").write_text(schedule(commutations))
    shutil.copy(NETLIST, folder)
    raw = folder / "out.raw"
    before = time.perf_counter()
    done = subprocess.run(
        ["ngspice", "-b", "-r", raw.name, NETLIST.name],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    taken = time.perf_counter() - before
    assert done.returncode == 0, done.stdout + done.stderr
    assert raw.exists(), done.stdout + done.stderr
    table = _read_raw(raw)
    grid = np.arange(round(length / GRID) + 1) * GRID
    names = {name: f"v({name})" for name in COLUMNS}
    found = {name: np.interp(grid, table["time"], table[key]) for name, key in names.items()}
    return Waveform(grid, found, float(table["v(link)"].max()), taken)


def _read_raw(path: Path) -> dict[str, np.ndarray]:
    """A raw file of ngspice: a text header, then rows of doubles."""
    head, _, data = path.read_bytes().partition(b"Binary:\n")
    lines = head.decode().splitlines()
    start = lines.index("Variables:") + 1
    names = [line.split()[1].lower() for line in lines[start:]]
    table = np.frombuffer(data, float).reshape(-1, len(names))
    return {name: table[:, n] for n, name in enumerate(names)}


def note_commutations(firmware: Any) -> list[Commutation]:
    """Commutate by the Hall sensors and note which legs that made switch and hold, and when."""
    drive = _energised(firmware)
    changes: list[Commutation] = []
    for period in range(round(LENGTH * RIG.bridge.pwm_hz)):
        braking = period >= BRAKING * RIG.bridge.pwm_hz and period % 3 > 0
        if braking:
            firmware.hold([1, 1, 1], [0.0, 0.0, 0.0])
        else:
            firmware.commutate(DUTY)
        drive.advance(1.0 / RIG.bridge.pwm_hz)
        out = firmware.outputs()
        high = int(np.argmax(out["duty"]))
        low = next(leg for leg in range(3) if out["drive"][leg] and leg != high)
        if braking:
            high = low = -1
        if not changes or changes[-1][1:] != (high, low):
            changes.append(Commutation(period, high, low))
    return changes


def by_kernel(
    commutations: list[Commutation],
    firmware: Any,
    rig: DriveParameters = RIG,
    longest: float | None = None,
) -> Waveform:
    """Play the schedule on the simulated drive; the grid is one sample a PWM period.

    `longest`: of the steps, in s, if not the usual.
    """
    drive = _energised(firmware, rig)
    if longest is not None:
        drive._constants["longest"] = longest
    due = {change.period: change for change in commutations}
    rows: list[tuple[float, ...]] = []
    square = np.zeros(3)

    def note() -> None:
        state = drive._now()
        rows.append((state["link"], state["speed"], state["angle"], *state["i"], *square))

    before = time.process_time()
    for period in range(round(LENGTH * rig.bridge.pwm_hz)):
        note()
        if period in due:
            _, high, low = due[period]
            duty, legs = np.zeros(3), np.zeros(3, int)
            if high < 0:
                legs[:] = 1
            else:
                duty[high], legs[[high, low]] = DUTY, 1
            firmware.hold(legs, duty)
        drive.advance(1.0 / rig.bridge.pwm_hz)
        # the drive adds up the three phases; what each had is not kept
        square[:] = drive.energies().copper / (1.5 * rig.motor.resistance)
    note()
    taken = time.process_time() - before
    grid = np.arange(len(rows)) / rig.bridge.pwm_hz
    table = dict(zip(COLUMNS, np.array(rows).T, strict=True))
    return Waveform(grid, table, drive.dc_link_peak, taken)


def _energised(firmware: Any, rig: DriveParameters = RIG) -> Drive:
    drive = Drive(rig, firmware, seed=0)
    drive._state["link"] = VOLTAGE
    drive.set_supply(VOLTAGE, 1e6, True)
    return drive


def rms(waveform: Waveform) -> float:
    """RMS phase current over the whole, mean of the three phases, A."""
    squares = sum(waveform.values[name][-1] for name in ("qa", "qb", "qc"))
    return math.sqrt(float(squares) / waveform.time[-1] / 3.0)


def speed_difference(waveform: Waveform, truth: Waveform) -> float:
    """Largest difference in speed, relative to the highest speed."""
    expected = np.interp(waveform.time, truth.time, truth.values["speed"])
    return float(np.abs(waveform.values["speed"] - expected).max() / np.abs(expected).max())


def store(commutations: list[Commutation], found: Waveform, path: Path = STORED) -> None:
    """Keep a waveform and the schedule that made it."""
    columns = {name: found.values[name].astype(np.float32) for name in COLUMNS}
    np.savez_compressed(
        path, schedule=np.array(commutations), link_peak=found.link_peak, cpu=found.cpu, **columns
    )


def stored(path: Path = STORED) -> tuple[list[Commutation], Waveform]:
    """The schedule and waveform kept by `store`."""
    with np.load(path) as kept:
        commutations = [Commutation(*(int(x) for x in row)) for row in kept["schedule"]]
        columns = {name: kept[name].astype(float) for name in COLUMNS}
        grid = np.arange(len(columns["speed"])) * GRID
        found = Waveform(grid, columns, float(kept["link_peak"]), float(kept["cpu"]))
    return commutations, found
