"""Memory that two processes have in common."""

import mmap
import os

import numpy as np
import pytest

from hil.twin.kernel_memory import CONSTANTS, STATE
from hil.twin.port import INPUTS, OUTPUTS, OUTPUTS_AT, RX_AT, STATE_AT, TX_AT
from hil.twin.shared import SIZE, SharedMemory, nameless_file


@pytest.fixture
def file():
    descriptor = nameless_file(SIZE)
    yield descriptor
    os.close(descriptor)


def test_two_mappings_show_the_same(file):
    one, other = SharedMemory(file), SharedMemory(file)
    one.state["periods"] = 12
    one.constants["block"] = 34
    one.block[TX_AT] = 56
    assert other.state[0]["periods"] == 12
    assert other.constants[0]["block"] == 34
    assert other.block[TX_AT] == 56


def test_it_begins_with_zeros_and_parts_do_not_overlap(file):
    memory = SharedMemory(file)
    parts = [one.view(np.uint8) for one in (memory.state, memory.constants, memory.block)]
    assert not any(part.any() for part in parts)
    for number, part in enumerate(parts, start=1):
        part[:] = number
    for number, part in enumerate(parts, start=1):
        assert (part == number).all()


def test_records_are_aligned_and_the_block_ends_where_the_memory_ends(file):
    memory = SharedMemory(file)
    addresses = [one.ctypes.data for one in (memory.state, memory.constants, memory.block)]
    assert addresses[0] % mmap.PAGESIZE == 0
    assert addresses[1] % 64 == 0
    assert addresses[2] % 64 == 0
    assert addresses[2] + memory.block.size == addresses[0] + SIZE
    assert memory.block.size == STATE_AT
    assert STATE.itemsize + CONSTANTS.itemsize + STATE_AT <= SIZE
    for start, kind in ((0, INPUTS), (OUTPUTS_AT, OUTPUTS)):
        assert memory.block[start : start + kind.itemsize].view(kind).shape == (1,)
    assert RX_AT < TX_AT < STATE_AT


def test_the_memory_lives_as_long_as_a_view_of_it():
    descriptor = nameless_file(SIZE)
    state = SharedMemory(descriptor).state
    os.close(descriptor)
    state["periods"] = 7
    assert state[0]["periods"] == 7


def test_the_file_has_no_name():
    descriptor = nameless_file(10)
    assert os.fstat(descriptor).st_size == 10
    assert os.fstat(descriptor).st_nlink == 0
    os.close(descriptor)
