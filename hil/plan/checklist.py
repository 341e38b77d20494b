"""The checklist of a bench: what a person must see to, for no software can.

checklist:
  valid-for: 14 d
  points:                                  # besides the usual ones
    - The drain hose hangs in the tank, and the tank is empty.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from hil.plan.model import Model, Text
from hil.plan.units import Time

#: Common practice, no source; for the stop see IEC 60204-1 and ISO 13850, for guards ISO 14120.
USUAL = (
    "The hard-wired emergency stop is within reach. It was tried: it stops the shaft, and to reset "
    "it restarts nothing.",
    "The shaft is guarded, and the guard cannot be reached through or left open unnoticed.",
    "Motor and load are fastened; shaft keys are secured or removed; nothing loose lies near.",
    "Leads, connectors and strain reliefs are whole; the wiring is as the rig file says.",
    "Power stage, motor and load resistor can get rid of their heat; nothing that burns is near.",
    "Braking energy goes where the rig file says: {regeneration}.",
    "Who may come near knows that the bench starts by itself, and that parts stay hot and charged.",
    "Local codes and licensed practice are met.",
)


_ABSORBED_BY = {
    "dc-link-capacitor": "into the DC-link capacitor",
    "load-resistor": "into the load resistor",
    "two-quadrant-supply": "into the two-quadrant supply",
}


class Checklist(Model):
    """Points of its own, and how long a signed check holds.

    Parameters
    ----------
    valid_for : s since it was signed; after that nothing is energised on hardware.
    """

    valid_for: Annotated[Time, Field(gt=0.0)] = 30 * 86400.0
    points: tuple[Text, ...] = ()

    def all_points(self, regeneration: str) -> tuple[str, ...]:
        """The usual points and its own; `regeneration` says where braking energy goes."""
        said = _ABSORBED_BY[regeneration]
        return (*(point.replace("{regeneration}", said) for point in USUAL), *self.points)
