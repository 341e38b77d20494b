"""The band on how far a start on back-EMF kicks backwards, where a plan says nothing of it.

An alignment turns the rotor by at most half an electrical turn, to where the torque holds it, and
without friction it swings as far beyond: one electrical turn in all (physics). What goes farther
back was driven there. Half an electrical turn and a tenth, as drives of much friction keep to, is
no limit for all: 4 % of the starts of healthy pumps on the simulated bench swing beyond that.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from hil.core.band import Band
from hil.core.drive import Sensing
from hil.motor.bounds import alignment_displacement
from hil.plan.offers import absent_channels
from hil.plan.plan import Defaults
from hil.plan.rig import Rig

KICK = "backward-kick"
_CHANNEL = "witness.position"


def kick_band(
    rig: Rig,
    sensing: Sensing,
    units: Mapping[str, str],
    spoken: Collection[str],
    preset: Defaults,
) -> Band | None:
    """See the module text; None where a plan speaks of it, or nothing on the rig could tell.

    Parameters
    ----------
    units : measures of the kind of scenario.
    spoken : measures of which the plan says something for this item, and be it none.
    preset : decision rule of bands that state none.
    """
    blind = any(channel == _CHANNEL for channel, _ in absent_channels(rig))
    if sensing is not Sensing.BACK_EMF or blind or KICK not in units or KICK in spoken:
        return None
    most = 2.0 * alignment_displacement(rig.motor.pole_pairs)
    guard = 1.0 if preset.guard is None else preset.guard
    risk = None if preset.risk is None else preset.risk / 100.0
    return Band(KICK, None, most, units[KICK], preset.rule, "", guard, risk)
