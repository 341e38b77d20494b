"""A board whose processor has stopped: physics goes on with functions that do nothing."""

from __future__ import annotations

from typing import Any

import numpy.typing as npt

from hil.twin.jit import c_function
from hil.twin.port import PERIOD, RECEIVE, TRANSMIT


@c_function(PERIOD)
def _period(_inputs: Any, _outputs: Any) -> None:
    return


@c_function(RECEIVE)
def _receive(_data: Any, _count: int) -> None:
    return


@c_function(TRANSMIT)
def _transmit(_data: Any, _capacity: int) -> int:
    return 0


def silence(constants: npt.NDArray[Any]) -> None:
    """Put functions that do nothing in place of those that a `CONSTANTS` record points to."""
    constants["port_period"] = _period.address
    constants["port_receive"] = _receive.address
    constants["port_transmit"] = _transmit.address
