"""Opens what a rig file names: board and instruments, on hardware or on the simulated bench."""

from __future__ import annotations

import contextlib
import dataclasses
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from hil.bench.access import Access
from hil.bench.assemble import assemble
from hil.bench.bench import Bench
from hil.bench.guard import Guard, GuardSettings
from hil.bench.observe import Observer
from hil.bench.operator import Operator
from hil.bench.parts import Parts
from hil.core.errors import BenchError, HilError, InstrumentTimeout
from hil.core.record import Identity
from hil.core.roles import INSTRUMENTS
from hil.drivers.port_select import UsbMatch, find_port
from hil.drivers.scpi import ScpiConfig
from hil.drivers.serial_board import ByteLog
from hil.drivers.visa_calls import Overdue, call_once
from hil.drivers.visa_sharing import Sharing
from hil.plan.instruments import SOURCE_BRAKES, Instrument
from hil.plan.rig import Rig
from hil.ports.board import Board
from hil.ports.clock import Clock, WallClock
from hil.ports.instruments import KeptErrors
from hil.ports.registry import Registry

#: Closing the VISA library may take so long, s.
CLOSING = 5.0


def board_port(rig: Rig, resources: Mapping[str, str]) -> str:
    """Where the board is now: after a reset an adapter may come back at another place.

    Raises
    ------
    BenchError
        If the board's port is not there, or not unique.
    """
    link = rig.board
    usb = None
    if link.usb is not None:
        usb = UsbMatch(
            vendor=link.usb.vendor,
            product=link.usb.product,
            serial=link.usb.serial,
            location=link.usb.location,
        )
    return resources.get("board") or find_port(by_id=link.by_id, usb=usb, url=link.url)


def hardware_access(rig: Rig, resources: Mapping[str, str]) -> Access:
    """The real bench: port selected as the rig file says, VISA through pyvisa-py.

    Raises
    ------
    BenchError
        If the board's port is not there, or not unique.
    """
    board = board_port(rig, resources)
    import pyvisa

    manager = pyvisa.ResourceManager("@py")
    return Access(board=board, visa=manager, clock=WallClock(), on_close=[lambda: _close(manager)])


def _close(manager: Any) -> None:
    """Close what is still open of it; InstrumentTimeout where the library does not come back."""
    try:
        call_once("VISA", manager.close, CLOSING)
    except Overdue as error:
        raise InstrumentTimeout(f"VISA cannot be closed: {error}") from error


@cache
def _drivers() -> Registry:
    """Every driver; a process looks through the installed packages once."""
    return Registry.installed()


def open_parts(
    rig: Rig,
    access: Access,
    resources: Mapping[str, str],
    log: ByteLog | None = None,
    held: list[str] | None = None,
) -> Parts:
    """Open instruments, then the board, each checked against the identity the rig file expects.

    Nothing is energised. On failure everything opened so far is closed again; `held` is added to as
    `open_bench` says all the same.

    Raises
    ------
    BenchError
        Naming what could not be opened and why.
    FirmwareError
        If the user's own firmware does not answer: nothing else can be at fault there.
    """
    with contextlib.ExitStack() as undo:
        for action in access.on_close:
            undo.callback(_quietly, action)
        if access.simulated:
            rig = rig.as_simulated()
        opened: dict[str, Any] = {}
        visa = Sharing(access.visa, bounded=not access.simulated)
        for role in INSTRUMENTS:
            if getattr(rig, role) is not None:
                opened[role] = _open_instrument(rig, role, resources, access.clock, visa)
                undo.callback(opened[role].close)
                if held is not None:
                    held.extend(_kept_errors(opened[role]))
        board = open_board(rig, access.board, access.clock, log, firmware=access.firmware)
        undo.pop_all()
        return Parts(board=board, on_close=access.on_close, firmware=access.firmware, **opened)


def _kept_errors(part: Any) -> Iterator[str]:
    if isinstance(part, KeptErrors) and part.errors_at_open:
        who = part.identify()
        errors = "; ".join(part.errors_at_open)
        yield f"{who.role} at {who.resource}: its error queue held from before: {errors}"


def _quietly(action: Callable[[], None]) -> None:
    """Do it; what went wrong before is what is told."""
    with contextlib.suppress(HilError):
        action()


def _open_instrument(
    rig: Rig, role: str, resources: Mapping[str, str], clock: Clock, visa: Sharing
) -> Any:
    instrument: Instrument = getattr(rig, role)
    descriptor = _drivers().get(role, instrument.driver)
    offer = _offer(role, instrument, resources.get(role, "")) | _described(rig, role)
    return descriptor.open(_configured(descriptor.config, offer), clock, visa)


def unanswered(rig: Rig, resources: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """Role and reason of every part of the real bench that cannot be opened, each tried by itself.

    `open_parts` ends at the first one.
    """
    import pyvisa

    clock = WallClock()
    manager = pyvisa.ResourceManager("@py")
    with contextlib.ExitStack() as undo:
        undo.callback(_quietly, lambda: _close(manager))
        for role in ("board", *INSTRUMENTS):
            if getattr(rig, role) is None:
                continue
            try:
                if role == "board":
                    part: Any = open_board(rig, board_port(rig, resources), clock)
                else:
                    part = _open_instrument(
                        rig, role, resources, clock, Sharing(manager, bounded=True)
                    )
            except HilError as error:
                yield role, str(error)
            else:
                part.close()


def open_board(
    rig: Rig,
    port: str,
    clock: Clock,
    log: ByteLog | None = None,
    *,
    retries: int | None = None,
    firmware: str = "",
) -> Board:
    """Open the board's link and make sure that the expected model answers.

    Parameters
    ----------
    retries : of the identity, if not as the link profile says.
    firmware : name of the user's own firmware on a simulated board.

    Raises
    ------
    BenchError
        If nothing, or another board, answers.
    FirmwareError
        If the user's own firmware does not answer: nothing else can be at fault there.
    """
    profile = rig.profile
    if retries is not None:
        profile = dataclasses.replace(profile, retries=retries)
    descriptor = _drivers().get("board", rig.board.driver)
    lines = {"dtr": rig.board.dtr, "rts": rig.board.rts}
    offer = {"url": port, "description": profile, "firmware": firmware, **lines}
    config = _configured(descriptor.config, offer)
    board: Any = descriptor.open(config, clock, log)
    try:
        _expect_model(rig, port, board.identify())
    except BaseException:
        board.close()
        raise
    opened: Board = board
    return opened


def _expect_model(rig: Rig, port: str, found: Identity) -> None:
    expected = rig.board.expect_model
    if expected and found.model != expected:
        raise BenchError(
            f"wrong board at {port}: it says {found.model!r}, the rig file expects {expected!r}"
        )


def _offer(role: str, instrument: Instrument, override: str) -> dict[str, Any]:
    """Everything the rig file says of an instrument, by the names configurations use."""
    due = instrument.calibration_due
    scpi = ScpiConfig(
        resource=override or instrument.resource,
        role=role,
        expect=instrument.expect,
        timeout=instrument.timeout,
        calibration_due=due.isoformat() if due else "",
    )
    told = {name: getattr(instrument, name) for name in type(instrument).model_fields}
    told.pop("commands", None)  # as read from its file, see `_described`
    return {**told, "resource": scpi.resource, "scpi": scpi}


def _described(rig: Rig, role: str) -> dict[str, Any]:
    """What the instrument understands, where that is told; else the driver knows the standard."""
    if role in rig.commands:
        return {"commands": rig.commands[role]}
    return {"commands": rig.readings[role]} if role in rig.readings else {}


def _configured(config: type, offer: Mapping[str, Any]) -> Any:
    """A driver's configuration: of what is offered, the fields it has."""
    names = {field.name for field in dataclasses.fields(config)}
    return config(**{name: value for name, value in offer.items() if name in names})


@dataclass(frozen=True, slots=True, kw_only=True)
class Guarding:
    """For the guard process: its log, the record it adds to, and what it holds; see there."""

    log: Path | None = None
    record: Path | None = None
    hold: tuple[int, ...] = ()


def _brake_off(rig: Rig, resources: Mapping[str, str]) -> tuple[str, ...]:
    """What the guard sends after switching the supply off, if the brake is an output of it too."""
    brake, commands = rig.brake, rig.commands.get("brake")
    if brake is None or commands is None or brake.driver not in SOURCE_BRAKES:
        return ()
    same = (resources.get("brake") or brake.resource).upper() == (
        resources.get("supply") or rig.supply.resource
    ).upper()
    return (commands.message(commands.output_off),) if same else ()


def guarded(rig: Rig, parts: Parts, resources: Mapping[str, str], guarding: Guarding) -> Guard:
    """An armed guard of the supply among `parts`.

    Raises
    ------
    GuardLost
        If it cannot reach the supply, or finds another one there.
    """
    who, commands = parts.supply.identify(), rig.commands["supply"]
    guard = Guard.start(
        GuardSettings(
            resource=resources.get("supply") or rig.supply.resource,
            identity=",".join((who.maker, who.model, who.serial, who.revision)),
            session="own" if rig.supply.guard == "own-session" else "takeover",
            log=guarding.log,
            record=guarding.record,
            hold=guarding.hold,
            off=(commands.message(commands.output_off), *_brake_off(rig, resources)),
            state=commands.message(commands.output_query),
            gap=commands.command_gap,
        )
    )
    try:
        guard.await_armed()
    except BaseException:
        guard.disarm()
        raise
    return guard


def open_bench(
    rig: Rig,
    simulated: bool,
    resources: Mapping[str, str],
    *,
    seed: str,
    observer: Observer | None = None,
    log: ByteLog | None = None,
    guarding: Guarding | None = None,
    operator: Operator | None = None,
    held: list[str] | None = None,
) -> Bench:
    """Open the bench; `seed` only matters to the simulated one, which dies with this process.

    Parameters
    ----------
    guarding : hardware only: start and arm a guard process. None where nothing is energised.
    operator : who is asked for what takes a person; None for a run that nobody attends.
    held : to it is added, a line each, what stood in error queues, which opening empties.

    Raises
    ------
    BenchError
        If anything cannot be opened or is not who it should be.
    """
    if simulated:
        from hil.bench.simulate import twin_access

        # A simulated bench has every instrument under the name that the rig file gives it.
        access, resources = twin_access(rig, seed), {}
    else:
        access = hardware_access(rig, resources)
    parts = open_parts(rig, access, resources, log, held)
    if operator is not None:
        parts.operator = access.operator if access.operator is not None else operator
    if guarding is not None and not simulated:
        try:
            parts.guard = guarded(rig, parts, resources, guarding)
        except BaseException:
            assemble(rig, parts, access.clock, observer).close()
            raise
    return assemble(rig, parts, access.clock, observer, access.poll, access.quiet_poll)


def hardware_identities(
    rig: Rig, resources: Mapping[str, str], held: list[str] | None = None
) -> tuple[Identity, ...]:
    """Ask the hardware who it is, and let go of it again; `held` as for `open_bench`.

    Raises
    ------
    BenchError
        If anything does not answer, or is not who it should be.
    """
    bench = open_bench(rig, False, resources, seed="", held=held)
    try:
        return bench.identities()
    finally:
        bench.close()
