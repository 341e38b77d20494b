"""``hil link``: try a link profile against a port or against recorded bytes."""

from __future__ import annotations

import contextlib
import math
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from hil.cli import shared

if TYPE_CHECKING:
    from hil.core.record import Identity
    from hil.drivers.watch import Watch
    from hil.ports.link import LinkDescription

#: s between looks at the port, and between pictures of the table.
LOOK, PICTURE = 0.01, 0.25


@click.command("link")
@click.argument("profile", type=shared.FILE)
@click.option("--port", default="", help="Device path or pyserial URL to listen to.")
@click.option(
    "--log",
    "log_file",
    type=shared.FILE,
    help="Recorded bytes to decode instead: a file of --record, or of serial/ in a run.",
)
@click.option(
    "--seconds",
    type=click.FloatRange(min=0.0, min_open=True),
    default=None,
    help="How long to listen; until Ctrl-C without it.",
)
@click.option("--identify", is_flag=True, help="Ask the board who it is.")
@click.option(
    "--stream",
    is_flag=True,
    help="Ask for telemetry: by the profile's stream command or its polls.",
)
@click.option(
    "--record", type=shared.NEW_FILE, help="Keep the bytes of both directions with host times."
)
@shared.json_file("Write what was found as JSON.")
def link(
    profile: Path,
    *,
    port: str,
    log_file: Path | None,
    seconds: float | None,
    identify: bool,
    stream: bool,
    record: Path | None,
    json_file: Path | None,
) -> None:
    """Try PROFILE: what decodes, what does not and why.

    Nothing is sent but what --identify and --stream ask for; the motor is never commanded.
    Exit code 0 if something decoded, 3 if nothing did or the board gave no identity.
    """  # fmt: skip
    if bool(port) is (log_file is not None):
        raise click.UsageError("give either --port or --log")
    if log_file is not None and (identify or stream or record or seconds):
        raise click.UsageError("--identify, --stream, --record and --seconds need --port")
    from hil.drivers.make_watch import make_watch
    from hil.plan.load import load_profile

    description = load_profile(profile)
    watch = make_watch(description)
    identity, problem = None, ""
    if log_file is not None:
        _decode(log_file, watch)
    else:
        asks = (identify, stream)
        identity, problem = _listen(description, port, watch, seconds, asks, record)
    from hil.cli.link_table import final

    final(watch, identity, problem)
    if json_file is not None:
        shared.write_json(json_file, facts(watch, identity))
    if problem or not watch.seen:
        sys.exit(3)


def _decode(log_file: Path, watch: Watch) -> None:
    from hil.store.rawlog import read_raw_log

    begun = None  # the times of a log are those of the computer's clock since it was switched on
    for piece in read_raw_log(log_file):
        begun = piece.t if begun is None else begun
        watch.piece(piece.t - begun, piece.to_board, piece.data)


def _listen(
    description: LinkDescription,
    port: str,
    watch: Watch,
    seconds: float | None,
    asks: tuple[bool, bool],
    record: Path | None,
) -> tuple[Identity | None, str]:
    """Identity if it was asked for and given, and what went wrong."""
    from hil.cli.link_table import shown
    from hil.core.errors import LinkError
    from hil.drivers.serial_board import SerialBoardConfig, open_board
    from hil.ports.clock import WallClock
    from hil.store.rawlog import RawLog

    clock = WallClock()
    begun = clock.now()
    identity, problem = None, ""
    with contextlib.ExitStack() as after:
        log: RawLog | None = None

        def note(direction: str, t: float, data: bytes) -> None:
            watch.piece(t - begun, direction == "tx", data)
            if log is not None:
                (log.sent if direction == "tx" else log.received)(t, data)

        board = open_board(SerialBoardConfig(url=port, description=description), clock, note)
        after.callback(board.close)
        if record is not None:  # not before: a port that is not there leaves no file behind
            log = after.enter_context(RawLog(record))
        end = math.inf if seconds is None else clock.now() + seconds
        wants_identity, wants_stream = asks
        try:
            if wants_identity:
                identity = board.identify()
            if wants_stream:
                board.stream(True)
                after.callback(_stop_stream, board)
        except LinkError as error:
            problem = str(error)  # what arrived meanwhile is what a wrong profile is found by
        with shown(watch, description, seconds) as show, _until_interrupted():
            next_picture = clock.now()
            try:
                while clock.now() < end:
                    board.read()
                    if clock.now() >= next_picture:
                        show()
                        next_picture = clock.now() + PICTURE
                    clock.sleep(LOOK)
            except LinkError as error:
                problem = str(error)  # what was found until then is still worth showing
    return identity, problem


def _stop_stream(board: Any) -> None:
    from hil.core.errors import LinkError

    with contextlib.suppress(LinkError):  # leaving: the board may be gone
        board.stream(False)


@contextlib.contextmanager
def _until_interrupted() -> Iterator[None]:
    """Ctrl-C is how listening ends."""
    with contextlib.suppress(KeyboardInterrupt):
        yield


def facts(watch: Watch, identity: Identity | None) -> dict[str, Any]:
    """Everything found, for JSON; a number that is none becomes null."""
    return {
        "identity": None
        if identity is None
        else {key: getattr(identity, key) for key in ("model", "serial", "revision", "resource")},
        "received-bytes": watch.received,
        "sent-bytes": watch.sent,
        "undecoded-bytes": watch.undecoded,
        "lost": watch.lost,
        "repeated": watch.repeated,
        "restarts": watch.restarts,
        "commands": dict(watch.commands),
        "messages": {
            name: {
                "count": seen.count,
                "rate": _number(seen.rate),
                "values": {key: _number(value) for key, value in seen.values.items()},
            }
            for name, seen in watch.seen.items()
        },
        "reasons": dict(watch.reasons),
        "undecoded": [
            {"t": left.t, "bytes": left.data.hex(" "), "reason": left.reason} for left in watch.left
        ],
    }


def _number(value: float | str) -> float | str | None:
    return None if isinstance(value, float) and not math.isfinite(value) else value
