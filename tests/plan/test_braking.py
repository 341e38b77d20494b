"""Descriptions of brakes that take a torque: what they become, what is refused."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.errors import PlanError
from hil.plan.braking import BrakeTexts, TorqueTexts
from hil.plan.load import load_rig
from hil.ports.brake_commands import BRAKE, BrakeCommands

BASE = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"


@pytest.fixture
def rig_with(write):
    """The shipped rig with these commands of its brake."""

    def make(commands: str, more: str = "") -> Path:
        text = f"based-on: {BASE}\nrig: more\nbrake:\n  commands: {commands}\n{more}"
        return write(text, "rigs/more.yaml")

    return make


def found(path: Path) -> BrakeCommands:
    commands = load_rig(path).readings["brake"]
    assert isinstance(commands, BrakeCommands)
    return commands


def test_what_is_left_out_is_the_projects_own(rig_with) -> None:
    assert BrakeTexts().described(BRAKE.name) == BRAKE
    assert found(rig_with("{}")).message(0.125) == "TORQ 0.125"
    assert BRAKE.message(0.0) == "TORQ 0"
    assert BRAKE.lacks == ()


def test_a_rig_without_a_word_has_none(rig) -> None:
    assert "brake" not in rig.readings
    assert "brake" not in rig.commands


def test_an_analogue_output(rig_with) -> None:
    commands = found(
        rig_with(
            "{torque: {set: 'AOUT {value:.3f}', query: 'AOUT?', scale: 20, unit: N*cm, "
            "step: 2 mN*m}, enable: COIL 1, disable: COIL 0, command-gap: 10 ms}"
        )
    )
    assert commands.message(0.5) == "AOUT 2.500"  # V, of 0.2 N*m each
    assert commands.gain == pytest.approx(0.2)
    assert commands.step == pytest.approx(0.002)
    assert (commands.enable, commands.disable, commands.command_gap) == ("COIL 1", "COIL 0", 0.01)


def test_a_file_of_its_own(rig_with, write) -> None:
    file = write("format: 1\nname: coil\ntorque: {set: 'T {value}', query: ''}\n", "rigs/own.yaml")
    path = rig_with("own.yaml")
    assert found(path).name == "coil"
    assert "believed" in found(path).lacks[0]
    assert file.resolve() in [one.resolve() for one in load_rig(path).files]


def test_the_simulated_bench_has_a_brake_that_takes_a_torque(rig_with) -> None:
    rig = load_rig(rig_with("{torque: {set: 'T {value}'}}")).as_simulated()
    assert "brake" not in rig.readings
    assert rig.brake is not None
    assert rig.brake.driver == "scpi"


def test_a_brake_fed_by_a_source_is_described_as_a_supply_is(write) -> None:
    keys = "driver: current, torque-constant: 0.5 N*m/A, compliance-voltage: 24 V"
    text = f"based-on: {BASE}\nrig: x\nbrake: {{{keys}, commands: {{%s}}}}\n"
    rig = load_rig(write(text % "voltage: {set: 'V {value}'}", "rigs/more.yaml"))
    assert rig.commands["brake"].voltage == "V {value}"
    assert "brake" not in rig.readings
    with pytest.raises(PlanError, match="unknown key 'torque'"):
        load_rig(write(text % "torque: {set: 'T {value}'}", "rigs/more.yaml"))


def test_a_person_in_place_of_a_described_brake(rig_with, write) -> None:
    rig_with("{torque: {set: 'T {value}'}}")
    rig = load_rig(write("based-on: more.yaml\nrig: y\nbrake: {driver: attended}\n", "rigs/y.yaml"))
    assert rig.brake is None
    assert "brake" not in rig.readings


@given(torque=st.floats(1e-3, 10.0), scale=st.floats(1e-2, 1e2))
def test_what_is_sent_and_read_back_is_the_torque(torque: float, scale: float) -> None:
    for unit, size in (("N*m", 1.0), ("N*cm", 1e-2), ("mN*m", 1e-3)):
        texts = BrakeTexts(torque=TorqueTexts(scale=scale, unit=unit)).described()
        sent = float(texts.message(torque).removeprefix("TORQ "))
        assert sent * texts.gain == pytest.approx(torque, rel=1e-8)
        assert texts.gain == pytest.approx(scale * size)


@pytest.mark.parametrize(
    ("commands", "words"),
    [
        ("{torque: {set: 'TORQ'}}", "expected a command with {value} in it once, found 'TORQ'"),
        ("{torque: {query: TORQ}}", "expected a query, with a question mark"),
        ("{torque: {scale: 0}}", "expected more than 0"),
        ("{torque: {unit: V}}", "expected a torque with its unit"),
        ("{torque: {step: 1 V}}", "expected a torque with its unit"),
        ("{torque: {sign: negative}}", "unknown key 'sign'"),
        ("{enable: 'COIL?'}", "expected a command without braces and question mark"),
        ("{voltage: {set: 'V {value}'}}", "unknown key 'voltage'"),
        ("nowhere.yaml", "there is no file"),
    ],
)
def test_what_is_refused_where_and_why(rig_with, commands: str, words: str) -> None:
    with pytest.raises(PlanError) as caught:
        load_rig(rig_with(commands))
    assert words in str(caught.value)
    assert "more.yaml:4:" in str(caught.value)
