"""What controls the simulated motor: the reference firmware, or the user's own.

A rig file names a shared library or C sources; here their files are found, so that a wrong path is
told at its place and the hashes of everything that was compiled can go into the record. Compiling
is done where the simulated bench is built.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field

from hil.plan.model import Model, Switch, Text
from hil.plan.reader import beside
from hil.plan.source import Position, Problem, Source, Where, refuse
from hil.plan.units import Current, Time, Voltage

#: Place of the firmware in a rig file.
AT: Where = ("twin", "firmware")
#: Headers are looked into so deep; deeper is an include that includes itself.
_DEEPEST = 40


def _macro(value: Any) -> str:
    """A macro's value as the compiler is to see it: text as it stands, nothing for no value."""
    if isinstance(value, bool) or not isinstance(value, str | int | float | None):
        raise ValueError(f"expected a number, a text or nothing, found {value!r}")
    return "" if value is None else str(value)


def _macro_name(name: str) -> str:
    if not re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", name):
        raise ValueError(f"expected the name of a macro, found {name!r}")
    return name


MacroName = Annotated[str, AfterValidator(_macro_name)]
MacroValue = Annotated[str, BeforeValidator(_macro)]


class FirmwareLibrary(Model):
    """A shared library that exports the functions of the firmware port."""

    path: Text  # relative to the file that names it, as every path here


class FirmwareSources(Model):
    """C sources, compiled with the system's compiler."""

    files: Annotated[tuple[Text, ...], Field(min_length=1)]  # patterns such as ../src/*.c too
    include: tuple[Text, ...] = ()
    defines: dict[MacroName, MacroValue] = Field(default_factory=dict)
    flags: tuple[Text, ...] = ()


class SimulatedFirmware(Model):
    """What controls the simulated motor."""

    kind: Literal["reference", "library", "sources"] = "reference"
    # of the reference firmware
    protocol: Literal["lines", "cobs"] = "lines"
    link_timeout: Time | None = None  # silence of the host while turning that is a fault
    over_voltage: Voltage | None = None  # DC-link voltage that is a fault
    over_current: Current | None = None  # current that is a fault at once
    # of the user's own
    library: FirmwareLibrary | None = None
    sources: FirmwareSources | None = None
    isolate: Switch = True  # in a process of its own: a crash is a finding, not the end


@dataclass(frozen=True, slots=True)
class FirmwareFiles:
    """Where the user's own firmware is.

    Parameters
    ----------
    name : what it is called in messages.
    where : in the rig file, and its position there.
    library : the shared library, None where sources are given.
    sources, include : files, and folders that headers are looked for in.
    headers : what the sources include with quotes, as far as it lies in one of the folders.
    """

    name: str
    where: str
    position: Position
    library: Path | None = None
    sources: tuple[Path, ...] = ()
    include: tuple[Path, ...] = ()
    headers: tuple[Path, ...] = field(default=())

    @property
    def files(self) -> tuple[Path, ...]:
        """Everything it is made of; the hashes belong in a record."""
        return (self.library,) if self.library is not None else (*self.sources, *self.headers)


def find_firmware(told: SimulatedFirmware, source: Source) -> FirmwareFiles | None:
    """The files that a rig file names; None for the reference firmware.

    Raises
    ------
    PlanError
        With file, line and column of every file that is not there, and of a contradiction.
    """
    found = _Finder(source)
    for kind in ("library", "sources"):
        given = getattr(told, kind) is not None
        if given and told.kind == "reference":
            found.complain(
                (*AT, kind), f"twin.firmware.{kind} is given, but kind is 'reference': "
                f"expected kind: {kind}",
            )  # fmt: skip
        if not given and told.kind == kind:
            found.complain(
                (*AT, "kind"), f"twin.firmware: kind is {kind!r}, but no {kind} is given"
            )
    if found.problems:
        raise refuse(found.problems)
    if told.kind == "library" and told.library is not None:
        made = _library(told.library, found)
    elif told.kind == "sources" and told.sources is not None:
        made = _sources(told.sources, found)
    else:
        made = None
    if found.problems:
        raise refuse(found.problems)
    return made


class _Finder:
    """Resolves paths against the file that states them, and collects complaints."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self.problems: list[Problem] = []

    def position(self, where: Where, *, key: bool = False) -> Position:
        return self._source.position(where, key=key)

    def complain(self, where: Where, text: str) -> None:
        self.problems.append(self._source.problem(where, text))

    def path(self, where: Where, text: str) -> Path:
        return beside(Path(self.position(where).file), text)


def _library(told: FirmwareLibrary, found: _Finder) -> FirmwareFiles:
    where = (*AT, "library", "path")
    path = found.path(where, told.path)
    if not path.is_file():
        found.complain(where, f"twin.firmware.library.path: there is no file {path.as_posix()}")
    position = found.position((*AT, "library"), key=True)
    return FirmwareFiles(path.name, "twin.firmware.library", position, path)


def _sources(told: FirmwareSources, found: _Finder) -> FirmwareFiles:
    at = (*AT, "sources")
    files: list[Path] = []
    for index, text in enumerate(told.files):
        where = (*at, "files", index)
        matching = list(_matching(found.path(where, text)))
        if not matching:
            found.complain(
                where, f"twin.firmware.sources.files[{index + 1}]: there is no file "
                f"{found.path(where, text).as_posix()}",
            )  # fmt: skip
        files += matching
    folders: list[Path] = []
    for index, text in enumerate(told.include):
        where = (*at, "include", index)
        folders.append(found.path(where, text))
        if not folders[-1].is_dir():
            found.complain(
                where, f"twin.firmware.sources.include[{index + 1}]: there is no folder "
                f"{folders[-1].as_posix()}",
            )  # fmt: skip
    sources = tuple(dict.fromkeys(files))
    name = sources[0].resolve().parent.name if sources else "firmware"
    return FirmwareFiles(
        name,
        "twin.firmware.sources",
        found.position(at, key=True),
        None,
        sources,
        tuple(folders),
        tuple(dict.fromkeys(_headers(sources, folders))),
    )


def _matching(path: Path) -> Iterator[Path]:
    if "*" in path.name or "?" in path.name:
        yield from sorted(one for one in path.parent.glob(path.name) if one.is_file())
    elif path.is_file():
        yield path


def _headers(
    sources: tuple[Path, ...], folders: list[Path], seen: set[Path] | None = None, deep: int = 0
) -> Iterator[Path]:
    """Headers that are included with quotes, directly or not, wherever a condition may stand."""
    seen = set() if seen is None else seen
    for file in sources:
        text = file.read_text(encoding="utf-8", errors="replace")
        for name in re.findall(r'^[ \t]*#[ \t]*include[ \t]*"([^"\n]+)"', text, re.MULTILINE):
            for folder in (file.parent, *folders):
                header = folder / name
                if header.is_file():
                    if header.resolve() not in seen and deep < _DEEPEST:
                        seen.add(header.resolve())
                        yield header
                        yield from _headers((header,), folders, seen, deep + 1)
                    break
