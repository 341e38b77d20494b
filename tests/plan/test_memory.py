"""Descriptions of tachometers with a memory of samples: what they become, what is refused."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.errors import PlanError
from hil.plan.load import load_rig
from hil.plan.memory import MemoryTexts, PositionColumn, TimeTexts
from hil.ports.reading_commands import MEMORY, Conversion, MemoryCommands


@pytest.fixture
def rig_with(write):
    """The shipped rig with these commands of its tachometer."""
    base = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"

    def make(commands: str) -> Path:
        text = f"based-on: {base}\nrig: more\ntachometer:\n  commands: {commands}\n"
        return write(text, "rigs/more.yaml")

    return make


def test_what_is_left_out_is_as_the_standard_has_it(rig_with) -> None:
    assert MemoryTexts().described(MEMORY.name) == MEMORY
    rig = load_rig(rig_with("{}"))
    assert rig.readings["tachometer"] == MemoryTexts(name="in the rig file").described()


def test_a_rig_without_a_word_has_none(rig) -> None:
    assert "tachometer" not in rig.readings


def test_own_words_in_a_file_beside_the_rig_file(rig_with, write) -> None:
    file = write(
        'format: 1\nname: counts\nerror-query: ""\ncommand-gap: 5 ms\nsetup: [RATE 500]\n'
        'interval: {query: "RATE:INT?", unit: ms}\nbegin: ARM\nfetch: "DATA?"\nempty: NONE\n'
        "batch: 100\ncolumns: [speed, time]\ntime: {unit: us}\n"
        "speed: {scale: 30, sign: negative}\n",
        "rigs/counts.yaml",
    )
    rig = load_rig(rig_with("counts.yaml"))
    found = rig.readings["tachometer"]
    assert isinstance(found, MemoryCommands)
    assert (found.name, found.error_query, found.command_gap) == ("counts", "", 0.005)
    assert (found.setup, found.begin, found.fetch) == (("RATE 500",), "ARM", "DATA?")
    assert (found.empty, found.batch, found.columns) == ("NONE", 100, ("speed", "time"))
    assert found.interval is not None
    assert found.interval.query == "RATE:INT?"
    assert found.interval.value(2.0) == pytest.approx(0.002)
    assert found.time.value(1500.0) == pytest.approx(0.0015)
    assert found.speed == Conversion(gain=-30.0, zero=-0.0)
    assert file.resolve() in [path.resolve() for path in rig.files]  # its hash is recorded


def test_an_interval_that_cannot_be_asked_for(rig_with) -> None:
    found = load_rig(rig_with('{interval: {query: ""}}')).readings["tachometer"]
    assert isinstance(found, MemoryCommands)
    assert found.interval is None


def test_numbers_instead_of_text_by_a_command_of_its_own_or_never(rig_with) -> None:
    for text, binary in (('"DATA:BIN 1"', "DATA:BIN 1"), ('""', "")):
        found = load_rig(rig_with(f"{{binary: {text}}}")).readings["tachometer"]
        assert isinstance(found, MemoryCommands)
        assert found.binary == binary


def test_the_simulated_bench_speaks_the_standard(rig_with) -> None:
    rig = load_rig(rig_with('{fetch: "DATA?"}')).as_simulated()
    assert "tachometer" not in rig.readings


@given(answer=st.floats(0.0, 1e6), scale=st.floats(1e-6, 1e3))
def test_every_unit_of_time_says_the_same(answer: float, scale: float) -> None:
    for unit, seconds in (("s", 1.0), ("ms", 1e-3), ("us", 1e-6), ("min", 60.0)):
        found = TimeTexts(unit=unit, scale=scale).meaning().value(answer)
        assert found == pytest.approx(answer * scale * seconds, rel=1e-9)


@given(st.floats(1.0, 1e6))
def test_a_range_is_given_in_the_counts_of_the_instrument(counts: float) -> None:
    texts = PositionColumn(scale=360.0 / counts, wraps_at=counts)
    assert texts.meaning().wraps_at == pytest.approx(360.0)


@pytest.mark.parametrize(
    ("commands", "words"),
    [
        ("{begin: 'ARM?'}", "expected a command without braces and question mark, found 'ARM?'"),
        ("{fetch: DATA}", "expected a query, with a question mark, found 'DATA'"),
        ("{batch: 0}", "tachometer.commands.batch"),
        ("{batch: 3 s}", "a whole number without unit"),
        ("{columns: [time, time, speed]}", "columns: expected each of them once"),
        ("{columns: [position, speed]}", "expected time and speed among them"),
        ("{columns: [time, position]}", "expected time and speed among them"),
        ("{columns: []}", "tachometer.commands.columns"),
        ("{columns: [time, speed, torque]}", "expected 'time', 'position' or 'speed'"),
        ("{columns: [time, speed], position: {scale: 2}}", "position: expected it among columns"),
        ("{time: {unit: rpm}}", "expected a time with its unit"),
        ("{time: {sign: negative}}", "unknown key 'sign'"),
        ("{interval: {unit: V}}", "expected a time with its unit"),
        ("{speed: {query: 'MEAS:FREQ?'}}", "unknown key 'query'"),
        ("{position: {wraps-at: 0}}", "expected more than 0"),
        ("{fetsh: 'DATA?'}", "unknown key 'fetsh'; did you mean 'fetch'?"),
        ("{empty: ' '}", "without blanks around it"),
        ("nowhere.yaml", "there is no file"),
        ("{file: nowhere.yaml, begin: X}", "beside file nothing else may stand"),
    ],
)
def test_what_is_refused_where_and_why(rig_with, commands: str, words: str) -> None:
    with pytest.raises(PlanError) as caught:
        load_rig(rig_with(commands))
    assert words in str(caught.value)
    assert "more.yaml:4:" in str(caught.value)


def test_a_description_of_its_own_is_blamed_in_its_own_file(rig_with, write) -> None:
    write("format: 1\nbegin: ARM\nfetch: DATA\n", "rigs/counts.yaml")
    with pytest.raises(PlanError, match=r"counts\.yaml:3:8: fetch: expected a query"):
        load_rig(rig_with("counts.yaml"))


def test_one_that_is_asked_again_and_again_is_described_otherwise(write) -> None:
    base = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"
    text = f"based-on: {base}\nrig: x\ntachometer: {{driver: counter, commands: {{begin: ARM}}}}\n"
    with pytest.raises(PlanError, match="unknown key 'begin'"):
        load_rig(write(text, "rigs/more.yaml"))
