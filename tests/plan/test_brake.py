"""Brakes in the rig file that are fed by a source."""

import pytest

from hil.core.errors import PlanError
from hil.plan.load import load_rig
from hil.ports.supply_commands import SCPI_1999

PLACE = "  expect: SIM-BRAKE\n"
CURRENT = "  driver: current\n  torque-constant: 0.5 N*m/A\n  compliance-voltage: 24 V\n"
TCP = "TCPIP::127.0.0.1::%d::SOCKET"


@pytest.fixture
def refused(rig_file):
    def refuse(text: str, old: str = PLACE) -> str:
        with pytest.raises(PlanError) as caught:
            load_rig(rig_file(old, text))
        return str(caught.value)

    return refuse


def test_a_brake_by_current(rig_file) -> None:
    rig = load_rig(rig_file(PLACE, CURRENT + "  commands: {command-gap: 20 ms}\n"))
    assert rig.brake.torque_constant == pytest.approx(0.5)
    assert rig.brake.compliance_voltage == 24.0
    assert rig.commands["brake"].command_gap == 0.02
    assert rig.commands["supply"] == SCPI_1999


def test_the_simulated_bench_has_a_brake_that_takes_a_torque(rig_file) -> None:
    rig = load_rig(rig_file(PLACE, CURRENT))
    assert rig.brake.driver == "current"
    simulated = rig.as_simulated()
    assert (simulated.brake.driver, simulated.brake.resource) == ("scpi", rig.brake.resource)
    assert simulated.as_simulated().brake == simulated.brake


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("  driver: current\n", "brake.torque-constant: a brake with driver current needs it"),
        (CURRENT.replace("0.5", "0"), "brake.torque-constant: expected more than zero, found 0"),
        ("  driver: voltage\n", "brake.full-scale-voltage: a brake with driver voltage needs it"),
        (CURRENT.replace("N*m/A", "N*m"), "torque-constant"),
    ],
)
def test_what_is_refused(refused, text, words) -> None:
    assert words in refused(text)


def test_two_outputs_of_one_supply_need_numbers(rig_file, refused) -> None:
    shared = f"brake:\n  resource: {TCP % 5025}\n{CURRENT}"
    old = f"brake:\n  resource: {TCP % 5027}\n{PLACE}"
    assert "then both need commands.channel, with different numbers" in refused(shared, old)
    path = rig_file(old, shared + "  commands: {channel: {number: 2}}\n")
    supply = "  expect: SIM-SUPPLY\n"
    told = path.read_text().replace(supply, f"{supply}  commands: {{channel: {{number: 1}}}}\n")
    path.write_text(told)
    rig = load_rig(path)
    assert (rig.commands["supply"].channel.number, rig.commands["brake"].channel.number) == (1, 2)
    assert rig.as_simulated().brake.resource != rig.supply.resource


# -- by hand ------------------------------------------------------------------------------


def test_a_person_in_place_of_a_brake(rig_file) -> None:
    rig = load_rig(rig_file(PLACE, "  driver: attended\n  answer-within: 90 s\n"))
    assert rig.brake is None
    assert rig.answer_within == 90.0
    assert "brake" not in rig.commands


def test_without_a_word_a_person_has_a_minute(rig_file) -> None:
    assert load_rig(rig_file(PLACE, "  driver: attended\n")).answer_within == 60.0


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("  driver: attended\n  answer-withn: 90 s\n", "unknown key 'answer-withn'; did you mean"),
        ("  driver: attended\n  answer-within: 0 s\n", "brake.answer-within"),
        ("  driver: attended\n  answer-within: 90\n", "without unit"),
        ("  driver: scpi\n  answer-within: 90 s\n", "brake: unknown key 'answer-within'"),
    ],
)
def test_what_is_refused_of_a_person(refused, text, words) -> None:
    assert words in refused(text)


def test_a_brake_that_takes_a_torque_still_needs_to_say_where_it_is_and_how_strong(
    rig_file,
) -> None:
    where = "brake:\n  resource: TCPIP::127.0.0.1::5027::SOCKET\n"
    with pytest.raises(PlanError, match=r"brake\.resource is missing"):
        load_rig(rig_file(where, "brake:\n"))
    with pytest.raises(PlanError, match=r"brake\.max-torque is missing"):
        load_rig(rig_file("  max-torque: 2 N*m\n", ""))
