"""The machine code of the simulated motor, made before anything else, and never without a word.

Otherwise the first item would stand still for half a minute, and every estimate that counts its
time would be wrong.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable

from hil.bench.simulated_drive import drive_parameters
from hil.core.errors import HilError
from hil.plan.rig import Rig
from hil.twin.drive import Drive
from hil.twin.jit import compiled_before

SAID = "compiling the simulated motor, once, about half a minute"


def compile_ahead(rig: Rig, tell: Callable[[str], object]) -> None:
    """Say so and compile, unless that was done before.

    A rig whose firmware does not load, or does not survive its first instant, is told of where it
    is opened, not here.
    """
    if compiled_before():
        return
    tell(SAID)
    from hil.bench.simulate import firmware_for  # compiles, too

    rig = rig.as_simulated()
    with (
        contextlib.suppress(HilError),
        contextlib.closing(Drive(drive_parameters(rig, 0), firmware_for(rig), 0)) as drive,
    ):
        drive.advance(1e-3)
