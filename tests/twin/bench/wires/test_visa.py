"""The simulated instruments through PyVISA."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import pyvisa
from pyvisa import VisaIOError, constants
from pyvisa.constants import StatusCode

from hil.twin.wires.visa import visa_library
from hil.twin.world import World

SUPPLY, TACHOMETER, BRAKE, SWITCH = (
    f"TCPIP0::127.0.0.1::{port}::SOCKET" for port in (5025, 5026, 5027, 5028)
)
LINES = {"read_termination": "\n", "write_termination": "\n"}


@pytest.fixture
def manager(world: World) -> Iterator[pyvisa.ResourceManager]:
    opened = pyvisa.ResourceManager(visa_library(world))
    yield opened
    opened.close()


@pytest.fixture
def supply(manager):
    return manager.open_resource(SUPPLY, **LINES)


def status_of(action) -> StatusCode:
    with pytest.raises(VisaIOError) as caught:
        action()
    return StatusCode(caught.value.error_code)


def test_all_instruments_open_and_identify(manager) -> None:
    models = [
        manager.open_resource(name, **LINES).query("*IDN?").split(",")[1]
        for name in (SUPPLY, TACHOMETER, BRAKE, SWITCH)
    ]
    assert models == ["SIM-SUPPLY", "SIM-TACHO", "SIM-BRAKE", "SIM-SWITCH"]


def test_list_resources(manager, world: World) -> None:
    assert manager.list_resources("?*") == (SUPPLY, TACHOMETER, BRAKE, SWITCH)
    assert manager.list_resources("?*::5026::SOCKET") == (TACHOMETER,)
    assert manager.list_resources() == ()  # the default lists INSTR resources only
    world.unplug_instrument(BRAKE)
    assert BRAKE not in manager.list_resources("?*")


def test_resource_names_are_matched_as_visa_does(manager) -> None:
    supply = manager.open_resource("TCPIP::127.0.0.1::5025::SOCKET", **LINES)  # board 0 left out
    assert "SIM-SUPPLY" in supply.query("*IDN?")


def test_a_query_costs_its_time(supply, world: World) -> None:
    before = world.now
    supply.query("*IDN?")
    assert world.now - before == pytest.approx(0.001, abs=1e-9)
    before = world.now
    supply.write("CURR 1")
    assert world.now - before == pytest.approx(0.0005, abs=1e-9)
    world.query_time = 0.01
    before = world.now
    supply.query("CURR?")
    assert world.now - before == pytest.approx(0.01, abs=1e-9)


@pytest.mark.parametrize("timeout", [10, 500, 2000])
def test_no_answer_times_out_in_virtual_time(supply, world: World, timeout: int) -> None:
    supply.timeout = timeout
    supply.write("CURR 1")
    before = world.now
    assert status_of(supply.read) == StatusCode.error_timeout
    assert world.now - before == pytest.approx(timeout / 1000, abs=1e-9)
    assert supply.query("CURR?") == "1.000000E+00"


def test_a_silent_instrument(supply, world: World) -> None:
    world.instruments[SUPPLY].silent = True
    assert status_of(lambda: supply.query("*IDN?")) == StatusCode.error_timeout
    world.instruments[SUPPLY].silent = False
    assert "SIM-SUPPLY" in supply.query("*IDN?")


def test_timeout_shorter_than_the_query(supply, world: World) -> None:
    world.query_time = 0.1
    supply.timeout = 10
    assert status_of(lambda: supply.query("*OPC?")) == StatusCode.error_timeout
    supply.timeout = 1000
    assert supply.read() == "1", "the late answer is still on its way"


def test_infinite_timeout_is_bounded(supply, world: World, drive) -> None:
    drive.advance = lambda seconds: setattr(drive, "time", drive.time + seconds)
    supply.timeout = None
    assert supply.timeout == float("+inf")
    assert status_of(supply.read) == StatusCode.error_timeout
    assert world.now == pytest.approx(600.0, abs=0.01)


def test_without_termination_character_reading_times_out(manager) -> None:
    bare = manager.open_resource(SUPPLY, write_termination="\n", timeout=100)
    bare.write("*OPC?")
    assert status_of(bare.read) == StatusCode.error_timeout
    bare.write("*OPC?")
    assert bare.read_bytes(2) == b"1\n"


def test_answers_in_pieces_and_in_order(supply) -> None:
    supply.write("*OPC?\n*IDN?\nSYST:VERS?")
    assert supply.read_bytes(1) == b"1"
    assert supply.read() == ""
    assert supply.read().startswith("GREENHOUSE")
    assert supply.read() == "1999.0"


def test_long_answers(manager, world: World) -> None:
    tachometer = manager.open_resource(TACHOMETER, **LINES)
    tachometer.write("INIT")
    world.advance(3.0)
    values = tachometer.query_ascii_values("FETC:ARR?")
    assert len(values) == 6000
    assert tachometer.chunk_size < 6000 * 8


def test_clear_and_flush_throw_answers_away(supply) -> None:
    supply.timeout = 50
    for discard in (
        supply.clear,
        lambda: supply.flush(constants.BufferOperation.discard_read_buffer),
    ):
        supply.write("*IDN?")
        discard()
        assert status_of(supply.read) == StatusCode.error_timeout


def test_errors_of_the_instrument_stay_in_its_queue(supply, drive) -> None:
    supply.write("VOLT 99")
    assert supply.query("SYST:ERR?").startswith('-222,"Data out of range')
    assert drive.voltage == 0.0


def test_two_sessions_on_one_instrument(manager, supply) -> None:
    other = manager.open_resource(SUPPLY, **LINES)
    other.write("CURR 3")
    supply.write("*IDN?")
    assert other.query("CURR?") == "3.000000E+00"
    assert "SIM-SUPPLY" in supply.read()
    other.close()
    assert supply.query("CURR?") == "3.000000E+00"


def test_several_managers(world: World) -> None:
    one, two = (pyvisa.ResourceManager(visa_library(world)) for _ in range(2))
    assert one is not two
    first, second = one.open_resource(SUPPLY, **LINES), two.open_resource(SUPPLY, **LINES)
    one.close()
    with pytest.raises(pyvisa.InvalidSession):
        first.query("*IDN?")
    assert "SIM-SUPPLY" in second.query("*IDN?")
    two.close()


def test_one_library_gives_one_manager_at_a_time(world: World) -> None:
    library = visa_library(world)
    one = pyvisa.ResourceManager(library)
    assert pyvisa.ResourceManager(library) is one
    one.close()
    again = pyvisa.ResourceManager(library)
    assert "SIM-SUPPLY" in again.open_resource(SUPPLY, **LINES).query("*IDN?")
    again.close()


@pytest.mark.parametrize(
    ("name", "status"),
    [
        ("TCPIP0::127.0.0.1::9999::SOCKET", StatusCode.error_resource_not_found),
        ("TCPIP0::127.0.0.1::inst0::INSTR", StatusCode.error_resource_not_found),
        ("ASRL1::INSTR", StatusCode.error_resource_not_found),
        ("NONSENSE", StatusCode.error_invalid_resource_name),
    ],
)
def test_names_that_do_not_open(manager, name: str, status: StatusCode) -> None:
    assert status_of(lambda: manager.open_bare_resource(name)) == status


def test_instrument_off_the_network(manager, supply, world: World) -> None:
    world.unplug_instrument(SUPPLY)
    assert status_of(lambda: manager.open_resource(SUPPLY)) == StatusCode.error_resource_not_found
    assert status_of(lambda: supply.write("CURR 1")) == StatusCode.error_connection_lost
    assert status_of(supply.read) == StatusCode.error_connection_lost
    assert status_of(supply.clear) == StatusCode.error_connection_lost
    world.plug_instrument(SUPPLY)
    assert "SIM-SUPPLY" in supply.query("*IDN?")


def test_bench_closed(supply, world: World) -> None:
    world.close()
    assert status_of(lambda: supply.query("*IDN?")) == StatusCode.error_connection_lost


def test_closed_sessions(supply) -> None:
    handle, library = supply.session, supply.visalib
    supply.close()
    supply.close()
    with pytest.raises(pyvisa.InvalidSession):
        supply.query("*IDN?")
    for action in (
        lambda: library.read(handle, 1),
        lambda: library.write(handle, b"x"),
        lambda: library.close(handle),
        lambda: library.get_attribute(handle, constants.ResourceAttribute.timeout_value),
    ):
        assert status_of(action) == StatusCode.error_invalid_object


def test_attributes(supply) -> None:
    assert supply.timeout == 2000
    assert supply.resource_name == SUPPLY
    assert supply.interface_type == constants.InterfaceType.tcpip
    assert supply.resource_class == "SOCKET"
    assert supply.get_visa_attribute(constants.ResourceAttribute.tcpip_port) == 5025
    supply.set_visa_attribute(constants.ResourceAttribute.termchar, ord(";"))
    assert supply.get_visa_attribute(constants.ResourceAttribute.termchar) == ord(";")
    read_only = constants.ResourceAttribute.resource_name
    assert (
        status_of(lambda: supply.set_visa_attribute(read_only, "x"))
        == StatusCode.error_attribute_read_only
    )
    gpib = constants.ResourceAttribute.gpib_primary_address
    assert (
        status_of(lambda: supply.get_visa_attribute(gpib))
        == StatusCode.error_nonsupported_attribute
    )


def test_what_sockets_cannot_do(manager, supply) -> None:
    unsupported = StatusCode.error_nonsupported_operation
    assert status_of(supply.read_stb) == unsupported
    assert status_of(supply.assert_trigger) == unsupported
    assert status_of(lambda: supply.lock(timeout=1)) == unsupported
    assert status_of(supply.unlock) == StatusCode.error_session_not_locked
    locked = constants.AccessModes.exclusive_lock
    assert status_of(lambda: manager.open_resource(SUPPLY, access_mode=locked)) == unsupported
