"""Descriptions of counter, encoder, thermometer and relays: what they become, what is refused."""

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.errors import PlanError
from hil.plan.load import load_rig
from hil.plan.readings import PositionTexts, SpeedTexts, TemperatureTexts
from hil.ports.reading_commands import POSITION, SPEED, CounterCommands, SwitchCommands

TCP = "TCPIP::127.0.0.1::%d::SOCKET"


@pytest.fixture
def rig_with(write):
    """A rig file like the shipped one, with more in it."""
    base = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"

    def make(text: str) -> Path:
        return write(f"based-on: {base}\nrig: more\n{text}", "rigs/more.yaml")

    return make


@pytest.fixture
def refused(rig_with):
    def refuse(text: str) -> str:
        with pytest.raises(PlanError) as caught:
            load_rig(rig_with(text))
        return str(caught.value)

    return refuse


def counter(commands: str) -> str:
    return f"tachometer: {{driver: counter, interval: 50 ms, commands: {commands}}}\n"


def test_without_a_word_a_counter_counts_one_pulse_a_turn(rig_with) -> None:
    rig = load_rig(rig_with("tachometer: {driver: counter}\n"))
    assert "tachometer" not in rig.readings
    assert CounterCommands().speed == SPEED
    assert SPEED.value(25.0) == 1500.0  # Hz to rpm


def test_a_wheel_with_two_marks(rig_with) -> None:
    found = load_rig(
        rig_with(counter('{setup: [FUNC FREQ], speed: {query: "READ?", scale: 30}}'))
    ).readings["tachometer"]
    assert isinstance(found, CounterCommands)
    assert found.setup == ("FUNC FREQ",)
    assert found.speed is not None
    assert found.speed.query == "READ?"
    assert found.speed.value(50.0) == 1500.0
    assert found.position is None
    assert (found.name, found.error_query, found.command_gap) == ("in the rig file", "SYST:ERR?", 0)


def test_an_encoder_the_other_way_round_in_a_file_of_its_own(rig_with, write) -> None:
    file = write(
        'format: 1\nname: counts\nerror-query: ""\ncommand-gap: 20 ms\n'
        'position: {query: "COUN?", scale: 0.087890625, sign: negative, wraps-at: 4096}\n',
        "rigs/counts.yaml",
    )
    rig = load_rig(rig_with(f"encoder: {{resource: '{TCP % 5030}', commands: counts.yaml}}\n"))
    found = rig.readings["encoder"]
    assert (found.name, found.error_query, found.command_gap) == ("counts", "", 0.02)
    assert found.position.value(1024.0) == -90.0
    assert found.position.wraps_at == pytest.approx(360.0)
    assert file.resolve() in [path.resolve() for path in rig.files]  # its hash is recorded


def test_other_units(rig_with) -> None:
    text = f"thermometer: {{resource: '{TCP % 5031}', commands: {{temperature: {{unit: %s}}}}}}\n"
    kelvin = load_rig(rig_with(text % "K")).readings["thermometer"].temperature
    assert kelvin.value(298.0) == pytest.approx(24.85)
    fahrenheit = load_rig(rig_with(text % "degF")).readings["thermometer"].temperature
    assert fahrenheit.value(212.0) == pytest.approx(100.0)


@given(
    scale=st.floats(1e-6, 1e6),
    offset=st.floats(-1e3, 1e3),
    answer=st.floats(-1e6, 1e6),
    negative=st.booleans(),
)
def test_a_value_is_answer_times_scale_plus_offset(
    scale: float, offset: float, answer: float, negative: bool
) -> None:
    sign = "negative" if negative else "positive"
    for texts, per_unit in (
        (SpeedTexts(scale=scale, offset=offset, sign=sign), 1.0),
        (PositionTexts(scale=scale, offset=offset, sign=sign, unit="turn"), 360.0),
    ):
        expected = (answer * scale + offset) * per_unit * (-1.0 if negative else 1.0)
        assert math.isclose(texts.described().value(answer), expected, rel_tol=1e-9, abs_tol=1e-6)


@given(st.floats(-40.0, 150.0))
def test_every_unit_of_temperature_says_the_same(degrees: float) -> None:
    for unit, answer in (
        ("degC", degrees),
        ("K", degrees + 273.15),
        ("degF", degrees * 1.8 + 32.0),
    ):
        assert TemperatureTexts(unit=unit).described().value(answer) == pytest.approx(
            degrees, abs=1e-6
        )


def test_relays_by_their_own_numbers_and_words(rig_with) -> None:
    rig = load_rig(
        rig_with(
            "switch: {channels: {hall-a: 101}, commands: {close: 'CL {relay}', open: 'OP {relay}',"
            " query: ''}}\n"
        )
    )
    found = rig.readings["switch"]
    assert isinstance(found, SwitchCommands)
    assert found.message(found.close, 101) == "CL 101"
    assert found.query == ""
    assert rig.switch is not None
    assert rig.switch.channels == {"hall-a": 101}


def test_the_simulated_bench_speaks_the_standard_of_what_is_measured(rig_with) -> None:
    text = '{speed: {query: ""}, position: {query: "COUN?", wraps-at: 4096}}'
    rig = load_rig(rig_with(counter(text) + "switch: {channels: {hall-a: 9}}\n"))
    simulated = rig.as_simulated()
    assert simulated.readings["tachometer"] == CounterCommands(speed=None, position=POSITION)
    assert simulated.switch is not None
    assert simulated.switch.channels == {}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (counter("{speed: {query: READ}}"), "expected a query, with a question mark"),
        (counter("{speed: {unit: Hz}}"), "Hz leaves open whether electrical or mechanical turns"),
        (counter("{speed: {unit: deg}}"), "which is a"),
        (counter("{speed: {scale: 0}}"), "expected more than 0"),
        (counter("{speed: {scale: -1}}"), "expected more than 0"),
        (counter("{speed: {scale: 5 rpm}}"), "a number"),
        (counter("{speed: {scale: .inf}}"), "scale: expected a finite number, found '.inf'"),
        (counter("{speed: {sign: minus}}"), "expected 'positive' or 'negative'"),
        (counter('{speed: {query: ""}}'), "expected a query of speed or position, found neither"),
        (counter("{sped: {}}"), "unknown key 'sped'; did you mean 'speed'?"),
        (counter("{setup: ['FUNC?']}"), "expected a command without braces and question mark"),
        (counter("nowhere.yaml"), "there is no file"),
        (counter("{file: nowhere.yaml, setup: [X]}"), "beside file nothing else may stand"),
        (f"encoder: {{resource: '{TCP % 5030}', interval: 0 s}}\n", "expected more than 0"),
        (f"encoder: {{resource: '{TCP % 5026}'}}\n", "is also that of tachometer"),
        ("switch: {channels: {hall-x: 1}}\n", "'hall-x' is none of the lines"),
        ("switch: {commands: {close: CLOSE}}\n", "expected {relay} in it once"),
        ("switch: {commands: {query: 'Q {relay} {relay}'}}\n", "expected {relay} in it once"),
    ],
)
def test_what_is_refused_where_and_why(refused, text: str, words: str) -> None:
    found = refused(text)
    assert words in found
    assert "more.yaml:" in found


def test_how_well_a_thermometer_reads_is_a_difference(rig_with, refused) -> None:
    text = f"thermometer: {{resource: '{TCP % 5031}', temperature-accuracy: {{absolute: %s}}}}\n"
    for said in ("0.5 K", "0.5 degC"):
        rig = load_rig(rig_with(text % said))
        assert rig.thermometer is not None
        assert rig.thermometer.temperature_accuracy.absolute == pytest.approx(0.5)
    assert "0.5" in refused(text % "0.5 V")
    assert "expected zero or more" in refused(text % "-1 K")


def test_a_difference_is_no_temperature(refused) -> None:
    assert "is a difference of temperatures" in refused("limits: {temperature: 90 delta_degC}\n")


def test_inputs_of_one_data_logger_may_share_its_address(rig_with) -> None:
    at = TCP % 5026
    rig = load_rig(
        rig_with(
            f"tachometer: {{driver: counter}}\nthermometer: {{resource: '{at}'}}\n"
            f"encoder: {{resource: '{at.lower().replace('tcpip', 'TCPIP')}'}}\n"
        )
    )
    simulated = rig.as_simulated()
    places = [
        getattr(simulated, role).resource for role in ("tachometer", "thermometer", "encoder")
    ]
    assert len(set(places)) == 3  # each simulated instrument has an address of its own
    assert simulated.as_simulated().thermometer == simulated.thermometer


def test_a_copied_address_is_refused(refused) -> None:
    at = TCP % 5026  # of the tachometer with a memory
    assert f"thermometer.resource: {at} is also that of tachometer" in refused(
        f"thermometer: {{resource: '{at}'}}\n"
    )
