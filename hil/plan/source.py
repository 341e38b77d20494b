"""Values of a file that remember where they stood, and complaints that point there."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from hil.core.errors import PlanError

_PLAIN_ID = re.compile(r"[A-Za-z0-9._-]+")

#: A place in the tree: keys and list indices from the root.
Where = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class Position:
    """A character in a file; line and column count from 1."""

    file: str
    line: int
    column: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}"


@dataclass(frozen=True, slots=True)
class Problem:
    """Something wrong at a position."""

    position: Position
    text: str


class Within(ValueError):
    """What is wrong within a value: each time the place, from the value on, and a text."""

    def __init__(self, parts: Iterable[tuple[Where, str]]) -> None:
        self.parts = tuple(parts)
        super().__init__("; ".join(text for _, text in self.parts))


@dataclass(frozen=True, slots=True)
class Source:
    """Values of a file and their positions.

    Parameters
    ----------
    file : file name as given.
    files : every file that was read, the one named first.
    data : dicts, lists, str, int, float, bool, date and None.
    keys : place -> position of the key (of the item itself in a list).
    values : place -> position of the value.
    """

    file: str
    files: tuple[Path, ...]
    data: dict[str, Any]
    keys: Mapping[Where, Position]
    values: Mapping[Where, Position]

    def position(self, where: Iterable[str | int], *, key: bool = False) -> Position:
        """Position of a place, or of the nearest enclosing place that stands in the file."""
        path = tuple(where)
        while path and path not in self.values:
            path, key = path[:-1], True
        table = self.keys if key and path in self.keys else self.values
        return table[path]

    def problem(self, where: Iterable[str | int], text: str, *, key: bool = False) -> Problem:
        """A problem at a place; ``scenarios[2].speed`` is told as ``scenarios[stall].speed``."""
        path = tuple(where)
        return Problem(self.position(path, key=key), self._by_id(path, text))

    def _by_id(self, path: Where, text: str) -> str:
        """People know the entries of a list by their ids, not by their numbers."""
        match path:
            case (str() as key, int() as number, *rest) if rest[:1] != ["id"]:
                listed = self.data.get(key)
            case _:
                return text
        entry = listed[number] if isinstance(listed, list) and number < len(listed) else None
        name = entry.get("id") if isinstance(entry, dict) else None
        if not isinstance(name, str) or not _PLAIN_ID.fullmatch(name):
            return text
        return text.replace(f"{key}[{number + 1}]", f"{key}[{name}]", 1)


def tidy(path: Path) -> Path:
    """The path without ``x/../``, where that is the same file."""
    short = Path(os.path.normpath(path))
    return short if short.resolve() == path.resolve() else path


def place(where: Iterable[str | int]) -> str:
    """Field path for a message: ``scenarios[2].bands.overshoot``."""
    text = ""
    for part in where:
        text += f"[{part + 1}]" if isinstance(part, int) else f"{'.' if text else ''}{part}"
    return text


def refuse(problems: Iterable[Problem]) -> PlanError:
    """One error for all problems of a file, in the order in which they stand there."""
    ordered = sorted(
        dict.fromkeys(problems), key=lambda p: (p.position.file, p.position.line, p.position.column)
    )
    first = ordered[0]
    text = "\n".join([first.text, *(f"{p.position}: {p.text}" for p in ordered[1:])])
    place = first.position
    return PlanError(text, file=place.file, line=place.line, column=place.column)


def describe(value: object) -> str:
    """What stands in the file, for a message: ``'24'``, ``a list``, ``nothing``."""
    if value is None or isinstance(value, bool):
        return {None: "nothing", True: "true", False: "false"}[value]
    if isinstance(value, str):
        return repr(value if len(value) <= 60 else value[:57] + "...")
    if isinstance(value, dict | list | tuple):
        return "keys and values" if isinstance(value, dict) else "a list"
    return f"the {'date' if isinstance(value, date) else 'number'} {value}"
