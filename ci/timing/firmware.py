"""Firmware in a process of its own against the same firmware in this process."""

from __future__ import annotations

import statistics
import tempfile
from collections.abc import Iterator
from pathlib import Path

from ci.timing.result import Result, seconds

SOURCES = Path("testplans/firmware/dosing_drive")


def run() -> Iterator[Result]:
    """Simulated time with slices of 10 and 50 ms; the cost of a board; needs a C compiler."""
    from hil.twin import library
    from hil.twin.drive import Drive
    from hil.twin.isolated import IsolatedFirmware
    from hil.twin.parameters import DriveParameters

    if library.compiler() is None:
        return
    path = library.build(sorted(SOURCES.glob("*.c")))
    drives = [
        Drive(DriveParameters(), firmware, seed=1)
        for firmware in (library.load(path), IsolatedFirmware.load(path))
    ]
    for drive in drives:
        drive.set_supply(24.0, 10.0, True)
        drive.advance(0.1)
        drive.feed(b"stream,200\nstart,2000\n")
        drive.advance(1.0)

    def turn(drive: Drive, slice_time: float) -> None:
        for _ in range(round(0.5 / slice_time)):
            drive.advance(slice_time)
            drive.drain()

    # Other work on the machine delays two processes that wait for each other more than one: the
    # fastest round of many, in turn, is what isolation costs by itself.
    for slice_time, goal in ((0.01, 0.8), (0.05, 0.9)):
        rounds = [
            [seconds(lambda d=drive, s=slice_time: turn(d, s)) for drive in drives]  # type: ignore[misc]
            for _ in range(41)
        ]
        here, apart = (min(taken) for taken in zip(*rounds, strict=True))
        name = f"isolated against in this process, {1000 * slice_time:.0f} ms slices"
        yield Result(name, here / apart, "1", "higher", goal)
    for drive in drives:
        drive.close()

    def board() -> None:
        Drive(DriveParameters(), IsolatedFirmware.load(path), seed=1).close()

    took = statistics.median(seconds(board) for _ in range(20))
    yield Result("a board with its process, made and ended", 1000.0 * took, "ms", "lower", None)
    with tempfile.TemporaryDirectory() as folder:
        sources = sorted(SOURCES.glob("*.c"))
        took = seconds(lambda: library.build(sources, folder=Path(folder)))
    yield Result("compiling the C example", took, "s", "lower", None)
