"""The user's own firmware on the simulated bench: from what the rig file says to a binding."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

from hil.core.errors import FirmwareError, PlanError
from hil.plan.firmware import FirmwareFiles
from hil.plan.rig import Rig
from hil.twin import library
from hil.twin.defects.sources import Edit, edited
from hil.twin.isolated import IsolatedFirmware
from hil.twin.port import FirmwareBinding
from hil.twin.variation import Variation


@dataclass(frozen=True, slots=True)
class Build:
    """What a `Variation` can change: ``firmware.defines.NAME``, ``firmware.edits``."""

    defines: Mapping[str, str] = field(default_factory=dict)
    edits: tuple[Edit, ...] = ()


def own_firmware(rig: Rig, variation: Variation) -> FirmwareBinding:
    """The firmware that the rig file names, loaded for one board.

    Raises
    ------
    PlanError
        If it does not compile or is no library for the firmware port; names rig file and field.
    FirmwareError
        If it crashes while it is loaded.
    """
    files = rig.firmware
    assert files is not None
    with _placed(files):
        path = compiled(rig, variation)
        if rig.twin.firmware.isolate:
            return IsolatedFirmware.load(path, files.name)
        return library.load(path, files.name)


def compiled(rig: Rig, variation: Variation | None = None) -> Path:
    """The library of the rig's own firmware, compiled if there is none of this content yet.

    Raises
    ------
    PlanError
        If it does not compile, with what the compiler printed.
    """
    files = rig.firmware
    assert files is not None
    if files.library is not None:
        return files.library
    told = rig.twin.firmware.sources
    assert told is not None
    build = Build(told.defines)
    if variation is not None:
        build = variation.applied("firmware", build)
    defines = tuple((name, str(value)) for name, value in build.defines.items())
    return _built(files, defines, told.flags, build.edits, _state(files))


def check_firmware(rig: Rig) -> None:
    """Compile the rig's own firmware, if it has one, and load it once, before a run begins.

    Raises
    ------
    PlanError
        As `own_firmware`.
    """
    if rig.firmware is None:
        return
    # A crash is a verdict about the firmware, which belongs to an item.
    with _placed(rig.firmware), contextlib.suppress(FirmwareError):
        IsolatedFirmware.load(compiled(rig), rig.firmware.name).host.close()


@contextlib.contextmanager
def _placed(files: FirmwareFiles) -> Iterator[None]:
    """Name rig file and field in front of what is wrong with the firmware."""
    try:
        yield
    except PlanError as error:
        at = files.position
        raise PlanError(
            f"{files.where}: {error}", file=at.file, line=at.line, column=at.column
        ) from error


def _state(files: FirmwareFiles) -> tuple[tuple[int, int], ...]:
    """What changes when a file is changed."""
    stats = [one.stat() for one in files.files]
    return tuple((one.st_mtime_ns, one.st_size) for one in stats)


@lru_cache(maxsize=256)
def _built(
    files: FirmwareFiles,
    defines: tuple[tuple[str, str], ...],
    flags: tuple[str, ...],
    edits: tuple[Edit, ...],
    _state: tuple[tuple[int, int], ...],
) -> Path:
    """Asking the compiler whether anything has changed takes longer than running an item."""
    sources, include = files.sources, files.include
    if edits:
        sources, include = edited(sources, files.headers, include, edits)
    return library.build(sources, include=include, defines=dict(defines), flags=flags)
