"""Proves a bench before it is trusted: that it can stop comes before that it can move.

    for finding in prove(bench, rig): ...

Energises, in this order: nothing; a low voltage, to try the protection and the stop path; a low
current, to see which way the shaft turns. Takes about two seconds. The first failure ends it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

from hil.bench.bench import Bench
from hil.bench.findings import Finding, Grade
from hil.core.drive import DriveState
from hil.core.errors import CommandRefused, HilError
from hil.plan.rig import Rig
from hil.ports.instruments import TrippingSupply

#: Share of the rig's voltage at which protection and stop path are tried, and its current limit, A.
LOW_VOLTAGE, LOW_CURRENT = 0.2, 0.5
#: Protection level in that trial, as a share of the output that it must trip on.
TRIP_SHARE, TRIP_WITHIN = 0.8, 0.5
#: The shaft must have turned so far to tell the direction, deg, within s.
TURN, TURN_WITHIN = 90.0, 1.5
#: Where nothing tells the angle it must turn so fast, rpm.
TURN_SPEED = 100.0
#: A stop path that takes longer is no stop path, s.
STOP_WITHIN = 0.5


class PreflightFailed(HilError):
    """The bench is not to be trusted; the message says what failed."""


def prove(bench: Bench, rig: Rig) -> Iterator[Finding]:
    """Findings in turn; the supply is off after each, whatever happens.

    A finding of grade failed is the last one. The direction check turns the shaft, so that it comes
    only when everything else has held.
    """
    trials: tuple[tuple[str, Callable[[Bench, Rig], tuple[Grade, str]]], ...] = (
        ("interlocks", _interlocks),
        ("supply limits", _limits),
        ("protection", _protection),
        ("stop path", _stop_path),
        ("direction", _direction),
    )
    for name, trial in trials:
        bench.observer.step(f"preflight: {name}")
        try:
            grade, detail = trial(bench, rig)
        except HilError as error:
            grade, detail = Grade.FAILED, str(error)
        problems = bench.make_safe()
        if problems:
            grade, detail = Grade.FAILED, f"{detail}; {'; '.join(problems)}"
        yield Finding(name, grade, detail)
        if grade is Grade.FAILED:
            return


def _interlocks(bench: Bench, rig: Rig) -> tuple[Grade, str]:
    if bench.interlock is None:
        return Grade.WARNING, "the rig file names none: nobody reads emergency stop and guard"
    bench.keeper.check_interlocks()
    names = ", ".join(rig.interlock.contacts if rig.interlock is not None else ())
    return Grade.OK, f"closed: {names}"


def _limits(bench: Bench, rig: Rig) -> tuple[Grade, str]:
    return set_limits(bench, rig)


def set_limits(bench: Bench, rig: Rig) -> tuple[Grade, str]:
    """Set the limits of the rig file, output left alone; a warning if the supply lacks any.

    Raises
    ------
    InstrumentError
        If the supply refuses a value or reads back another one.
    """
    supply, lacks = rig.supply, getattr(bench.supply, "lacks", ())
    bench.supply.prepare(supply.voltage, supply.current_limit, supply.over_voltage_limit)
    limits = f"{supply.voltage:g} V, {supply.current_limit:g} A"
    if lacks:
        return Grade.WARNING, f"{limits}: set, as far as the supply can: {'; '.join(lacks)}"
    protection = f"protection at {supply.over_voltage_limit:g} V"
    if rig.commands["supply"].over_current is not None:
        protection += ", over-current protection on"
    return Grade.OK, f"{limits}, {protection}: set and read back"


def _low(bench: Bench, rig: Rig) -> float:
    """Output on at a low voltage and current, the board not commanded to do anything; the V."""
    low = rig.supply.voltage * LOW_VOLTAGE
    # A DC link still charged from before cannot be discharged by a supply that does not sink.
    charged = bench.supply.measure().voltage
    voltage = round(low if charged < low else min(charged * 1.05 + 0.1, rig.supply.voltage), 2)
    bench.begin_trace()
    bench.energise(voltage, current_limit=min(LOW_CURRENT, rig.supply.current_limit))
    return voltage


def _protection(bench: Bench, rig: Rig) -> tuple[Grade, str]:
    supply = bench.supply
    if not isinstance(supply, TrippingSupply):
        return Grade.WARNING, "this supply driver cannot try its protection"
    voltage = _low(bench, rig)
    level = round(voltage * TRIP_SHARE, 2)
    try:
        supply.set_protection(level)
    except HilError as error:
        # Some supplies refuse a level below the set point, which is a protection of its own.
        return Grade.WARNING, f"cannot be tried: {error}"
    begun, clock = bench.clock.now(), bench.clock
    while not supply.tripped():
        if clock.now() - begun > TRIP_WITHIN:
            return Grade.FAILED, (
                f"over-voltage protection set to {level:g} V does not trip at an output of "
                f"{supply.measure().voltage:.2f} V within {TRIP_WITHIN:g} s"
            )
        clock.sleep(0.005)
    took = clock.now() - begun
    if supply.is_on():
        return Grade.FAILED, "over-voltage protection says that it tripped but the output is on"
    bench.switch_off()
    supply.clear_protection()
    if supply.tripped():
        return Grade.FAILED, "the over-voltage protection cannot be cleared"
    return Grade.OK, f"tripped at {level:g} V with {voltage:g} V out after {took:.3f} s; cleared"


def _stop_path(bench: Bench, rig: Rig) -> tuple[Grade, str]:
    voltage = _low(bench, rig)
    begun = bench.clock.now()
    bench.switch_off()
    took = bench.clock.now() - begun
    if took > STOP_WITHIN:
        return Grade.FAILED, f"switching off took {took:.2f} s, expected at most {STOP_WITHIN:g} s"
    guard = "guard process armed" if bench.guarded else "no guard process (simulated bench)"
    return Grade.OK, f"off from {voltage:g} V, read back, in {took:.3f} s; {guard}"


def _direction(bench: Bench, rig: Rig) -> tuple[Grade, str]:
    """One slow start clockwise. That it does not start at all is for the plans to say."""
    if bench.tachometer is None or not bench.tachometer.senses_direction:
        return Grade.WARNING, "cannot be told without a tachometer that senses direction"
    low = min(rig.supply.current_limit, max(1.0, 0.5 * rig.motor.rated_current))
    bench.begin_trace()
    bench.energise(rig.supply.voltage, current_limit=low)
    board, latest = bench.board, bench.latest
    board.stream(True)
    bench.wait_until(lambda: latest.state is not None, 0.5)
    if latest.state not in (DriveState.IDLE, None):
        board.clear()
    try:
        board.select_sensing(rig.board.sensing[0])
        bench.wait_until(lambda: latest.position == latest.position, 0.1)
        origin = latest.position
        bench.watch.expect(None)
        board.start(rig.motor.min_speed)
    except CommandRefused as error:
        return Grade.WARNING, f"not seen: {error}"
    if not math.isfinite(origin):
        return _direction_by_speed(bench, low)
    bench.wait_until(
        lambda: abs(latest.position - origin) >= TURN or latest.state is DriveState.FAULT,
        TURN_WITHIN,
    )
    turned, reported = latest.position - origin, latest.reported_speed
    bench.come_to_rest()
    if turned <= -TURN:
        return Grade.FAILED, (
            f"asked to turn clockwise at {low:g} A the shaft turned {-turned:.0f} deg "
            f"counter-clockwise: motor phases, Hall lines, tachometer or firmware"
        )
    if not turned >= TURN:
        return Grade.WARNING, (
            f"not seen: the shaft turned {turned:.0f} deg within {TURN_WITHIN:g} s at {low:g} A"
        )
    return Grade.OK, f"clockwise as asked, {low:g} A, reported {reported:+.0f} rpm"


def _direction_by_speed(bench: Bench, low: float) -> tuple[Grade, str]:
    """The same where nothing tells the angle: by the sign of the witnessed speed."""
    latest = bench.latest
    bench.wait_until(
        lambda: abs(latest.witness_speed) >= TURN_SPEED or latest.state is DriveState.FAULT,
        TURN_WITHIN,
    )
    speed, reported = latest.witness_speed, latest.reported_speed
    bench.come_to_rest()
    if speed <= -TURN_SPEED:
        return Grade.FAILED, (
            f"asked to turn clockwise at {low:g} A the shaft turned counter-clockwise at "
            f"{-speed:.0f} rpm: motor phases, Hall lines, tachometer or firmware"
        )
    if not speed >= TURN_SPEED:
        return Grade.WARNING, f"not seen: {speed:.0f} rpm within {TURN_WITHIN:g} s at {low:g} A"
    return Grade.OK, f"clockwise as asked, by its speed, {low:g} A, reported {reported:+.0f} rpm"


def require(findings: Iterator[Finding], tell: Callable[[Finding], None]) -> None:
    """Go through the findings.

    Raises
    ------
    PreflightFailed
        At the first failed one.
    """
    for finding in findings:
        tell(finding)
        if finding.grade is Grade.FAILED:
            raise PreflightFailed(f"preflight: {finding.what}: {finding.detail}")
