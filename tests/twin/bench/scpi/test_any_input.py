"""Whatever arrives, an instrument goes on working and its error queue stays bounded."""

from __future__ import annotations

import re

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from hil.twin.instruments.base import LONGEST_MESSAGE
from hil.twin.instruments.status import QUEUE_LENGTH
from hil.twin.scpi import ScpiError, split

QUIET = settings(
    deadline=None, max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture]
)

HEADERS = [
    "VOLT", "VOLTage?", "SOUR:VOLT:LEV", "CURR", ":CURR?", "VOLT:PROT", "VOLT:PROT:TRIP?",
    "VOLT:PROT:CLE", "OUTP", "OUTP?", "MEAS:VOLT?", "*IDN?", "*RST", "*CLS", "*ESR?", "*ESE",
    "*SRE", "*STB?", "*OPC", "*OPC?", "*WAI", "*TST?", "SYST:ERR?", "SYST:VERS?", "STAT:QUES?",
    "LEV", "PROT", "TORQ", "TORQ?", "INIT", "FETC:ARR?", "SWE:TINT?", "ROUT:CLOS", "ROUT:OPEN",
    "ROUT:CLOS?",
]  # fmt: skip
PARAMETERS = st.one_of(
    st.floats(allow_nan=False).map(str),
    st.integers(-(10**9), 10**9).map(str),
    st.sampled_from(
        [
            "ON",
            "OFF",
            "MIN",
            "MAX",
            "DEF",
            "NAN",
            "INF",
            "#H1F",
            "(@1)",
            "(@1:3,5)",
            "'a;b'",
            "#12ab",
        ]
    ),
    st.text(st.characters(max_codepoint=255), max_size=8),
)
UNITS = st.tuples(st.sampled_from(HEADERS), st.lists(PARAMETERS, max_size=3)).map(
    lambda parts: f"{parts[0]} {','.join(parts[1])}"
)
ERROR = re.compile(r'-?\d+,"[^"]*"')


def error_count(instrument) -> int:
    return len(instrument.status.errors)


@QUIET
@given(data=st.binary(max_size=200))
@example(data=b"#0;\n")
@example(data=b"*IDN?\n*STB?;*ESR?\n")
def test_any_bytes(world, data: bytes) -> None:
    for instrument in world.instruments.values():
        talk = instrument.converse()
        talk.receive(data)
        talk.clear()
        assert error_count(instrument) <= QUEUE_LENGTH
        assert talk.receive(b"*CLS;*IDN?\n").startswith(b"GREENHOUSE BENCH,SIM-")


@QUIET
@given(units=st.lists(UNITS, max_size=6))
def test_any_commands(world, drive, units: list[str]) -> None:
    for instrument in world.instruments.values():
        reply = instrument.execute(";".join(units))
        assert "\n" not in reply
        assert error_count(instrument) <= QUEUE_LENGTH
        for _ in range(QUEUE_LENGTH + 1):
            entry = instrument.execute("SYST:ERR?")
            assert ERROR.fullmatch(entry), entry
            assert len(entry) <= 270  # 255 characters of text (Q4, V-D), number and quotes
        assert instrument.execute("SYST:ERR?") == '0,"No error"'
        assert 0 <= drive.voltage <= 60.0
        assert 0 <= drive.limit <= 20.0
        assert 0 <= drive.brake <= 2.0


@QUIET
@given(pieces=st.lists(st.binary(max_size=30), max_size=10))
def test_pieces_make_no_difference(make_world, pieces: list[bytes]) -> None:
    whole = b"".join(pieces) + b"\n*ESR?;SYST:ERR?\n"
    answers = []
    for chunks in ([whole], [whole[i : i + 1] for i in range(len(whole))]):
        supply = next(iter(make_world()[0].instruments.values()))
        talk = supply.converse()
        answers.append(b"".join(talk.receive(chunk) for chunk in chunks))
    assert answers[0] == answers[1]


@QUIET
@given(text=st.text(st.characters(max_codepoint=255), max_size=60), at=st.sampled_from(";,"))
def test_splitting_loses_nothing(text: str, at: str) -> None:
    try:
        parts = split(text, at)
    except ScpiError as error:
        refused, parts = error.code, [text]
    else:
        refused = 0
    assert refused in {0, -151, -161, -171}
    assert at.join(parts) == text


@pytest.mark.parametrize("end", [b"\n", b"\n*IDN?\n"])
def test_an_endless_message_is_dropped(world, end: bytes) -> None:
    # Q10 (V-D): -363 input buffer overrun
    supply = next(iter(world.instruments.values()))
    talk = supply.converse()
    for _ in range(3):
        assert talk.receive(b"x" * LONGEST_MESSAGE) == b""
    reply = talk.receive(end)
    assert (b"SIM-SUPPLY" in reply) is (b"IDN" in end)
    assert supply.execute("SYST:ERR?").startswith('-363,"Input buffer overrun')
    assert supply.execute("SYST:ERR?") == '0,"No error"'
