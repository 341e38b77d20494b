"""The firmware port: one block of memory per board, and the C functions that work on it.

`include/firmware_port.h` states the contract. All memory that passes between the simulated bench
and one firmware lies in one contiguous block::

    INPUTS_AT   port_inputs          what the firmware reads
    OUTPUTS_AT  port_outputs         what it commands
    RX_AT       256 bytes            serial bytes on their way in
    TX_AT       256 bytes            serial bytes on their way out
    STATE_AT    up to 64 KiB         variables of a firmware written in Python

A C library keeps its variables in its own globals and never looks at the last part. A firmware
compiled by numba gets the same pointers as a C function would, and finds its variables at a fixed
distance from them: that is what makes one calling path serve both. Sketch of such a firmware::

    STATE = np.dtype([("count", "i8")], align=True)

    @c_function(PERIOD)
    def period(inputs, outputs):
        i = carray(inputs, 1, INPUTS)[0]
        o = carray(outputs, 1, OUTPUTS)[0]
        s = carray(moved(inputs, STATE_AT - INPUTS_AT), 1, STATE)[0]
        s.count += 1
        o.drive[0] = LEG_SYNC
        o.duty[0] = 0.5

and likewise ``RECEIVE`` (state at ``moved(data, STATE_AT - RX_AT)``) and ``TRANSMIT``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
from llvmlite import ir  # type: ignore[import-untyped]  # ships no types
from numba import types

from hil.twin.jit import intrinsic

VERSION = 1
LEG_FLOAT, LEG_SYNC, LEG_ASYNC = 0, 1, 2
BUTTON_STOP, BUTTON_CLOCKWISE, BUTTON_COUNTER_CLOCKWISE, BUTTON_TRIP = 1, 2, 4, 8

#: ``port_inputs`` and ``port_outputs`` with the layout a C compiler gives them.
INPUTS = np.dtype(
    [
        ("time", "f8"),
        ("v_bus", "f4"),
        ("v_phase", "f4", (3,)),
        ("i_bus", "f4"),
        ("i_phase", "f4", (3,)),
        ("t_stage", "f4"),
        ("pot", "f4"),
        ("hall", "u1"),
        ("buttons", "u1"),
    ],
    align=True,
)
OUTPUTS = np.dtype([("duty", "f4", (3,)), ("drive", "u1", (3,)), ("leds", "u1")], align=True)

INPUTS_AT = 0
OUTPUTS_AT = 64
RX_AT = 128
TX_AT = 384
STATE_AT = 640
BUFFER_SIZE = 256
STATE_MAX = 65536

#: Signatures of the three functions called in motor time, for `hil.twin.jit.c_function`.
PERIOD = types.void(types.voidptr, types.voidptr)
RECEIVE = types.void(types.voidptr, types.int32)
TRANSMIT = types.int32(types.voidptr, types.int32)


def new_block(state_size: int = 0) -> npt.NDArray[np.uint8]:
    """A zeroed block with room for `state_size` bytes of firmware state, aligned to 64 bytes.

    Raises
    ------
    ValueError
        If the state is larger than `STATE_MAX`.
    """
    if not 0 <= state_size <= STATE_MAX:
        raise ValueError(f"firmware state of {state_size} bytes, at most {STATE_MAX} are allowed")
    size = STATE_AT + state_size
    room = np.zeros(size + 64, np.uint8)
    start = -room.ctypes.data % 64
    return room[start : start + size]


@dataclass(frozen=True, eq=False)
class FirmwareBinding:
    """One firmware on one simulated board.

    Parameters
    ----------
    name : what the firmware is called in messages.
    period, receive, transmit : addresses of C functions ``port_period``, ``port_receive``,
        ``port_transmit``.
    block : from `new_block`; belongs to this board alone.
    reset : power-on reset, given the PWM frequency in Hz. `Drive` calls it, and sets all legs
        floating beforehand.
    resets : number of resets the firmware made by itself, where it tells; else None.
    keep : objects that must live as long as the addresses are in use.
    """

    name: str
    period: int
    receive: int
    transmit: int
    block: npt.NDArray[np.uint8]
    reset: Callable[[float], None]
    resets: Callable[[], int] | None = None
    keep: tuple[Any, ...] = field(default=(), repr=False)

    @property
    def address(self) -> int:
        """Address of the block."""
        return int(self.block.ctypes.data)

    def inputs(self) -> np.void:
        """The firmware's inputs, a view."""
        return self._view(INPUTS, INPUTS_AT)

    def outputs(self) -> np.void:
        """The firmware's outputs, a view."""
        return self._view(OUTPUTS, OUTPUTS_AT)

    def state(self, dtype: np.dtype[Any]) -> np.void:
        """The variables of a firmware compiled by numba, a view as `dtype`."""
        return self._view(dtype, STATE_AT)

    def _view(self, dtype: np.dtype[Any], start: int) -> np.void:
        view: np.void = self.block[start : start + dtype.itemsize].view(dtype)[0]
        return view


def _calls(result: Any, *arguments: Any) -> Any:
    """Make the intrinsic body that calls the function at an address."""

    def typed(context: Any, address: Any, first: Any, second: Any) -> Any:
        del context, address, first, second

        def generate(ctx: Any, builder: Any, signature: Any, values: Any) -> Any:
            kind = ir.FunctionType(
                ctx.get_value_type(result) if result is not types.void else ir.VoidType(),
                [ctx.get_value_type(one) for one in arguments],
            )
            function = builder.inttoptr(values[0], kind.as_pointer())
            given = [
                ctx.cast(builder, value, source, target)
                for value, source, target in zip(
                    values[1:], signature.args[1:], arguments, strict=True
                )
            ]
            answer = builder.call(function, given)
            return ctx.get_dummy_value() if result is types.void else answer

        return result(types.int64, *arguments), generate

    return typed


@intrinsic
def call_period(context: Any, address: Any, inputs: Any, outputs: Any) -> Any:
    """``call_period(address, inputs, outputs)`` from compiled code."""
    return _calls(types.void, types.voidptr, types.voidptr)(context, address, inputs, outputs)


@intrinsic
def call_receive(context: Any, address: Any, data: Any, count: Any) -> Any:
    """``call_receive(address, data, count)`` from compiled code."""
    return _calls(types.void, types.voidptr, types.int32)(context, address, data, count)


@intrinsic
def call_transmit(context: Any, address: Any, data: Any, capacity: Any) -> Any:
    """``call_transmit(address, data, capacity)`` from compiled code: bytes written."""
    return _calls(types.int32, types.voidptr, types.int32)(context, address, data, capacity)
