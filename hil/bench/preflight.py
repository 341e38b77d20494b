"""Looks a rig over without energising anything: files, drivers, identities, limits."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, date, datetime
from shutil import which

from hil.bench.bench import Bench
from hil.bench.checklist import told, valid
from hil.bench.compiling import firmware_finding
from hil.bench.findings import Finding, Grade
from hil.bench.lease import Lease
from hil.bench.offered import driver_findings, transport_findings
from hil.bench.open import Guarding, open_bench, unanswered
from hil.bench.prove import prove, set_limits
from hil.core.errors import HilError
from hil.core.record import Identity
from hil.core.roles import INSTRUMENTS
from hil.motor.bounds import highest_braking_speed, lossless_bus_peak
from hil.motor.nameplate import back_emf, highest_speed
from hil.plan.line_load import overload, usual_bytes
from hil.plan.rig import Rig
from hil.ports.board import Timed
from hil.ports.registry import Registry

__all__ = ["Finding", "Grade", "look_over"]

#: What measures nothing that is judged.
_NOT_MEASURING = ("board", "switch", "brake", "interlock")


def look_over(
    rig: Rig,
    *,
    simulated: bool,
    resources: Mapping[str, str],
    today: date,
    energise: bool = False,
    lease: Lease | None = None,
) -> Iterator[Finding]:
    """Every finding in turn; the output of the supply stays off throughout.

    Unless `energise` is set: then what `hil.bench.prove` does comes last, under a guard.

    Parameters
    ----------
    resources : role -> port or VISA resource that overrides the rig file.
    today : day on which calibrations must not be overdue.
    lease : of the rig; held on by a guard that has to go on switching off.
    """
    yield from _of_file(rig)
    if rig.checklist is not None and not simulated:
        checked = _checked(rig, needed=energise)
        yield checked
        energise = energise and checked.grade is Grade.OK
    firmware = list(firmware_finding(rig, needed=simulated))
    yield from firmware
    if any(finding.grade is Grade.FAILED for finding in firmware):
        return  # opening the bench would say the same, at greater length
    if not simulated:
        yield from _flashing(rig)
        yield from transport_findings(
            resources.get(role) or instrument.resource
            for role in INSTRUMENTS
            if (instrument := getattr(rig, role)) is not None
        )
    held: list[str] = []
    try:
        guarding = Guarding(hold=lease.files if lease is not None else ()) if energise else None
        bench = open_bench(rig, simulated, resources, seed="check", guarding=guarding, held=held)
    except HilError as error:
        yield from _held(held)
        # Opening ends at the first part that does not answer: whoever looks wants to know of all.
        parts = [] if simulated else list(unanswered(rig, resources))
        failed = [(f"bench, {role}", reason) for role, reason in parts] or [("bench", str(error))]
        yield from (Finding(what, Grade.FAILED, reason) for what, reason in failed)
        return
    try:
        yield from _who_answers(bench, today)
        yield from _held(held)
        try:
            grade, text = set_limits(bench, rig)
            yield Finding("supply limits", grade, f"{text}, output off")
        except HilError as error:
            yield Finding("supply limits", Grade.FAILED, str(error))
            energise = False
        if lacks := getattr(bench.brake, "lacks", ()):
            yield Finding("brake", Grade.WARNING, "; ".join(lacks))
        if energise:
            yield from prove(bench, rig)
    except HilError as error:
        yield Finding("identities", Grade.FAILED, str(error))
    finally:
        problems = bench.close()
        if lease is not None and bench.keeper.left_to_guard:
            lease.release(keep_for_children=True)
    for problem in problems:
        yield Finding("leaving the bench safe", Grade.FAILED, problem)


def _of_file(rig: Rig) -> Iterator[Finding]:
    """What the rig file alone tells."""
    yield Finding("rig file", Grade.OK, f"{rig.rig}: {rig.description or rig.motor.name}")
    if rig.borrowed_name:
        yield Finding("name", Grade.WARNING, rig.borrowed_name)
    if rig.inherited:
        yield Finding("inherited", Grade.WARNING, rig.inherited)
    yield _back_emf(rig)
    yield from _limits(rig)
    yield from _current_limits(rig)
    try:
        yield from driver_findings(rig, Registry.installed())
    except HilError as error:
        yield Finding("drivers", Grade.FAILED, str(error))
    yield _line(rig)
    yield from _not_wired(rig)


def _checked(rig: Rig, *, needed: bool) -> Finding:
    """Whether a person has seen to the bench; `needed` before anything is energised."""
    try:
        return Finding("checklist", Grade.OK, told(rig, valid(rig, datetime.now(UTC))))
    except HilError as error:
        return Finding("checklist", Grade.FAILED if needed else Grade.WARNING, str(error))


def _held(texts: Sequence[str]) -> Iterator[Finding]:
    """What opening took out of error queues; it may be news to who used the instrument before."""
    for text in texts:
        yield Finding("errors from before", Grade.WARNING, text)


def _line(rig: Rig) -> Finding:
    """How much of the serial line telemetry takes; what is sure to be too much, loading refused."""
    link = rig.profile
    size = usual_bytes(link)
    about = "about " if link.framing.kind == "lines" else ""
    if said := overload(link, size):
        return Finding("serial line", Grade.WARNING, f"telemetry: {said}".replace(
            f"of {size} bytes", f"of {about}{size} bytes"
        ))  # fmt: skip
    share = 100.0 * link.on_line(size) * link.telemetry_rate
    return Finding(
        "serial line",
        Grade.OK,
        f"telemetry takes {about}{share:.0f} % of it: {link.telemetry_rate:g} frames/s of {about}"
        f"{size} bytes at {link.baud} baud",
    )


def _not_wired(rig: Rig) -> Iterator[Finding]:
    if rig.brake is None:
        yield Finding(
            "brake",
            Grade.OK,
            f"none is wired: what needs one takes a person, who has {rig.answer_within:g} s to "
            f"answer (--hil-attended=on), or is not run; what needs a load that is kept exactly "
            "(load, saturate, a stall that must not trip) is not run at all",
        )
    if rig.switch is None:
        yield Finding("switch", Grade.OK, "none is wired: what opens or closes a line is not run")


def _flashing(rig: Rig) -> Iterator[Finding]:
    """Whether the programs are there that put firmware onto the board; none of them is started."""
    flash = rig.board.flash
    if flash is None:
        return
    programs = dict.fromkeys(words[0] for words in (flash.command, flash.build) if words)
    if missing := [program for program in programs if which(program) is None]:
        yield Finding(
            "flashing",
            Grade.WARNING,
            f"no program {' and no program '.join(missing)}, or it may not be executed: "
            "--hil-firmware will be refused",
        )
    else:
        yield Finding("flashing", Grade.OK, f"by {', '.join(programs)}: there, not started")


def _who_answers(bench: Bench, today: date) -> Iterator[Finding]:
    for who in bench.identities():
        yield _identity(who, today)
    if isinstance(bench.board, Timed):
        yield Finding(
            "turnaround",
            Grade.OK,
            f"the board answered within {1e3 * bench.board.turnaround:.3g} ms besides the time on "
            "the line: its times are that uncertain",
        )


def _identity(who: Identity, today: date) -> Finding:
    place = f" at {who.resource}" if who.resource else ""
    if not who.calibration_due:
        grade = Grade.OK if who.role in _NOT_MEASURING else Grade.WARNING
        note = (
            "; no calibration date in the rig file: a release on bench evidence asks for one, or "
            "for calibration-not-needed"
        )
        return Finding(who.role, grade, f"{who}{place}{'' if who.role == 'board' else note}")
    overdue = date.fromisoformat(who.calibration_due) < today
    note = f"; calibration {'was' if overdue else 'is'} due {who.calibration_due}"
    return Finding(who.role, Grade.WARNING if overdue else Grade.OK, f"{who}{place}{note}")


def _current_limits(rig: Rig) -> Iterator[Finding]:
    """Where the supply limits its current before the abort limit can act on what it reads."""
    limit, supply = rig.limits.current, rig.supply.current_limit
    if limit > supply:
        yield Finding(
            "abort current",
            Grade.OK,
            f"{limit:g} A of what the board reports; the supply itself stops at {supply:g} A",
        )


def _back_emf(rig: Rig) -> Finding:
    """Whether the voltages of the rig reach the speeds of its name plate."""
    motor, supply = rig.motor, rig.supply
    emf = back_emf(motor.back_emf_constant, motor.max_speed)
    text = (
        f"back-EMF at max-speed {motor.max_speed:g} rpm: {emf:.1f} V line to line, supply "
        f"{supply.voltage:g} V"
    )
    if emf <= supply.voltage:
        return Finding("motor", Grade.OK, text)
    most = highest_speed(motor.back_emf_constant, supply.voltage)
    return Finding(
        "motor",
        Grade.WARNING,
        f"{text}: beyond {most:.0f} rpm no firmware gets there without field weakening, and what "
        "fails in such items need not be the firmware's",
    )


def _limits(rig: Rig) -> Iterator[Finding]:
    """How far the rig's abort limits allow a reversal, if the capacitor alone takes the energy."""
    absorbed = rig.regeneration.absorbed_by.replace("-", " ")
    if rig.regeneration.absorbed_by != "dc-link-capacitor":
        yield Finding("regeneration", Grade.OK, f"absorbed by {absorbed}")
        return
    limit, voltage = rig.limits.dc_link_voltage, rig.supply.voltage
    inertia, capacitance = rig.motor.inertia, rig.regeneration.dc_link_capacitance
    peak = lossless_bus_peak(
        voltage=voltage,
        inertia=inertia,
        capacitance=capacitance,
        speed_rpm=rig.motor.max_speed,
    )
    text = f"reversal from {rig.motor.max_speed:g} rpm at {voltage:g} V: at most {peak:.1f} V"
    if peak <= limit:
        yield Finding("regeneration", Grade.OK, f"{text}, abort limit {limit:g} V")
        return
    highest = highest_braking_speed(
        limit=limit, voltage=voltage, inertia=inertia, capacitance=capacitance
    )
    yield Finding(
        "regeneration",
        Grade.WARNING,
        f"{text}, above the abort limit of {limit:g} V; reversals from more than "
        f"{highest:.0f} rpm will be refused",
    )
