"""The serial line, paced at its baud rate: ten bit times a byte."""

from __future__ import annotations

from typing import Any

import numpy as np

from hil.twin.jit import carray, compiled, pointer
from hil.twin.kernel_memory import LINE_BUFFER
from hil.twin.port import BUFFER_SIZE, RX_AT, TX_AT, call_receive, call_transmit

#: Bytes the transmitter takes ahead of the line, as the FIFO of a UART does.
FIFO = 16

#: Codes of ``STATE.inside``: which function of the firmware is running, should it never return.
NOWHERE, PERIOD, RECEIVE, TRANSMIT = 0, 1, 2, 3


@compiled
def receive(c: Any, s: Any, time: float) -> None:
    """Hand the firmware the bytes whose last bit has arrived by `time`."""
    buffer = carray(pointer(c.block + RX_AT), BUFFER_SIZE, np.uint8)
    count = 0
    while s.rx_tail < s.rx_head and s.rx_next <= time and count < BUFFER_SIZE:
        buffer[count] = s.rx[s.rx_tail % LINE_BUFFER]
        s.rx_tail += 1
        s.rx_next += c.byte_time
        count += 1
    if count > 0:
        s.inside = RECEIVE
        call_receive(c.port_receive, pointer(c.block + RX_AT), count)
        s.inside = NOWHERE


@compiled
def transmit(c: Any, s: Any, time: float) -> int:
    """Fetch bytes from the firmware while the transmitter is idle; -1 if it wrote too many."""
    s.inside = TRANSMIT
    count = call_transmit(c.port_transmit, pointer(c.block + TX_AT), FIFO)
    s.inside = NOWHERE
    if count <= 0:
        return 0
    if count > FIFO:
        return -1
    buffer = carray(pointer(c.block + TX_AT), BUFFER_SIZE, np.uint8)
    for k in range(count):
        s.tx[s.tx_head % LINE_BUFFER] = buffer[k]
        s.tx_head += 1
    s.tx_free = max(s.tx_free, time) + count * c.byte_time
    return 0
