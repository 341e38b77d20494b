"""The driver of the relays in the signal lines."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from hil.core.errors import InstrumentError
from hil.drivers.scpi import ScpiConfig
from hil.drivers.switch import CHANNELS, ScpiSwitch, SwitchConfig
from hil.ports.clock import WallClock
from hil.ports.instruments import PulsingSwitch, SignalSwitch
from hil.ports.reading_commands import SwitchCommands


@pytest.fixture
def relays(simple):
    """Seven relays; one that is stuck keeps its place."""

    class Relays(simple):
        def __init__(self) -> None:
            super().__init__("SIM-SWITCH", {})
            self.closed = dict.fromkeys(range(1, 8), True)
            self.welded: set[int] = set()
            self.first_alone = False  # of a list

        def __call__(self, message):
            if self.first_alone:
                message = re.sub(r"\(@(\d+),[^)]*\)", r"(@\1)", message)
            found = re.fullmatch(r"ROUT:(CLOS|OPEN)(\?)? \(@(\d+)\)", message)
            if found is None:
                return super().__call__(message)
            channel = int(found[3])
            if channel not in self.closed:
                self.error('-222,"Data out of range"')
                return None
            if found[2]:
                return str(int(self.closed[channel]))
            if channel not in self.welded:
                self.closed[channel] = found[1] == "CLOS"
            return None

    return Relays()


@pytest.fixture
def bench(serve, manager, relays):
    peer = serve(relays)
    scpi = ScpiConfig(resource=peer.resource, role="switch", timeout=0.3)
    switch = ScpiSwitch.open(SwitchConfig(scpi=scpi), WallClock(), manager)
    yield peer, switch
    switch.close()


@pytest.mark.parametrize(("line", "channel"), CHANNELS.items())
def test_each_line_has_its_relay(bench, relays, line, channel):
    _, switch = bench
    switch.set(line, False)
    assert [number for number, closed in relays.closed.items() if not closed] == [channel]
    switch.set(line, True)
    assert all(relays.closed.values())


def test_the_wire(bench):
    peer, switch = bench
    assert isinstance(switch, SignalSwitch)
    peer.received.clear()
    switch.set("hall-b", False)
    assert peer.received == ["ROUT:OPEN (@2)", "SYST:ERR?", "ROUT:CLOS? (@2)"]


def test_a_line_it_does_not_have(bench):
    peer, switch = bench
    peer.received.clear()
    with pytest.raises(
        InstrumentError, match="no line 'hall-d', it has hall-a, hall-b, hall-c, ph"
    ):
        switch.set("hall-d", True)
    assert peer.received == []


def test_a_welded_relay_is_found(bench, relays):
    _, switch = bench
    relays.welded.add(1)
    with pytest.raises(InstrumentError, match=r"hall-a \(relay 1\) set open reads back closed"):
        switch.set("hall-a", False)


def test_restoring_tries_every_line_before_it_complains(bench, relays):
    _, switch = bench
    for line in CHANNELS:
        switch.set(line, False)
    relays.welded |= {2, 4}
    with pytest.raises(InstrumentError, match=r"hall-b \(relay 2\) set closed reads back open"):
        switch.restore()
    assert [number for number, closed in relays.closed.items() if not closed] == [2, 4]
    relays.welded.clear()
    switch.restore()
    assert all(relays.closed.values())


def test_a_box_that_takes_the_first_of_a_list_alone_is_restored_all_the_same(bench, relays):
    _, switch = bench
    relays.first_alone = True
    for line in CHANNELS:
        switch.set(line, False)
    switch.restore()
    assert all(relays.closed.values())


def test_other_wiring(serve, manager, relays):
    peer = serve(relays)
    scpi = ScpiConfig(resource=peer.resource, role="switch", timeout=0.3)
    config = SwitchConfig(scpi=scpi, channels={"estop": 9})
    switch = ScpiSwitch.open(config, WallClock(), manager)
    with pytest.raises(InstrumentError, match=r"'ROUT:CLOS \(@9\)' answered by -222"):
        switch.set("estop", True)
    switch.close()


def test_the_rungs_of_a_ladder_have_the_relays_behind_those_of_the_lines():
    scpi = ScpiConfig(resource="TCPIP::127.0.0.1::1::SOCKET", role="switch")
    config = SwitchConfig(
        scpi=scpi, lines=("hall-b",), ladder=(60.0, "open"), channels={"temperature-open": 42}
    )
    assert config.relays == {"hall-b": 2, "temperature-60": 8, "temperature-open": 42}
    assert SwitchConfig(scpi=scpi, ladder=("short",)).relays == {"temperature-short": 8}
    assert SwitchConfig(scpi=scpi).relays == CHANNELS


def test_a_pulse_is_left_to_a_switch_that_has_a_command_for_it(bench):
    peer, switch = bench
    assert not switch.pulses
    config = replace(
        switch._config, commands=SwitchCommands(pulse="PULSE {relay},{time}", error_query="")
    )
    other = ScpiSwitch(switch._session, config)
    assert isinstance(other, PulsingSwitch)
    assert other.pulses
    peer.received.clear()
    with pytest.raises(InstrumentError, match="Undefined header"):  # this box has none after all
        other.pulse("hall-b", 2e-4)
    assert peer.received[0] == "PULSE 2,0.0002"
    with pytest.raises(InstrumentError, match="no line 'hall-d'"):
        other.pulse("hall-d", 1e-3)
