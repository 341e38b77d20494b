"""Relays of the simulated signal switch."""

from __future__ import annotations

import pytest

from hil.twin.instruments.switch import LINES, SimulatedSwitch


@pytest.fixture
def switch(drive) -> SimulatedSwitch:
    return SimulatedSwitch(drive)


def test_all_lines_are_closed_at_power_on(switch, drive) -> None:
    assert drive.lines == dict.fromkeys(LINES, True)
    assert switch.execute("ROUT:CLOS? (@1:7)") == "1,1,1,1,1,1,1"


@pytest.mark.parametrize("channel", range(1, 7))
def test_each_channel_is_one_line(switch, drive, channel: int) -> None:
    switch.execute(f"ROUT:OPEN (@{channel})")
    assert [line for line, closed in drive.lines.items() if not closed] == [LINES[channel - 1]]
    assert switch.execute(f"ROUT:CLOS? (@{channel})") == "0"
    assert switch.execute(f"ROUTE:OPEN? (@{channel})") == "1"
    switch.execute(f"ROUTe:CLOSe (@{channel})")
    assert all(drive.lines.values())


def test_lists(switch, drive) -> None:
    switch.execute("ROUT:OPEN (@1,3:4)")
    assert switch.execute("ROUT:CLOS? (@1:7)") == "0,1,0,0,1,1,1"
    assert not drive.lines["hall-c"]
    switch.execute("*RST")
    assert all(drive.lines.values())


@pytest.mark.parametrize(
    ("command", "code"),
    [
        ("ROUT:OPEN (@8)", -222),
        ("ROUT:OPEN (@0:2)", -222),
        ("ROUT:OPEN 1", -104),
        ("ROUT:OPEN", -109),
        ("ROUT:OPEN (@1", -171),
        ("ROUT:CLOS? (@x)", -171),
    ],
)
def test_what_is_refused_changes_nothing(switch, drive, command: str, code: int) -> None:
    assert switch.execute(command) == ""
    assert int(switch.execute("SYST:ERR?").split(",")[0]) == code
    assert all(drive.lines.values())


def test_a_switch_with_fewer_lines(drive) -> None:
    switch = SimulatedSwitch(drive, ("hall-a", "hall-b"))
    switch.execute("ROUT:OPEN (@2)")
    assert drive.lines == {"hall-a": True, "hall-b": False}
    switch.execute("ROUT:OPEN (@3)")
    assert switch.execute("SYST:ERR?").startswith("-222")


def test_a_pulse_breaks_a_line_for_a_moment(switch, drive) -> None:
    switch.execute("ROUT:PULS 0.0002,(@2)")
    assert drive.broken == [("hall-b", 0.0002)]
    switch.execute("ROUT:PULS 20,(@2)")
    assert switch.execute("SYST:ERR?").startswith("-222")
    assert all(drive.lines.values())
