"""``hil twin``: serve the simulated bench of a rig file in wall-clock time."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from hil.cli import shared
from hil.core.errors import LinkError
from hil.core.roles import INSTRUMENTS, ROLES

if TYPE_CHECKING:
    from hil.plan.rig import Rig
    from hil.twin.trouble import Trouble
    from hil.twin.wires.served import Served

_CAUTION = (
    "SIMULATED: nothing behind these ports is real. The clients treat it as hardware, and what "
    "they record is no evidence about any real board."
)


@click.command("twin")
@click.argument("rig", type=shared.FILE, required=False)
@click.option(
    "--ready",
    type=shared.NEW_FILE,
    help="Write a JSON object with board, supply, ... and pid here once all of them answer; "
    "it is removed when serving ends. Own firmware that does not answer is served without only.",
)
@click.option("--seed", type=int, default=0, show_default=True, help="Seed of the simulation.")
@shared.json_file("Write the same object here, to keep.")
@click.option(
    "--trouble",
    "troubles",
    multiple=True,
    metavar="FILE|KIND@TIME[:[DURATION][:VALUE]]",
    help="Have the bench misbehave, TIME s after it is ready, for DURATION s or for ever; a YAML "
    "file holds a list. May be repeated. 'help' lists the kinds.",
)
def twin(
    rig: Path | None,
    ready: Path | None,
    seed: int,
    json_file: Path | None,
    troubles: tuple[str, ...],
) -> None:
    """Serve the simulated bench of RIG until interrupted.

    The board is a pseudo-terminal, each instrument a TCP socket on this machine only. Stop it
    with Ctrl-C or SIGTERM.
    """
    if "help" in troubles:
        click.echo("\n".join(kinds_of_trouble()))
        return
    if rig is None:
        raise click.UsageError("Missing argument 'RIG'.")
    schedule = schedule_of(troubles)
    if ready is not None:
        ready.unlink(missing_ok=True)  # from an earlier run: its ports are gone
    try:
        _serve(rig, seed, ready, json_file, schedule)
    finally:
        if ready is not None:
            ready.unlink(missing_ok=True)


def kinds_of_trouble() -> list[str]:
    """A line for each kind of trouble, with the unit and the default of its value."""
    from hil.twin.trouble import KINDS

    return [
        f"{name:<22}{kind.text}"
        + (f" (default {kind.measured(kind.default)})" if kind.unit else "")
        for name, kind in KINDS.items()
    ]


def schedule_of(given: Sequence[str]) -> tuple[Trouble, ...]:
    """Troubles from texts and names of YAML files.

    Raises
    ------
    click.BadParameter
        If one is wrong; the text says where.
    """
    from hil.twin.trouble import parse, parse_schedule

    found: list[Trouble] = []
    for text in given:
        try:
            if "@" in text and not Path(text).is_file():
                found.append(parse(text))
            else:
                found += parse_schedule(_plain(Path(text)))
        except (ValueError, OSError) as error:
            where = "" if "@" in text else f"{text}: "
            raise click.BadParameter(f"{where}{error}", param_hint="--trouble") from error
    return tuple(found)


def _plain(file: Path) -> object:
    from ruamel.yaml import YAML
    from ruamel.yaml.error import YAMLError

    try:
        return YAML(typ="safe", pure=True).load(file.read_text(encoding="utf-8"))
    except YAMLError as error:
        raise ValueError(" ".join(str(error).split())) from error


def _serve(
    path: Path,
    seed: int,
    ready: Path | None,
    json_file: Path | None,
    schedule: Sequence[Trouble] = (),
) -> None:
    from hil.bench.compile_ahead import compile_ahead
    from hil.bench.simulate import world_for
    from hil.plan.load import load_rig
    from hil.twin.adversary import Adversary
    from hil.twin.wires.served import Served

    rig = load_rig(path)
    compile_ahead(rig, lambda text: click.echo(text, err=True))

    def tell(fault: str) -> None:
        click.echo(f"firmware: {fault}", err=True)

    with Served(world_for(rig, seed), on_fault=tell) as served, stopping_on_signals(served.stop):
        places = {"board": served.board, **served.resources}
        failures: list[Exception] = []
        protocol = "" if rig.firmware is not None else str(rig.twin.firmware.protocol)

        def adversary(origin: float) -> Adversary:
            return Adversary(
                served.world, schedule, origin=origin, protocol=protocol, seed=seed,
                tell=lambda text: click.echo(f"trouble {text}", err=True),
            )  # fmt: skip

        def misbehave() -> None:
            adversary(served.world.now).install()

        try:
            adversary(0.0)  # what this bench cannot do is said before it is served
        except ValueError as error:
            raise click.BadParameter(str(error), param_hint="--trouble") from error

        def check() -> None:
            try:
                try:
                    _ask_everyone(rig, places)
                except LinkError as error:
                    if rig.firmware is None or ready is not None:
                        raise
                    for line in mute(error, rig, served.board):
                        click.echo(line, err=True)
                if schedule:
                    served.call(misbehave)
                served.worst_lag = 0.0  # the check ran in this process and took its time
                _announce(places, path, [ready, json_file], elsewhere(rig, places))
            except Exception as error:
                failures.append(error)
                served.stop()

        checker = threading.Thread(target=check, name="check", daemon=True)
        checker.start()
        served.run()
        checker.join(timeout=5.0)
        if failures:
            raise failures[0]
        _farewell(served)


def _ask_everyone(rig: Rig, places: Mapping[str, str]) -> None:
    """Open everything as a client would and check the identities; `HilError` if one is silent."""
    from hil.bench.open import hardware_identities

    hardware_identities(rig, places)


def mute(error: LinkError, rig: Rig, port: str) -> list[str]:
    """Own firmware that nobody understands yet is served all the same: to find out why."""
    return [
        f"WARNING: {error}",
        "It is served all the same, to be debugged by hand. What decodes of it, and what does not:",
        f"  hil link {rig.profile_path} --port {port} --identify --stream --seconds 5",
        "",
    ]


def _announce(
    places: Mapping[str, str], rig: Path, files: list[Path | None], moved: Sequence[str]
) -> None:
    facts: dict[str, Any] = {**places, "pid": os.getpid()}
    for line in announcement(places, rig, moved):
        click.echo(line)
    for file in files:
        if file is not None:
            write_whole(file, json.dumps(facts, indent=2) + "\n")


def elsewhere(rig: Rig, places: Mapping[str, str]) -> list[str]:
    """What is not at the port that the rig file names: another bench may answer there."""
    from hil.twin.wires.served import wanted_port

    moved = []
    for role in INSTRUMENTS:
        part = getattr(rig, role)
        wanted = wanted_port(part.resource) if part is not None and role in places else 0
        if wanted and wanted != wanted_port(places[role]):
            moved.append(f"{role} ({wanted})")
    return moved


def announcement(places: Mapping[str, str], rig: Path, moved: Sequence[str] = ()) -> list[str]:
    """Lines for people: where everything is, that it is simulated, and how to use it.

    `moved`: what is not where the rig file says.
    """
    known = [role for role in ROLES if role in places]
    options = " ".join(f"--hil-{role} {places[role]}" for role in known)
    return [
        _CAUTION,
        "",
        *(f"{role:<12}{places[role]}" for role in known),
        f"{'pid':<12}{os.getpid()}",
        *(
            [
                "",
                f"NOT FREE are the ports that the rig file names for {', '.join(moved)}. A run "
                "that is not told those above by options talks to whoever has them.",
            ]
            if moved
            else []
        ),
        "",
        "Run plans on it as on hardware, in another terminal:",
        f"  pytest testplans --hil-rig {rig} --hil-bench=hardware {options}",
        "",
        "Stop with Ctrl-C.",
    ]


def write_whole(file: Path, text: str) -> None:
    """Write a file so that a reader sees all of it or nothing; OSError if it cannot be written."""
    part = file.with_name(f"{file.name}.{os.getpid()}.part")
    try:
        part.write_text(text, encoding="utf-8")
        part.replace(file)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


@contextlib.contextmanager
def stopping_on_signals(stop: Callable[[], None]) -> Iterator[None]:
    """Call `stop` on SIGINT and SIGTERM inside the block; former handlers are put back."""
    wanted = (signal.SIGINT, signal.SIGTERM)
    former = {number: signal.signal(number, lambda *_: stop()) for number in wanted}
    try:
        yield
    finally:
        for number, handler in former.items():
            signal.signal(number, handler)


def _farewell(served: Served) -> None:
    if served.worst_lag > 0.1:
        click.echo(
            f"The simulation was up to {served.worst_lag:.2f} s behind the wall clock: "
            "timing seen by clients was off by as much.",
            err=True,
        )
    click.echo("The simulated bench has stopped.")
