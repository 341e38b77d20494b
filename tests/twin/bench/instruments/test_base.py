"""Common commands, messages and conversations."""

from __future__ import annotations

import pytest

from hil.twin.instruments.base import SimulatedInstrument
from hil.twin.scpi import ScpiError


class Recorder(SimulatedInstrument):
    """An instrument with one setting."""

    def __init__(self) -> None:
        super().__init__("recorder", "SIM-RECORDER", "R7", "2.1")
        self.values: list[float] = []
        self.resets = 0
        self.tree.add("LEVel", self._set, lambda text: self._check(float(text)))
        self.tree.add("LEVel?", lambda: str(self.values[-1]))

    def reset(self) -> None:
        self.resets += 1

    def _check(self, value: float) -> float:
        if value > 10:
            raise ScpiError(-222)
        return value

    def _set(self, value: float) -> None:
        self.values.append(value)


@pytest.fixture
def instrument() -> Recorder:
    found = Recorder()
    assert found.execute("*ESR?") == "128"  # Q13 (V-D): bit 7 after power-on
    return found


def test_mandated_common_commands_exist(instrument: Recorder) -> None:
    # Q1 (V-D): the thirteen of IEEE 488.2; Q2 (V-D): those SCPI requires
    mandated = (
        "*CLS", "*ESE 0", "*ESE?", "*ESR?", "*IDN?", "*OPC", "*OPC?", "*RST", "*SRE 0", "*SRE?",
        "*STB?", "*TST?", "*WAI", "SYST:ERR?", "SYST:ERR:NEXT?", "SYST:VERS?", "STAT:OPER?",
        "STAT:OPER:EVEN?", "STAT:OPER:COND?", "STAT:OPER:ENAB 0", "STAT:OPER:ENAB?", "STAT:QUES?",
        "STAT:QUES:COND?", "STAT:QUES:ENAB 0", "STAT:QUES:ENAB?", "STAT:PRES",
    )  # fmt: skip
    for command in mandated:
        reply = instrument.execute(command)
        assert bool(reply) is command.endswith("?"), command
    assert instrument.execute("SYST:ERR?") == '0,"No error"'


def test_answers(instrument: Recorder) -> None:
    assert instrument.execute("*IDN?") == "GREENHOUSE BENCH,SIM-RECORDER,R7,2.1"
    assert instrument.execute("SYST:VERS?") == "1999.0"  # Q3 (V-D)
    assert instrument.execute("*TST?;*OPC?") == "0;1"
    assert instrument.execute("") == instrument.execute("  \r") == ""


def test_reset_leaves_status_alone(instrument: Recorder) -> None:
    # Q6 (V-D): the queue is cleared by *CLS, not by *RST
    instrument.execute("*ESE 60;*SRE 32;NONSENSE")
    instrument.execute("*RST")
    assert instrument.resets == 1
    assert instrument.execute("*ESE?;*SRE?;SYST:ERR:COUN?") == "60;32;1"
    instrument.execute("*CLS")
    assert instrument.execute("*ESE?;*SRE?;SYST:ERR:COUN?;*ESR?") == "60;32;0;0"


def test_event_register_and_summary_in_the_status_byte(instrument: Recorder) -> None:
    # Q7, Q12, Q13 (V-D)
    instrument.execute("*ESE 32;*SRE 32")
    assert instrument.execute("*STB?") == "0"
    instrument.execute("NONSENSE")
    assert instrument.execute("*STB?") == str(4 + 32 + 64)
    assert instrument.execute("*ESR?") == "32"
    assert instrument.execute("*ESR?") == "0"
    assert instrument.execute("*STB?") == "4"
    instrument.execute("LEV 11")
    assert instrument.execute("*ESR?") == "16"


def test_operation_complete(instrument: Recorder) -> None:
    # Q14 (V-D): *OPC sets the bit, *OPC? answers 1 and sets none
    assert instrument.execute("*OPC?") == "1"
    assert instrument.execute("*ESR?") == "0"
    instrument.execute("*OPC")
    assert instrument.execute("*ESR?") == "1"


def test_message_available_is_seen_within_a_message(instrument: Recorder) -> None:
    assert instrument.execute("*STB?") == "0"
    assert instrument.execute("*OPC?;*STB?") == "1;16"


def test_bit_6_cannot_be_enabled_and_enables_have_a_range(instrument: Recorder) -> None:
    instrument.execute("*SRE 255")
    assert instrument.execute("*SRE?") == "191"
    instrument.execute("*ESE 256;*ESE -1")
    assert instrument.execute("*ESE?;SYST:ERR:COUN?") == "0;2"


def test_execution_error_goes_on_command_error_ends_the_message(instrument: Recorder) -> None:
    assert instrument.execute("LEV 11;LEV 5;LEV?") == "5.0"
    assert instrument.execute("SYST:ERR?").startswith("-222")
    assert instrument.execute("LEV 6;NONSENSE;LEV 7;LEV?") == ""
    assert instrument.values == [5.0, 6.0]
    assert instrument.execute("SYST:ERR?").startswith("-113")
    assert instrument.execute("LEV?;LEV") == "6.0"  # what was asked before the error is answered
    assert instrument.execute("SYST:ERR?").startswith("-109")
    instrument.execute("LEV 1,2")
    assert instrument.execute("SYST:ERR?").startswith("-108")
    instrument.execute("*CLS;")
    assert instrument.execute("SYST:ERR?").startswith("-102")


def test_conversations_are_apart(instrument: Recorder) -> None:
    one, two = instrument.converse(), instrument.converse()
    assert one.receive(b"*ID") == b""
    assert two.receive(b"LEV 3\r\n*OPC?\r\n") == b"1\n"
    assert one.receive(b"N?\nLEV?\n*OP") == b"GREENHOUSE BENCH,SIM-RECORDER,R7,2.1\n3.0\n"
    one.clear()
    assert one.receive(b"LEV?\n") == b"3.0\n"


def test_a_silent_instrument_obeys_but_does_not_answer(instrument: Recorder) -> None:
    talk = instrument.converse()
    instrument.silent = True
    assert talk.receive(b"LEV 4;LEV?\n") == b""
    instrument.silent = False
    assert talk.receive(b"LEV?\n") == b"4.0\n"
