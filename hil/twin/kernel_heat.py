"""What changes slowly, once per millisecond: temperatures and all that depends on them."""

from __future__ import annotations

from typing import Any

from hil.twin.jit import compiled, inlined
from hil.twin.kernel_bridge import tabulate

#: degC below zero at which copper's resistance would vanish, from its coefficient 0.00393 at 20.
COPPER = 234.5


@inlined
def copper_ratio(temperature: float, reference: float) -> float:
    """Resistance of copper relative to that at the reference temperature; degC."""
    return (COPPER + temperature) / (COPPER + reference)


@compiled
def warm(c: Any, s: Any, interval: float, copper: float, switch: float, iron: float) -> None:
    """Advance the thermal nodes by `interval` s with these losses in W, and update the motor.

    `iron` is what friction and drag turn into heat inside the motor; it enters the housing.
    """
    to_housing = c.winding_conductance * (s.winding_t - s.housing_t)
    to_ambient = c.housing_conductance * (s.housing_t - c.ambient)
    s.winding_t += interval * (copper - to_housing) / c.winding_capacity
    s.housing_t += interval * (to_housing + iron - to_ambient) / c.housing_capacity
    to_sink = c.junction_conductance * (s.junction_t - s.sink_t)
    to_air = c.sink_conductance * (s.sink_t - c.ambient)
    s.junction_t += interval * (switch - to_sink) / c.junction_capacity
    s.sink_t += interval * (to_sink - to_air) / c.sink_capacity
    s.winding_r = c.resistance * copper_ratio(s.winding_t, c.reference)
    s.flux = c.flux * (1.0 + c.magnet_coefficient * (s.housing_t - c.reference))
    s.on_r = c.on_resistance * (1.0 + c.switch_coefficient * (s.junction_t - c.reference))
    tabulate(c, s)
