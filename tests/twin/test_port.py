"""The block has the layout a C compiler gives it, and compiled code can call through it."""

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from numba import carray

import hil.twin
from hil.twin.jit import c_function, compiled, moved, pointer
from hil.twin.port import (
    BUFFER_SIZE,
    INPUTS,
    INPUTS_AT,
    LEG_SYNC,
    OUTPUTS,
    OUTPUTS_AT,
    PERIOD,
    RECEIVE,
    RX_AT,
    STATE_AT,
    STATE_MAX,
    TRANSMIT,
    TX_AT,
    FirmwareBinding,
    call_period,
    call_receive,
    call_transmit,
    new_block,
)

HEADER = Path(hil.twin.__file__).parent / "include"
STATE = np.dtype([("calls", "i8"), ("sum", "f8", (4,))], align=True)


@c_function(PERIOD)
def period(inputs, outputs):
    i = carray(inputs, 1, INPUTS)[0]
    o = carray(outputs, 1, OUTPUTS)[0]
    s = carray(moved(inputs, STATE_AT - INPUTS_AT), 1, STATE)[0]
    s.calls += 1
    s.sum[1] = i.v_phase[2]
    o.drive[0] = LEG_SYNC
    o.duty[1] = 0.25


@c_function(RECEIVE)
def receive(data, count):
    given = carray(data, BUFFER_SIZE, np.uint8)
    s = carray(moved(data, STATE_AT - RX_AT), 1, STATE)[0]
    for k in range(count):
        s.sum[2] += given[k]


@c_function(TRANSMIT)
def transmit(data, capacity):
    room = carray(data, BUFFER_SIZE, np.uint8)
    s = carray(moved(data, STATE_AT - TX_AT), 1, STATE)[0]
    room[0] = s.calls
    return min(capacity, 1)


@compiled
def run(period, receive, transmit, block, periods):
    sent = 0
    for _ in range(periods):
        call_period(period, pointer(block + INPUTS_AT), pointer(block + OUTPUTS_AT))
        call_receive(receive, pointer(block + RX_AT), 2)
        sent += call_transmit(transmit, pointer(block + TX_AT), 5)
    return sent


def binding() -> FirmwareBinding:
    return FirmwareBinding(
        "counter",
        period.address,
        receive.address,
        transmit.address,
        new_block(STATE.itemsize),
        lambda _: None,
    )


def test_compiled_firmware_finds_its_state_behind_every_pointer():
    board, other = binding(), binding()
    board.inputs()["v_phase"][2] = 3.5
    board.block[RX_AT : RX_AT + 2] = [3, 4]
    addresses = board.period, board.receive, board.transmit
    assert run(*addresses, board.address, 10) == 10
    state = board.state(STATE)
    assert state["calls"] == 10
    assert state["sum"].tolist() == [0, 3.5, 70, 0]
    assert board.outputs()["duty"].tolist() == [0, 0.25, 0]
    assert board.outputs()["drive"].tolist() == [LEG_SYNC, 0, 0]
    assert board.block[TX_AT] == 10
    assert other.state(STATE)["calls"] == 0  # the functions are shared, the memory is not


def test_blocks_are_aligned_and_bounded():
    for size in (0, 1, 1000, STATE_MAX):
        block = new_block(size)
        assert block.ctypes.data % 64 == 0
        assert block.size == STATE_AT + size
        assert not block.any()
    for size in (-1, STATE_MAX + 1):
        with pytest.raises(ValueError, match="state of"):
            new_block(size)


def test_the_parts_of_the_block_do_not_overlap():
    assert INPUTS_AT + INPUTS.itemsize <= OUTPUTS_AT
    assert OUTPUTS_AT + OUTPUTS.itemsize <= RX_AT
    assert RX_AT + BUFFER_SIZE <= TX_AT
    assert TX_AT + BUFFER_SIZE <= STATE_AT
    assert STATE_AT % 8 == 0


def test_structures_have_the_layout_of_the_c_compiler(tmp_path):
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        pytest.skip("no C compiler on this machine")
    fields = [("port_inputs", name) for name in INPUTS.names or ()]
    fields += [("port_outputs", name) for name in OUTPUTS.names or ()]
    lines = [f'printf("%zu\\n", offsetof({kind}, {name}));' for kind, name in fields]
    source = tmp_path / "layout.c"
    source.write_text(
        '#include <stdio.h>\n#include <stddef.h>\n#include "firmware_port.h"\nint main(void) {\n'
        + "\n".join(lines)
        + 'printf("%zu\\n%zu\\n", sizeof(port_inputs), sizeof(port_outputs)); return 0; }\n'
    )
    program = tmp_path / "layout"
    subprocess.run(
        [compiler, "-Wall", "-Wextra", "-Werror", f"-I{HEADER}", str(source), "-o", str(program)],
        check=True,
    )
    found = [
        int(n) for n in subprocess.run([program], capture_output=True, check=True).stdout.split()
    ]
    expected = [dict(INPUTS.fields or {})[n][1] for n in INPUTS.names or ()]
    expected += [dict(OUTPUTS.fields or {})[n][1] for n in OUTPUTS.names or ()]
    assert found == [*expected, INPUTS.itemsize, OUTPUTS.itemsize]
