"""The supply driver on a TCP socket: order, read-back, refusals, verified output."""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace

import pytest

from hil.core.errors import InstrumentError, InstrumentTimeout
from hil.drivers.scpi import ScpiConfig
from hil.drivers.supply import ScpiSupply, SupplyConfig
from hil.ports.clock import WallClock
from hil.ports.instruments import Supply, TellsTrips
from hil.ports.supply_commands import SCPI_1999, OverCurrent


@pytest.fixture
def bench(serve, manager, simple_supply):
    """Peer and open supply; `received` starts empty."""
    simple_supply.points["OUTP"] = 1.0  # as an earlier owner may have left it
    peer = serve(simple_supply)
    config = SupplyConfig(scpi=ScpiConfig(resource=peer.resource, role="supply", timeout=0.3))
    supply = ScpiSupply.open(config, WallClock(), manager)
    yield peer, supply, simple_supply
    supply.close()


def test_opening_switches_off_what_was_left_on(bench):
    _, supply, instrument = bench
    assert instrument.points["OUTP"] == 0.0
    assert supply.is_on() is False
    assert isinstance(supply, Supply)
    assert supply.identify().model == "SIM-SUPPLY"


def test_protection_then_current_then_voltage_each_read_back(bench):
    peer, supply, instrument = bench
    peer.received.clear()
    supply.prepare(24.0, 3.0, 28.0)
    assert peer.received == [
        "VOLT?",
        "VOLT:PROT 28",
        "SYST:ERR?",
        "VOLT:PROT?",
        "CURR 3",
        "SYST:ERR?",
        "CURR?",
        "VOLT 24",
        "SYST:ERR?",
        "VOLT?",
    ]
    assert instrument.points == {"VOLT": 24.0, "CURR": 3.0, "VOLT:PROT": 28.0, "OUTP": 0.0}


def test_a_lower_protection_waits_for_the_voltage_to_come_down(bench):
    peer, supply, _ = bench
    supply.prepare(24.0, 3.0, 28.0)
    peer.received.clear()
    supply.prepare(12.0, 3.0, 15.0)
    writes = [message for message in peer.received if not message.endswith("?")]
    assert writes == ["VOLT 12", "VOLT:PROT 15", "CURR 3", "VOLT 12"]


@pytest.mark.parametrize(
    ("values", "what", "asked", "found"),
    [
        ((24.0, 3.0, 90.0), "over-voltage protection", "90 V", "66 V"),
        ((24.0, 30.0, 28.0), "current limit", "30 A", "1 A"),
        ((61.0, 3.0, 65.0), "voltage", "61 V", "5 V"),
    ],
)
def test_a_refused_value_names_everything(bench, values, what, asked, found):
    peer, supply, _ = bench
    with pytest.raises(InstrumentError) as caught:
        supply.prepare(*values)
    assert str(caught.value) == (
        f"supply at {peer.resource}: {what} set to {asked} reads back {found}; "
        'the instrument says -222,"Data out of range"'
    )


def test_a_silently_clamped_value_is_found_by_reading_back(bench):
    _, supply, instrument = bench
    instrument.stuck.add("CURR")
    with pytest.raises(
        InstrumentError, match="limit set to 3 A reads back 1 A; its error queue is"
    ):
        supply.prepare(24.0, 3.0, 28.0)
    assert instrument.points["VOLT"] == 5.0


def test_an_error_counts_even_if_the_value_reads_back_as_set(bench):
    _, supply, instrument = bench
    instrument.error('-221,"Settings conflict"')
    with pytest.raises(InstrumentError, match='reads back 5 V; the instrument says -221,"Settings'):
        supply.set_voltage(5.0)


def test_a_rounded_value_is_no_error(bench):
    _, supply, instrument = bench
    instrument.special["VOLT?"] = "23.985"
    supply.set_voltage(24.0)
    instrument.special["VOLT?"] = "23.97"
    with pytest.raises(InstrumentError, match=r"set to 24 V reads back 23.97 V"):
        supply.set_voltage(24.0)


@pytest.mark.parametrize("voltage", [28.0, 30.0, -1.0, float("nan")])
def test_a_voltage_beyond_its_protection_is_never_sent(bench, voltage):
    peer, supply, _ = bench
    peer.received.clear()
    with pytest.raises(InstrumentError, match="must lie below the over-voltage limit 28 V"):
        supply.prepare(voltage, 3.0, 28.0)
    assert peer.received == []


def test_on_and_off_are_verified(bench):
    peer, supply, _ = bench
    supply.prepare(24.0, 3.0, 28.0)
    peer.received.clear()
    supply.switch_on()
    assert peer.received == ["OUTP ON", "SYST:ERR?", "OUTP?"]
    assert supply.is_on() is True
    reading = supply.measure()
    assert (reading.voltage, reading.current) == (24.0, 0.25)
    supply.switch_off()
    supply.switch_off()
    assert supply.is_on() is False


def test_the_time_of_a_reading_is_the_middle_of_the_query(bench):
    _, supply, _ = bench
    before = WallClock().now()
    reading = supply.measure()
    assert before < reading.time < WallClock().now()


def test_an_output_that_reads_back_off(bench):
    peer, supply, instrument = bench
    instrument.stuck.add("OUTP")
    peer.received.clear()
    with pytest.raises(InstrumentError, match=r"output switched on but reads back off$"):
        supply.switch_on()
    # and the set point is taken back, so that it does not come on later
    assert peer.received[-2:] == ["OUTP OFF", "OUTP?"]


def test_an_output_that_may_be_on_is_switched_off(bench):
    _, supply, instrument = bench
    answers = iter([None])
    instrument.special["OUTP?"] = lambda: next(answers, f"{instrument.points['OUTP']:g}")
    with pytest.raises(InstrumentTimeout, match=r"'OUTP\?' failed"):
        supply.switch_on()
    assert instrument.points["OUTP"] == 0.0


def test_a_tripped_protection_is_named(bench):
    _, supply, instrument = bench
    instrument.stuck.add("OUTP")
    instrument.special["VOLT:PROT:TRIP?"] = "1"
    with pytest.raises(
        InstrumentError, match="reads back off: over-voltage protection has tripped"
    ):
        supply.switch_on()
    supply.clear_protection()


def test_a_supply_without_the_trip_query_still_gives_the_first_error(bench):
    _, supply, instrument = bench
    instrument.stuck.add("OUTP")
    instrument.special["VOLT:PROT:TRIP?"] = None
    with pytest.raises(InstrumentError, match=r"output switched on but reads back off$"):
        supply.switch_on()
    assert supply.is_on() is False


def test_an_output_that_stays_on_is_said_so(bench):
    _, supply, instrument = bench
    supply.switch_on()
    instrument.stuck.add("OUTP")
    with pytest.raises(InstrumentError, match="switched off but reads back ON"):
        supply.switch_off()
    instrument.stuck.clear()
    supply.switch_off()


def test_an_old_error_does_not_stand_in_the_way_of_switching_off(bench):
    _, supply, instrument = bench
    supply.switch_on()
    instrument.error('-310,"System error"')
    supply.switch_off()
    assert instrument.points["OUTP"] == 0.0


def test_switching_off_after_a_hang_reconnects_first(bench):
    peer, supply, instrument = bench
    supply.prepare(24.0, 3.0, 28.0)
    supply.switch_on()
    instrument.special["MEAS:VOLT?"] = None
    with pytest.raises(InstrumentTimeout, match=r"'MEAS:VOLT\?' failed: nothing within 0.3 s"):
        supply.measure()
    assert instrument.points["OUTP"] == 1.0
    before = peer.connections
    supply.switch_off()
    assert instrument.points["OUTP"] == 0.0
    assert peer.connections == before + 1


def test_a_supply_that_hangs_hears_of_it_before_it_is_connected_to_again(bench):
    peer, supply, instrument = bench
    supply.prepare(24.0, 3.0, 28.0)
    supply.switch_on()
    instrument.special["MEAS:VOLT?"] = None
    with pytest.raises(InstrumentTimeout):
        supply.measure()
    before = peer.connections
    peer.received.clear()
    states = []
    instrument.special["*IDN?"] = lambda: states.append(instrument.points["OUTP"])  # no answer
    with pytest.raises(InstrumentError, match="not usable"):
        supply.switch_off()
    assert peer.received[0] == "OUTP OFF"
    assert states[0] == 0.0  # it was off before anybody waited for it to say who it is
    assert peer.connections > before
    del instrument.special["*IDN?"]
    supply.switch_off()


def test_switching_off_survives_one_lost_connection(bench):
    _, supply, instrument = bench
    supply.switch_on()
    answers = iter(["<hang up>"])
    instrument.special["OUTP?"] = lambda: next(answers, "0")
    supply.switch_off()
    assert instrument.points["OUTP"] == 0.0


def test_a_supply_that_is_gone(bench):
    peer, supply, _ = bench
    peer.close()
    with pytest.raises(InstrumentError, match=f"supply at {peer.resource}"):
        supply.switch_off()


def test_a_reading_that_is_none(bench):
    _, supply, instrument = bench
    instrument.special["MEAS:CURR?"] = "9.91E37"
    with pytest.raises(
        InstrumentError, match=r"'MEAS:CURR\?' answered '9.91E37': no valid reading"
    ):
        supply.measure()


BOTH = "MEAS:VOLT?;:MEAS:CURR?"


def opened_with(serve, manager, instrument, answer, **commands):
    instrument.special[BOTH] = answer
    peer = serve(instrument)
    scpi = ScpiConfig(resource=peer.resource, role="supply", timeout=0.3)
    config = SupplyConfig(scpi=scpi, commands=replace(SCPI_1999, **commands))
    return peer, ScpiSupply.open(config, WallClock(), manager)


def test_both_readings_are_asked_for_in_one_message(serve, manager, simple_supply):
    peer, supply = opened_with(serve, manager, simple_supply, "23.9;0.31")
    with closing(supply):
        peer.received.clear()
        reading = supply.measure()
    assert (reading.voltage, reading.current) == (23.9, 0.31)
    assert peer.received == [BOTH]


@pytest.mark.parametrize("answer", [None, "23.9", "23.9\n0.31", "1;2;3"])
def test_a_supply_that_cannot_is_asked_one_by_one(serve, manager, simple_supply, answer):
    peer, supply = opened_with(serve, manager, simple_supply, answer)
    with closing(supply):
        supply.prepare(24.0, 3.0, 28.0)
        supply.switch_on()
        peer.received.clear()
        reading = supply.measure()
        assert (reading.voltage, reading.current) == (24.0, 0.25)
        assert peer.received == ["MEAS:VOLT?", "MEAS:CURR?"]
        supply.switch_off()


def test_the_error_of_a_supply_that_cannot_is_not_left_in_its_queue(serve, manager, simple_supply):
    def refuse() -> None:
        simple_supply.error('-113,"Undefined header"')

    peer, supply = opened_with(serve, manager, simple_supply, refuse)
    with closing(supply):
        supply.prepare(24.0, 3.0, 28.0)
        assert peer.received[peer.received.index(BOTH) :].count("SYST:ERR?") >= 2


def test_a_supply_described_so_is_never_asked_for_both(serve, manager, simple_supply):
    peer, supply = opened_with(serve, manager, simple_supply, "23.9;0.31", together=False)
    with closing(supply):
        supply.measure()
    assert BOTH not in peer.received


@pytest.mark.parametrize("answer", ["23.9", "23.9;9.91E37", "23.9;zero"])
def test_an_answer_that_is_not_both_readings_is_an_error(serve, manager, simple_supply, answer):
    _, supply = opened_with(serve, manager, simple_supply, "23.9;0.31")
    simple_supply.special[BOTH] = answer
    with closing(supply), pytest.raises(InstrumentError, match=r"answered '23\.9"):
        supply.measure()


def test_opening_fails_if_the_output_cannot_be_switched_off(serve, manager, simple_supply):
    simple_supply.points["OUTP"] = 1.0
    simple_supply.stuck.add("OUTP")
    peer = serve(simple_supply)
    config = SupplyConfig(scpi=ScpiConfig(resource=peer.resource, role="supply", timeout=0.3))
    with pytest.raises(InstrumentError, match="reads back ON"):
        ScpiSupply.open(config, WallClock(), manager)


# -- over-current protection, and why an output went off ------------------------------------


@pytest.fixture
def protected(serve, manager, simple_supply):
    """Open a supply with over-current protection, at most 3 A; its peer and what it is."""
    simple_supply.points |= {"CURR:PROT": 10.0, "CURR:PROT:STAT": 0.0}
    simple_supply.special |= {"CURR:PROT:TRIP?": "0", "STAT:QUES:COND?": "0"}
    opened = []

    def start(over_current: OverCurrent | None = OverCurrent(), **more):  # noqa: B008 - frozen
        peer = serve(simple_supply)
        config = SupplyConfig(
            scpi=ScpiConfig(resource=peer.resource, role="supply", timeout=0.3),
            commands=replace(SCPI_1999, over_current=over_current, **more),
            current_limit=3.0,
        )
        opened.append(ScpiSupply.open(config, WallClock(), manager))
        peer.received.clear()
        return peer, opened[-1], simple_supply

    yield start
    for supply in opened:
        supply.close()


def test_both_protections_come_before_the_set_points_each_read_back(protected):
    peer, supply, instrument = protected()
    supply.prepare(24.0, 3.0, 28.0)
    sent = [message for message in peer.received if message != "SYST:ERR?"]
    assert sent[1:] == [
        "VOLT:PROT 28", "VOLT:PROT?", "CURR:PROT 3", "CURR:PROT?",
        "CURR:PROT:STAT ON", "CURR:PROT:STAT?", "CURR 3", "CURR?", "VOLT 24", "VOLT?",
    ]  # fmt: skip
    assert instrument.points["OUTP"] == 0.0


def test_the_level_stays_that_of_the_rig_where_less_current_is_to_be_given(protected):
    _, supply, instrument = protected()
    supply.prepare(5.0, 0.5, 28.0)
    assert (instrument.points["CURR"], instrument.points["CURR:PROT"]) == (0.5, 3.0)
    assert instrument.points["CURR:PROT:STAT"] == 1.0


def test_one_without_a_level_is_off_while_a_lower_limit_is_there_to_be_reached(protected):
    _, supply, instrument = protected(OverCurrent(level=""))
    for limit, on in ((3.0, 1.0), (0.5, 0.0), (3.0, 1.0)):
        supply.prepare(5.0, limit, 28.0)
        assert instrument.points["CURR:PROT:STAT"] == on
    assert instrument.points["CURR:PROT"] == 10.0


@pytest.mark.parametrize(
    ("stuck", "said"),
    [
        ("VOLT:PROT", "over-voltage protection set to 28 V reads back 66 V"),
        ("CURR:PROT", "over-current protection set to 3 A reads back 10 A"),
        (
            "CURR:PROT:STAT",
            "over-current protection switched by 'CURR:PROT:STAT ON' reads back off",
        ),
        ("CURR", "current limit set to 3 A reads back 1 A"),
        ("VOLT", "voltage set to 24 V reads back 5 V"),
    ],
)
def test_whatever_reads_back_otherwise_is_refused(protected, stuck, said):
    _, supply, instrument = protected()
    instrument.stuck.add(stuck)
    with pytest.raises(InstrumentError, match=said):
        supply.prepare(24.0, 3.0, 28.0)


def test_one_that_is_not_described_is_left_alone(protected):
    peer, supply, _ = protected(None)
    supply.prepare(24.0, 3.0, 28.0)
    assert not any("CURR:PROT" in message for message in peer.received)


@pytest.mark.parametrize(
    ("voltage", "current", "register", "trips"),
    [
        ("0", "0", "0", ()),
        ("1", "0", "0", ("over-voltage",)),
        ("0", "1", "0", ("over-current",)),
        ("1", "1", "0", ("over-voltage", "over-current")),
        ("0", "0", "1", ("over-voltage",)),
        ("0", "0", "2", ("over-current",)),
        ("0", "0", "515", ("over-voltage", "over-current")),
        ("0", "0", "512", ()),
        ("1", "0", "2", ("over-voltage",)),  # the protection itself knows best
    ],
)
def test_why_an_output_went_off(protected, voltage, current, register, trips):
    _, supply, instrument = protected()
    instrument.special |= {"VOLT:PROT:TRIP?": voltage, "CURR:PROT:TRIP?": current}
    instrument.special["STAT:QUES:COND?"] = register
    assert isinstance(supply, TellsTrips)
    assert supply.trips() == trips


def test_one_that_cannot_say_leaves_no_error_behind(protected):
    _, supply, instrument = protected(None, tripped="")
    instrument.special["STAT:QUES:COND?"] = lambda: instrument.error('-113,"Undefined header"')
    assert supply.trips() == ()
    assert supply.errors() == ()
    assert supply.is_on() is False


def test_a_supply_that_stays_off_tells_the_protection_that_tripped(protected):
    _, supply, instrument = protected()
    instrument.stuck.add("OUTP")
    instrument.special["CURR:PROT:TRIP?"] = "1"
    with pytest.raises(InstrumentError, match="reads back off: over-current protection has"):
        supply.switch_on()
