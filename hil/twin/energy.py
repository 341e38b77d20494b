"""Where the energy of a simulated rig went since power-up."""

from __future__ import annotations

from dataclasses import dataclass, fields


@dataclass(frozen=True, slots=True, kw_only=True)
class Energies:
    """Energies in J since power-up, when nothing was stored.

    Parameters
    ----------
    supply : delivered at the supply's terminals (negative part: taken back).
    lead, bleeder, copper, switch : heat in supply leads, across the DC link (bleeder and
        chopper), in the windings, in switches and diodes.
    viscous, coulomb : friction of the motor. load, brake : taken by the load and the brake.
    cogging, pull : work done against cogging and against the constant pull of the load; both
        return when the shaft turns back.
    capacitor, magnetic, kinetic : stored now.
    """

    supply: float
    lead: float
    bleeder: float
    copper: float
    switch: float
    viscous: float
    coulomb: float
    load: float
    brake: float
    cogging: float
    pull: float
    capacitor: float
    magnetic: float
    kinetic: float

    @property
    def accounted(self) -> float:
        """Everything but what the supply delivered, J."""
        return float(sum(getattr(self, one.name) for one in fields(self)) - self.supply)

    @property
    def imbalance(self) -> float:
        """What is unaccounted for, as a fraction of the larger side; 0 when nothing has flowed."""
        greater = max(abs(self.supply), abs(self.accounted))
        return abs(self.supply - self.accounted) / greater if greater > 0 else 0.0
