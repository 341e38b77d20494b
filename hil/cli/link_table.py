"""The pictures of ``hil link``: a table that lives on a terminal, plain lines elsewhere."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from rich.table import Table

    from hil.core.record import Identity
    from hil.drivers.watch import Watch
    from hil.ports.link import LinkDescription

#: Bytes of a piece that are shown, pieces that did not decode, and reasons why.
BYTES, PIECES, KINDS = 24, 8, 12


@contextlib.contextmanager
def shown(
    watch: Watch, description: LinkDescription, seconds: float | None
) -> Iterator[Callable[[], None]]:
    """A function that shows the state of the watch; does nothing where there is no terminal.

    `seconds`: how long it goes on; None for until Ctrl-C.
    """
    from rich.console import Console

    console = Console()
    if not console.is_terminal:
        until = "until Ctrl-C" if seconds is None else f"for {seconds:g} s"
        click.echo(f"listening by {description.name}, {description.baud} baud, {until} ...")
        yield lambda: None
        return
    from rich.live import Live

    with Live(table(watch), console=console, transient=True, auto_refresh=False) as live:
        yield lambda: live.update(table(watch), refresh=True)


def table(watch: Watch) -> Table:
    """Messages with their latest values, what did not decode, and the counts."""
    from rich.table import Table

    grid = Table(caption=counts(watch), caption_justify="left", expand=False)
    for name in ("message", "count", "per second", "latest"):
        grid.add_column(name, justify="right" if name in ("count", "per second") else "left")
    for row in rows(watch):
        grid.add_row(*row)
    for left in list(watch.left)[-PIECES:]:
        grid.add_row("[red]undecoded[/]", "", "", f"{_bytes(left.data)}  {_plain(left.reason)}")
    return grid


def rows(watch: Watch) -> list[tuple[str, str, str, str]]:
    """Name, count, rate and latest values of each message."""
    return [
        (
            name,
            str(seen.count),
            "" if math.isnan(seen.rate) else f"{seen.rate:.1f}",
            "  ".join(f"{key} {_value(key, value)}" for key, value in seen.values.items()),
        )
        for name, seen in watch.seen.items()
    ]


def counts(watch: Watch) -> str:
    """One line of statistics."""
    share = 100.0 * watch.undecoded / watch.received if watch.received else 0.0
    undecoded = f"{watch.undecoded} undecoded ({share:.1f} %)"
    if watch.received and not watch.seen:
        undecoded = "none of it decoded"  # much of it is not even counted piece by piece
    return (
        f"{watch.received} bytes received, {undecoded}, "
        f"{watch.sent} sent; frames lost {watch.lost}, repeated {watch.repeated}; "
        f"board restarts {watch.restarts}"
    )


def final(watch: Watch, identity: Identity | None, problem: str) -> None:
    """What was found, as plain lines."""
    if identity is not None:
        serial = f" serial {identity.serial}" if identity.serial else ""
        click.echo(f"board: {identity.model} revision {identity.revision}{serial}")
    if problem:
        click.echo(f"problem: {problem}")
    for name, count, rate, latest in rows(watch):
        per_second = f", {rate} per second" if rate else ""
        click.echo(f"{name}: {count}{per_second}\n    {latest}".rstrip())
    for name, number in sorted(watch.commands.items()):
        click.echo(f"sent {name}: {number}")
    if watch.reasons:
        click.echo("did not decode:")
        for reason, number in watch.reasons.most_common(KINDS):
            click.echo(f"    {number} x {reason}")
        if len(watch.reasons) > KINDS:
            click.echo(f"    and {len(watch.reasons) - KINDS} other reasons")
        click.echo("the last of them:")
        for left in list(watch.left)[-PIECES:]:
            click.echo(f"    {left.t:.3f} s  {_bytes(left.data)}  {left.reason}")
        if hint := watch.hint():
            click.echo(f"nearly all of it would decode with '{hint}' in the profile")
    if not watch.seen:
        click.echo("nothing decoded" if watch.received else "nothing arrived")
    click.echo(counts(watch))


def _bytes(data: bytes) -> str:
    rest = f" ... {len(data)} bytes" if len(data) > BYTES else ""
    return data[:BYTES].hex(" ") + rest


def _plain(text: str) -> str:
    from rich.markup import escape

    return escape(text)


def _value(key: str, value: float | str) -> str:
    if isinstance(value, str):
        return value
    from hil.core.drive import DriveState, Fault
    from hil.core.quantity import CANONICAL_UNITS
    from hil.plan.profile import CHANNELS

    if math.isnan(value):
        return "no value"
    if key == "reported.state":
        return DriveState(int(value)).word
    if key == "reported.fault":
        return ", ".join(Fault(int(value)).words) or "none"
    unit = CANONICAL_UNITS.get(CHANNELS.get(key, ""), "s" if key == "board time" else "")
    return f"{value:.6g} {unit}".strip()
