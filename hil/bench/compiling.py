"""Whether the firmware that a rig names for the simulated bench compiles and loads."""

from __future__ import annotations

from collections.abc import Iterator

from hil.bench.findings import Finding, Grade
from hil.bench.simulated_firmware import check_firmware, compiled
from hil.core.errors import PlanError
from hil.plan.rig import Rig
from hil.twin import library


def firmware_finding(rig: Rig, *, needed: bool) -> Iterator[Finding]:
    """One finding for a rig with firmware of its own, none for any other.

    What does not compile is a failure where the simulated bench is `needed`, else a warning: the
    real board runs its own image. What the compiler printed stands as it is in the listing.
    """
    files = rig.firmware
    if files is None:
        return
    try:
        path = compiled(rig)
        check_firmware(rig)
    except PlanError as error:
        grade = Grade.FAILED if needed else Grade.WARNING
        first, _, rest = str(error).partition("\n")
        use = "" if needed else " (only the simulated bench would run it)"
        yield Finding("firmware", grade, f"{first.rstrip(':')}{use}", tuple(rest.splitlines()))
        return
    if files.library is not None:
        yield Finding("firmware", Grade.OK, f"library {path}: loads, and fits the firmware port")
        return
    count = f"{len(files.sources)} source{'s' if len(files.sources) != 1 else ''}"
    yield Finding(
        "firmware",
        Grade.OK,
        f"{files.name}: {count} compiled by {library.compiler()}, loads, and fits the firmware "
        f"port: {path}",
    )
