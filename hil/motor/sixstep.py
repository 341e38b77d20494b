"""Six-step commutation: which phases conduct in which sector, and what Hall sensors show there.

Angles are electrical degrees, clockwise rotation raises them. Sector 0 begins at 0 degrees; phase
A carries the positive flat top of its back-EMF in sectors 0 and 1, B in 2 and 3, C in 4 and 5. The
Hall code is written as (Ha, Hb, Hc). This is one common arrangement of 120-degree sensors; a motor
may have its own order of colours, which the tests of a bench would show as a wrong table.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

HallCode = tuple[int, int, int]
#: Drive of phases A, B, C: +1 to the positive rail, -1 to the negative, 0 floating.
PhaseDrive = tuple[int, int, int]

#: Hall code of each sector, turning clockwise.
HALL_SEQUENCE: tuple[HallCode, ...] = (
    (1, 0, 1),
    (1, 0, 0),
    (1, 1, 0),
    (0, 1, 0),
    (0, 1, 1),
    (0, 0, 1),
)
#: Phases driven in each sector for clockwise torque.
DRIVE_SEQUENCE: tuple[PhaseDrive, ...] = (
    (1, -1, 0),
    (1, 0, -1),
    (0, 1, -1),
    (-1, 1, 0),
    (-1, 0, 1),
    (0, -1, 1),
)
#: Codes that no rotor position shows: a broken wire, a missing sensor, a missing supply.
ILLEGAL: tuple[HallCode, ...] = ((0, 0, 0), (1, 1, 1))

_SECTOR_OF = {code: sector for sector, code in enumerate(HALL_SEQUENCE)}


@dataclass(frozen=True, slots=True)
class Commutation:
    """What is done in one sector."""

    sector: int
    hall: HallCode
    drive: PhaseDrive

    @property
    def floating(self) -> int:
        """Index of the phase that is not driven, whose back-EMF can be sensed."""
        return self.drive.index(0)


def sector_of_angle(angle: npt.ArrayLike) -> npt.NDArray[np.int64]:
    """Sector 0 to 5 of electrical angles in degrees; any shape, any number of turns.

    Raises
    ------
    ValueError
        For an angle that is not finite.
    """
    degrees = np.asarray(angle, dtype=np.float64)
    if not bool(np.all(np.isfinite(degrees))):
        raise ValueError("an angle must be finite")
    # An angle a hair below zero rounds up to 360 in the modulo, hence the second one.
    sector = (np.mod(degrees, 360.0) // 60.0).astype(np.int64) % 6
    return np.asarray(sector, dtype=np.int64)


def sector_of_hall(code: HallCode) -> int:
    """Sector that a Hall code shows.

    Raises
    ------
    ValueError
        For the two codes that no position shows, and for anything that is no code.
    """
    if code not in _SECTOR_OF:
        raise ValueError(f"Hall code {code!r} shows no rotor position")
    return _SECTOR_OF[code]


def commutation(sector: int, *, clockwise: bool = True) -> Commutation:
    """Hall code and driven phases of a sector; for the other direction + and - change places.

    Raises
    ------
    ValueError
        Unless the sector is 0 to 5.
    """
    if not 0 <= sector <= 5:
        raise ValueError(f"sectors count from 0 to 5, found {sector}")
    drive = DRIVE_SEQUENCE[sector]
    return Commutation(sector, HALL_SEQUENCE[sector], drive if clockwise else reverse(drive))


def reverse(drive: PhaseDrive) -> PhaseDrive:
    """The drive for torque in the other direction at the same rotor position."""
    a, b, c = drive
    return -a, -b, -c


def next_sector(sector: int, *, clockwise: bool = True) -> int:
    """The sector that follows."""
    return (sector + (1 if clockwise else -1)) % 6


def edges_per_turn(pole_pairs: int) -> int:
    """Hall edges in one mechanical turn: 6 p."""
    return 6 * pole_pairs


def sensor_spacing(pole_pairs: int) -> float:
    """Distance of neighbouring Hall sensors in mechanical degrees: 120/p."""
    return 120.0 / pole_pairs


def crossing_to_commutation(speed_rpm: float, pole_pairs: int) -> float:
    """Time in s from the zero crossing of the floating phase to the next commutation.

    The crossing lies in the middle of a 60-degree sector, so the delay is 30 electrical degrees,
    1/(12 f_e).

    Raises
    ------
    ValueError
        At standstill, where there is no crossing.
    """
    frequency = abs(speed_rpm) * pole_pairs / 60.0
    if frequency <= 0.0:
        raise ValueError("at standstill the back-EMF does not cross zero")
    return 1.0 / (12.0 * frequency)
