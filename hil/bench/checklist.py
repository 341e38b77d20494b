"""Signed checks of a bench, kept beside its rig file: who saw to every point, and when.

One line of JSON each, appended. A check holds for the points that it names: whoever changes the
list has to check anew.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from hil.core.count import many
from hil.core.errors import BenchError
from hil.plan.rig import Rig

#: A clock that was set right by so much meanwhile makes no check one of the future.
SLACK = timedelta(minutes=5)
_DAY = 86400.0


class Unchecked(BenchError):
    """No valid check of the bench; a person must see to it before anything is energised."""


@dataclass(frozen=True, slots=True)
class Signed:
    """One check: `who` has seen to all `points` of the rig, at `at`."""

    who: str
    at: datetime
    rig: str
    points: tuple[str, ...]

    def __str__(self) -> str:
        return f"signed by {self.who} on {self.at:%Y-%m-%d %H:%M} UTC"


def points_of(rig: Rig) -> tuple[str, ...]:
    """Every point of the checklist of a rig; none if it has no checklist."""
    if rig.checklist is None:
        return ()
    return rig.checklist.all_points(rig.regeneration.absorbed_by)


def file_of(rig: Rig) -> Path:
    """Where the checks of a rig are kept."""
    return rig.files[0].with_suffix(".checklist.jsonl")


def sign(rig: Rig, who: str, now: datetime) -> Signed:
    """Append a check, forced to the disk.

    Raises
    ------
    BenchError
        If the file cannot be written.
    """
    made = Signed(" ".join(who.split()), now.astimezone(UTC), rig.rig, points_of(rig))
    line = {"utc": made.at.isoformat(timespec="seconds"), "who": made.who, "rig": made.rig,
            "points": made.points}  # fmt: skip
    path = file_of(rig)
    try:
        with path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(line, ensure_ascii=False) + "\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise BenchError(f"{path}: cannot be written: {error.strerror or error}") from error
    return made


def newest(rig: Rig) -> Signed | None:
    """The newest check of the rig; None if nobody has made one.

    Raises
    ------
    Unchecked
        For a file that cannot be read, or is none of these, with the line.
    """
    path = file_of(rig)
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError) as error:
        raise Unchecked(f"{path}: cannot be read: {error}") from error
    found = [
        _read(text, f"{path}:{number}")
        for number, text in enumerate(lines, start=1)
        if text.strip()
    ]
    return max((one for one in found if one.rig == rig.rig), key=lambda one: one.at, default=None)


def _read(text: str, where: str) -> Signed:
    try:
        line: Mapping[str, Any] = json.loads(text)
        at = datetime.fromisoformat(line["utc"])
        return Signed(str(line["who"]), at.astimezone(UTC), line["rig"], tuple(line["points"]))
    except (ValueError, TypeError, KeyError) as error:
        raise Unchecked(f"{where}: expected a signed check, found {text[:60]!r}") from error


def valid(rig: Rig, now: datetime) -> Signed:
    """The check that holds now.

    Raises
    ------
    Unchecked
        If there is none, it is too old, from the future, or of other points, with what to do.
    """
    assert rig.checklist is not None
    again = f"a person must see to the bench: hil checklist {rig.files[0]}"
    found = newest(rig)
    if found is None:
        raise Unchecked(f"the checklist of rig {rig.rig} was never signed; {again}")
    age = (now - found.at).total_seconds()
    if found.points != points_of(rig):
        raise Unchecked(f"the checklist of rig {rig.rig} has changed since it was {found}; {again}")
    if age < -SLACK.total_seconds():
        raise Unchecked(
            f"the checklist of rig {rig.rig} was {found}, which is later than now by the clock of "
            f"this host ({now:%Y-%m-%d %H:%M} UTC); {again}"
        )
    most = rig.checklist.valid_for
    if age > most:
        raise Unchecked(
            f"the checklist of rig {rig.rig} was {found}, {age / _DAY:.1f} days ago: expected "
            f"within {most / _DAY:.3g} days; {again}"
        )
    return found


def until(rig: Rig, signed: Signed) -> datetime:
    """When a check ends to hold."""
    assert rig.checklist is not None
    return signed.at + timedelta(seconds=rig.checklist.valid_for)


def facts(rig: Rig, signed: Signed) -> dict[str, Any]:
    """A check as plain values."""
    return {
        "rig": signed.rig,
        "who": signed.who,
        "utc": signed.at.isoformat(timespec="seconds"),
        "until": until(rig, signed).isoformat(timespec="seconds"),
        "points": list(signed.points),
    }


def told(rig: Rig, signed: Signed) -> str:
    """What the record says of a check that holds."""
    return (
        f"checklist of {many(len(signed.points), 'point')} {signed}, valid until "
        f"{until(rig, signed):%Y-%m-%d %H:%M} UTC"
    )
