"""What every scenario is run under, and what the parameters of all kinds have in common."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from hil.plan.model import Model
from hil.plan.units import Ratio, Time, Torque, Voltage


class ItemConditions(Model):
    """What an item is run under; `supply` None is the rig's own voltage."""

    direction: Literal["cw", "ccw"] = "cw"
    sensing: Literal["hall", "back-emf"] | None = None  # None: the first that the rig offers
    supply: Voltage | None = None
    load: Torque = 0.0  # brake torque held throughout


class Parameters(Model):
    """Common to all kinds.

    Parameters
    ----------
    tolerance : half-width of the band that counts as 'at speed', % of the target.
    within : s that reaching a speed may take before the manoeuvre gives up waiting.
    """

    tolerance: Ratio = 5.0
    within: Time = 5.0

    @property
    def entry(self) -> float:
        """Speed before the manoeuvre, rpm."""
        return 0.0

    @property
    def target(self) -> float:
        """Speed the manoeuvre leads to, rpm, positive."""
        raise NotImplementedError

    def speeds(self) -> Iterator[tuple[str, float]]:
        """Key and value of every speed that will be asked for, rpm."""
        yield "speed", self.target

    def torques(self) -> Iterator[tuple[str, float]]:
        """Key and value of every brake torque that will be asked for, N m."""
        return iter(())

    @property
    def by_hand(self) -> bool:
        """Whether a person can stand in for the brake: where any torque from `torques` on does."""
        return False

    def voltages(self) -> Iterator[tuple[str, float]]:
        """Key and value of every supply voltage that will be asked for on the way, V."""
        return iter(())

    def lines(self) -> Iterator[tuple[str, str]]:
        """Key and name of every line of the signal switch that is used."""
        return iter(())
