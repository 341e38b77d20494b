"""SCPI sessions over real TCP sockets with PyVISA-py."""

from __future__ import annotations

import time

import pytest
import pyvisa

from hil.core.errors import FirmwareError, InstrumentError, InstrumentTimeout
from hil.drivers.scpi import (
    MOST_ERRORS,
    QueueEntry,
    ScpiConfig,
    ScpiSession,
    needs_visa,
    parse_queue_entry,
)
from hil.ports.clock import WallClock


class CountingClock:
    """Time passes only by sleeping."""

    def __init__(self) -> None:
        self.time = 0.0
        self.slept: list[float] = []

    def now(self) -> float:
        return self.time

    def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)
        self.time += seconds


# ---------------------------------------------------------------------- error queue


# Q4: SCPI-1999 vol. 2, 21.8 (trust V-D): <code>,"<text>[;<device info>]", empty queue 0,"No error",
# some instruments send +0
@pytest.mark.parametrize(
    ("text", "code", "words"),
    [
        ('0,"No error"', 0, "No error"),
        ('+0,"No error"', 0, "No error"),
        ("0, no error", 0, "no error"),
        ("0", 0, ""),
        ('-222,"Data out of range"', -222, "Data out of range"),
        ('-222,"Data out of range;VOLT 99"', -222, "Data out of range;VOLT 99"),
        (' -350 , "Too many errors" ', -350, "Too many errors"),
        ('+301,"say ""when"""', 301, 'say "when"'),
        ("-113,'Undefined header'", -113, "Undefined header"),
    ],
)
def test_queue_entries(text, code, words):
    assert parse_queue_entry(text) == QueueEntry(code, words)


@pytest.mark.parametrize("text", ["", "No error", '"0","No error"', "1.5,x", "24.00 V"])
def test_what_is_no_queue_entry(text):
    with pytest.raises(ValueError, match="not an entry of an error queue"):
        parse_queue_entry(text)


def test_the_queue_is_emptied_oldest_first(open_session, simple):
    instrument = simple("X", {})
    _, session = open_session(instrument)
    for number in (1, 2, 3):
        instrument.error(f'-22{number},"error {number}"')
    assert [entry.code for entry in session.drain_errors()] == [-221, -222, -223]
    assert session.drain_errors() == ()


def test_an_overflow_is_the_last_entry(open_session, simple):
    # Q5 (SCPI-1999 vol. 2, 21.8, V-D): the newest entry is replaced by -350, older ones are kept
    instrument = simple("X", {}, depth=3)
    _, session = open_session(instrument)
    for number in range(1, 6):
        instrument.error(f'{number},"error"')
    assert [entry.code for entry in session.drain_errors()] == [1, 2, -350]


def test_a_queue_that_never_ends_is_an_error(open_session, simple):
    instrument = simple("X", {})
    _, session = open_session(instrument)
    instrument.special["SYST:ERR?"] = '-310,"System error"'
    with pytest.raises(InstrumentError, match=f'not end after {MOST_ERRORS} entries, first -310,"'):
        session.drain_errors()


def test_errors_left_by_an_earlier_owner_are_kept_apart(open_session, simple):
    # Q6 (V-D): the queue survives *RST and a new connection; reading the last item clears it
    instrument = simple("X", {"VOLT": 0.0})
    instrument.error('-222,"Data out of range"')
    _, session = open_session(instrument)
    assert session.errors_at_open == (QueueEntry(-222, "Data out of range"),)
    session.checked_write("VOLT 1")


def test_checked_write_names_the_command_and_the_instruments_words(open_session, simple):
    _, session = open_session(simple("X", {"VOLT": 0.0}))
    with pytest.raises(InstrumentError) as caught:
        session.checked_write("VOLT 1", "VOLTA 2")
    text = str(caught.value)
    assert text.startswith("supply at TCPIP0::127.0.0.1::")
    assert text.endswith("'VOLT 1'; 'VOLTA 2' answered by -113,\"Undefined header\"")


# ---------------------------------------------------------------------- queries


def test_numbers_and_flags(open_session, simple):
    instrument = simple("X", {})
    _, session = open_session(instrument)
    instrument.special |= {"A?": "+1.25E+1", "B?": "9.91E37", "C?": "many", "D?": "1", "E?": "2"}
    instrument.special |= {"F?": "OFF", "G?": "1,2,9.91E37", "H?": "1,x"}
    assert session.query_number("A?") == 12.5
    with pytest.raises(InstrumentError, match=r"'B\?' answered '9.91E37': no valid reading"):
        session.query_number("B?")
    with pytest.raises(InstrumentError, match="'C\\?' answered 'many', expected a number"):
        session.query_number("C?")
    assert session.query_flag("D?") is True
    assert session.query_flag("F?") is False
    with pytest.raises(InstrumentError, match="'E\\?' answered '2', expected 0 or 1"):
        session.query_flag("E?")
    assert session.query_numbers("G?")[:2].tolist() == [1.0, 2.0]
    with pytest.raises(InstrumentError, match="'H\\?' answered '1,x', expected numbers"):
        session.query_numbers("H?")


def test_a_blank_answer_is_an_error(open_session, simple):
    instrument = simple("X", {})
    _, session = open_session(instrument)
    instrument.special["VOLT?"] = "  "
    with pytest.raises(InstrumentError, match="'VOLT\\?' answered ''"):
        session.query("VOLT?")


def test_an_answer_of_many_kilobytes_comes_whole(open_session, simple):
    instrument = simple("X", {})
    _, session = open_session(instrument)
    numbers = [f"{0.001 * n:.6f}" for n in range(12000)]
    instrument.special["FETC:ARR?"] = ",".join(numbers)
    assert session.query_numbers("FETC:ARR?").tolist() == [float(n) for n in numbers]


def test_a_query_after_a_command_does_not_wait_for_its_acknowledgement(open_session, simple):
    # without TCP_NODELAY each of these takes the 40 ms of a delayed acknowledgement
    _, session = open_session(simple("X", {"VOLT": 0.0}))
    took = []
    for _ in range(9):
        started = time.perf_counter()
        session.checked_write("VOLT 1")
        took.append(time.perf_counter() - started)
    assert sorted(took)[4] < 0.02


def test_identity_is_split(open_session, simple):
    _, session = open_session(simple("SIM-SUPPLY", {}), calibration_due="2027-01-31")
    identity = session.identity
    assert (identity.role, identity.maker, identity.model) == (
        "supply",
        "GREENHOUSE BENCH",
        "SIM-SUPPLY",
    )
    assert (identity.serial, identity.revision) == ("0007", "1.0")
    assert identity.calibration_due == "2027-01-31"


def test_an_identity_with_too_few_or_too_many_parts(open_session, simple):
    for answer, expected in (("MAKER", ("MAKER", "", "")), ("A,B,C,D,E", ("A", "B", "D,E"))):
        instrument = simple("X", {})
        instrument.special["*IDN?"] = answer
        identity = open_session(instrument)[1].identity
        assert (identity.maker, identity.model, identity.revision) == expected


def test_another_instrument_than_expected_is_refused(open_session, simple):
    with pytest.raises(
        InstrumentError, match=r"identifies as 'GREEN.*', expected 'SIM-BRAKE' in it"
    ):
        open_session(simple("SIM-SUPPLY", {}), expect="SIM-BRAKE")
    open_session(simple("SIM-SUPPLY", {}), expect="sim-supply")


def test_commands_keep_their_distance(open_session, simple):
    clock = CountingClock()
    _, session = open_session(simple("X", {"VOLT": 0.0}), clock=clock, command_gap=0.05)
    clock.slept.clear()
    session.write("VOLT 1")
    session.query("VOLT?")
    clock.time += 0.03
    session.query("VOLT?")
    assert clock.slept == pytest.approx([0.05, 0.05, 0.02])
    clock.time += 1.0
    session.write("VOLT 2")
    assert len(clock.slept) == 3


def test_a_command_in_doubt_keeps_its_distance_on_both_sides(open_session, simple):
    """Else an instrument that needs it hears neither that command nor what brings it back."""
    clock = CountingClock()
    instrument = simple("X", {"OUTP": 1.0})
    peer, session = open_session(instrument, clock=clock, command_gap=0.05)
    session.write("OUTP 1")
    session.distrust()
    assert session.in_doubt
    clock.slept.clear()
    session.write_unproven("OUTP 0")
    assert clock.slept == pytest.approx([0.05])
    session.query("OUTP?")
    assert not session.in_doubt
    assert clock.slept == pytest.approx([0.05, 0.05, 0.05])  # before *IDN? and before the query
    assert peer.received[-2:] == ["*IDN?", "OUTP?"]


def test_a_command_in_doubt_is_sent_even_if_waiting_fails(open_session, simple):
    clock = CountingClock()
    peer, session = open_session(simple("X", {"OUTP": 1.0}), clock=clock, command_gap=0.05)
    session.distrust()

    def fails(_seconds: float) -> None:
        raise FirmwareError("the firmware has crashed")

    wait, clock.sleep = clock.sleep, fails
    session.write_unproven("OUTP 0")
    clock.sleep = wait
    session.query("OUTP?")
    assert "OUTP 0" in peer.received


# ---------------------------------------------------------------------- trouble


def test_an_unreachable_instrument(manager, serve, simple):
    gone = serve(simple("X", {}))
    gone.close()
    config = ScpiConfig(resource=gone.resource, role="supply", timeout=0.3, open_timeout=0.5)
    with pytest.raises(InstrumentError, match=r"supply at TCPIP0::127.0.0.1::") as caught:
        ScpiSession.open(manager, config, WallClock())
    assert caught.value.__cause__ is not None


def test_a_resource_name_that_is_none(manager):
    config = ScpiConfig(resource="the supply on the left", role="supply")
    with pytest.raises(InstrumentError, match="the supply on the left: cannot be opened"):
        ScpiSession.open(manager, config, WallClock())


def test_one_that_accepts_and_never_answers(manager, serve):
    peer = serve(lambda _message: None)
    config = ScpiConfig(resource=peer.resource, role="brake", timeout=0.2)
    started = time.monotonic()
    with pytest.raises(InstrumentTimeout, match=r"no answer to '\*IDN\?': nothing within 0.2 s"):
        ScpiSession.open(manager, config, WallClock())
    assert time.monotonic() - started < 2.0
    assert issubclass(InstrumentTimeout, TimeoutError)


def test_a_late_answer_is_never_taken_for_the_next_one(open_session, simple):
    instrument = simple("X", {})
    peer, session = open_session(instrument, timeout=0.2)

    def late():
        time.sleep(0.5)
        return "111"

    instrument.special |= {"SLOW?": late, "FAST?": "222"}
    with pytest.raises(InstrumentTimeout, match=r"'SLOW\?' failed: nothing within 0.2 s"):
        session.query("SLOW?")
    time.sleep(0.5)
    assert session.query("FAST?") == "222"
    assert peer.connections == 2


def test_an_answer_of_the_wrong_kind_makes_the_session_start_over(open_session, simple):
    instrument = simple("X", {"VOLT": 5.0})
    peer, session = open_session(instrument)
    instrument.special["OUTP?"] = "5.000"
    with pytest.raises(InstrumentError, match="expected 0 or 1"):
        session.query_flag("OUTP?")
    assert session.query_number("VOLT?") == 5.0
    assert peer.connections == 2


def test_recovery_gives_up_with_everything_it_tried(open_session, simple):
    instrument = simple("X", {})
    peer, session = open_session(instrument, timeout=0.2)
    instrument.special["VOLT?"] = None
    with pytest.raises(InstrumentTimeout):
        session.query("VOLT?")
    instrument.special["*IDN?"] = None
    with pytest.raises(InstrumentError) as caught:
        session.query("VOLT?")
    text = str(caught.value)
    assert "not usable for 'VOLT?' after an earlier failure (reopening: " in text
    assert "no answer to '*IDN?'" in text
    # and comes back when the instrument does
    del instrument.special["*IDN?"]
    instrument.special["VOLT?"] = "24"
    assert session.query("VOLT?") == "24"
    assert peer.connections == 3


def test_another_instrument_after_reopening_is_not_accepted(open_session, simple):
    instrument = simple("X", {})
    _, session = open_session(instrument, timeout=0.2)
    instrument.special["VOLT?"] = None
    with pytest.raises(InstrumentTimeout):
        session.query("VOLT?")
    instrument.model = "Y"
    with pytest.raises(InstrumentError, match=r"Y 0007 1.0 answers, before it was .* X 0007 1.0"):
        session.query("VOLT?")


def test_a_connection_lost_in_mid_run(open_session, simple):
    instrument = simple("X", {"VOLT": 5.0})
    peer, session = open_session(instrument)
    instrument.special["CURR?"] = "<hang up>"
    with pytest.raises(InstrumentError, match="'CURR\\?' failed"):
        session.query("CURR?")
    assert session.query_number("VOLT?") == 5.0
    peer.close()
    with pytest.raises(InstrumentError, match="supply at"):
        session.query("VOLT?")
    with pytest.raises(InstrumentError, match="not usable for 'VOLT\\?' after an earlier failure"):
        session.query("VOLT?")


def test_device_clear_comes_first_where_there_is_one():
    """Message-based resources: clear, then reopen; on a socket there is nothing to clear."""

    class Resource:
        def __init__(self) -> None:
            self.timeout = 0
            self.cleared = self.closed = False

        def query(self, command):
            if command == "*IDN?":
                return "A,B,C,D"
            if command == "SYST:ERR?":
                return '0,""'
            if self.cleared:
                return "5"
            raise pyvisa.errors.VisaIOError(pyvisa.constants.StatusCode.error_timeout)

        def clear(self):
            self.cleared = True

        def close(self):
            self.closed = True

    class Manager:
        def __init__(self) -> None:
            self.made: list[Resource] = []

        def open_resource(self, _name, open_timeout):
            assert open_timeout == 5000
            self.made.append(Resource())
            return self.made[-1]

    manager = Manager()
    config = ScpiConfig(resource="USB0::0x1209::0x0001::7::INSTR", role="supply")
    session = ScpiSession.open(manager, config, CountingClock())
    assert not hasattr(manager.made[0], "read_termination")
    assert manager.made[0].timeout == 2000
    with pytest.raises(InstrumentTimeout):
        session.query("VOLT?")
    assert session.query("VOLT?") == "5"
    assert len(manager.made) == 1
    session.close()
    assert manager.made[0].closed


def test_closing_twice_and_use_afterwards(open_session, simple):
    _, session = open_session(simple("X", {"VOLT": 0.0}))
    session.close()
    session.close()
    with pytest.raises(InstrumentError, match="'VOLT\\?' after closing"):
        session.query("VOLT?")


def test_the_probe():
    assert needs_visa() == ""


def test_an_interrupt_between_question_and_answer_leaves_nothing_behind(open_session, simple):
    instrument = simple("X", {})
    peer, session = open_session(instrument)
    instrument.special |= {"MEAS:VOLT?": "24.0", "OUTP?": "1"}

    def interrupted(resource):
        resource.write("MEAS:VOLT?")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        session._link.run("MEAS:VOLT?", interrupted)
    # without starting over, this would read the 24.0
    assert session.query_flag("OUTP?") is True
    assert peer.connections == 2
