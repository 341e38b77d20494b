"""Descriptions of interlocks: what they become, what is refused."""

from pathlib import Path

import pytest

from hil.core.errors import PlanError
from hil.plan.inputs import InterlockTexts
from hil.plan.load import load_rig
from hil.ports.reading_commands import INTERLOCK, InterlockCommands


@pytest.fixture
def rig_with(write):
    """The shipped rig with an interlock that has these commands."""
    base = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"

    def make(commands: str, contacts: str = "{emergency-stop: 1, guard: 2}") -> Path:
        text = (
            f"based-on: {base}\nrig: more\ninterlock:\n"
            f"  resource: TCPIP::127.0.0.1::5029::SOCKET\n  contacts: {contacts}\n"
            f"  commands: {commands}\n"
        )
        return write(text, "rigs/more.yaml")

    return make


def found(path: Path) -> InterlockCommands:
    commands = load_rig(path).readings["interlock"]
    assert isinstance(commands, InterlockCommands)
    return commands


def test_what_is_left_out_is_as_the_standard_has_it(rig_with) -> None:
    assert InterlockTexts().described(INTERLOCK.name) == INTERLOCK
    assert found(rig_with("{}")).query == INTERLOCK.query


def test_each_input_by_itself(rig_with) -> None:
    commands = found(rig_with("{setup: [PULL UP], query: 'DIN? {input}', closed-reads: 0}"))
    assert (commands.setup, commands.query, commands.inputs) == (("PULL UP",), "DIN? {input}", 0)
    assert commands.closed_reads is False


def test_all_inputs_in_one_answer_in_a_file_of_its_own(rig_with, write) -> None:
    file = write('format: 1\nerror-query: ""\nquery: "PORT? 1"\ninputs: 8\n', "rigs/port.yaml")
    path = rig_with("port.yaml")
    commands = found(path)
    assert (commands.name, commands.query, commands.inputs) == ("port.yaml", "PORT? 1", 8)
    assert commands.closed_reads is True
    assert file.resolve() in [one.resolve() for one in load_rig(path).files]


def test_the_simulated_bench_speaks_the_standard(rig_with) -> None:
    assert "interlock" not in load_rig(rig_with("{query: 'DIN? {input}'}")).as_simulated().readings


@pytest.mark.parametrize(
    ("commands", "words"),
    [
        ("{query: 'DIN {input}'}", "expected a query, with a question mark, found 'DIN {input}'"),
        ("{query: 'D? {input} {input}'}", "expected {input} in it once"),
        ("{query: 'D? {relay}'}", "expected {input} in it once"),
        ("{query: 'PORT?'}", "inputs is missing: 'PORT?' has no {input}"),
        ("{query: 'D? {input}', inputs: 8}", "inputs: each is asked for by itself"),
        ("{inputs: 8}", "inputs: each is asked for by itself"),
        ("{query: 'PORT?', inputs: 0}", "interlock.commands.inputs"),
        ("{query: 'PORT?', inputs: 65}", "interlock.commands.inputs"),
        ("{query: 'PORT?', inputs: 8 V}", "a whole number without unit"),
        ("{closed-reads: 2}", "interlock.commands.closed-reads"),
        ("{closed-reads: true}", "a whole number without unit, found true"),
        ("{closed: 0}", "unknown key 'closed'; did you mean 'closed-reads'?"),
        ("nowhere.yaml", "there is no file"),
    ],
)
def test_what_is_refused_where_and_why(rig_with, commands: str, words: str) -> None:
    with pytest.raises(PlanError) as caught:
        load_rig(rig_with(commands))
    assert words in str(caught.value)
    assert "more.yaml:6:" in str(caught.value)


def test_a_contact_on_an_input_that_is_not_there(rig_with) -> None:
    path = rig_with("{query: 'PORT?', inputs: 8}", contacts="{emergency-stop: 8, guard: 9}")
    with pytest.raises(PlanError, match=r"more\.yaml:5:\d+: interlock\.contacts\.guard: expected"):
        load_rig(path)
