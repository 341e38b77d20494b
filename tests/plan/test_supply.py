"""The description of a supply: what it becomes, and what is refused where and with which words."""

from pathlib import Path

import pytest

from hil.core.errors import PlanError
from hil.plan.load import load_rig
from hil.ports.supply_commands import SCPI_1999, Channel, OverCurrent, Settling, Watchdog

OWN = """\
format: 1
name: two outputs
voltage: {set: "VSET {value}", query: "VSET?", step: 10 mV}
current: {set: "ISET {value}", query: "ISET?"}
over-voltage-protection: {present: false}
output: {on: STATE 1, off: STATE 0, query: "STATE?"}
measure: {voltage: "VOUT?", current: "IOUT?"}
channel: {number: 1, by: prefix, text: "OUTPUT {number}:"}
error-query: ""
command-gap: 50 ms
sinks: true
watchdog: {enable: DOG 5, keep-alive: FEED, interval: 2 s}
"""


@pytest.fixture
def rig_with(rig_file):
    """A rig whose supply names this description."""

    def make(commands: str) -> Path:
        old = "  expect: SIM-SUPPLY\n"
        return rig_file(old, f"{old}  commands: {commands}\n")

    return make


def refused(path: Path) -> PlanError:
    with pytest.raises(PlanError) as caught:
        load_rig(path)
    return caught.value


def test_a_rig_without_one_speaks_the_standard(rig) -> None:
    assert rig.commands["supply"] == SCPI_1999
    assert rig.supply.commands is None


def test_a_file_beside_the_rig_file(rig_with, write) -> None:
    file = write(OWN, "rigs/own.yaml")
    rig = load_rig(rig_with("own.yaml"))
    found = rig.commands["supply"]
    assert found.name == "two outputs"
    assert (found.voltage, found.voltage_query, found.voltage_step) == (
        "VSET {value}",
        "VSET?",
        0.01,
    )
    assert (found.current, found.current_step) == ("ISET {value}", SCPI_1999.current_step)
    assert found.protection == found.protection_query == found.tripped == found.clear == ""
    assert (found.output_on, found.output_off, found.output_query) == (
        "STATE 1",
        "STATE 0",
        "STATE?",
    )
    assert (found.measure_voltage, found.measure_current) == ("VOUT?", "IOUT?")
    assert found.channel == Channel(number=1, by="prefix", text="OUTPUT {number}:")
    assert (found.error_query, found.command_gap, found.sinks) == ("", 0.05, True)
    assert found.watchdog == Watchdog(enable="DOG 5", keep_alive="FEED", interval=2.0)
    # its hash belongs in the record; the link profile stays last
    assert file.resolve() in [path.resolve() for path in rig.files[:-1]]
    assert rig.profile_path.name == "dosing-lines.profile.yaml"


def test_the_same_file_for_another_output(rig_with, write) -> None:
    write(OWN, "rigs/own.yaml")
    found = load_rig(rig_with("{file: own.yaml, channel: {number: 2}}")).commands["supply"]
    assert found.channel == Channel(number=2, by="prefix", text="OUTPUT {number}:")


def test_keys_in_the_rig_file_itself(rig_with) -> None:
    found = load_rig(rig_with("{channel: {number: 2}, command-gap: 20 ms}")).commands["supply"]
    assert found.message(found.voltage, 5.0) == "INST:NSEL 2;:VOLT 5"
    assert found.command_gap == 0.02
    assert found.lacks == ()


def test_a_supply_that_cannot_take_two_queries_in_one_message(rig_with) -> None:
    assert load_rig(rig_with("{command-gap: 20 ms}")).commands["supply"].together is None
    found = load_rig(rig_with("{measure: {together: false}}")).commands["supply"]
    assert found.together is False
    assert found.measure_both == ""


def test_the_simulated_bench_speaks_the_standard(rig_with) -> None:
    rig = load_rig(rig_with("{over-voltage-protection: {present: false}}"))
    assert rig.commands["supply"].protection == ""
    assert rig.as_simulated().commands["supply"] == SCPI_1999
    assert rig.commands["supply"].protection == ""
    assert rig.as_simulated().profile is rig.profile


def test_how_an_output_settles(rig_with, rig_file) -> None:
    told = "{settling: {within: 1 %, for: 200 ms, time-limit: 5 s}}"
    rig = load_rig(rig_with(told))
    # the rig file's own word goes first
    assert rig.settling == Settling(within=2.0, hold=0.2, limit=2.0)
    assert rig.commands["supply"].settling == Settling(within=1.0, hold=0.2, limit=5.0)
    old = "  settle-within: 2 %\n  settle-time: 2 s\n"
    assert load_rig(rig_file(old, f"  commands: {told}\n")).settling == Settling(
        within=1.0, hold=0.2, limit=5.0
    )
    assert load_rig(rig_file(old, "")).settling == Settling()


@pytest.mark.parametrize(
    ("commands", "words"),
    [
        ("{voltage: {set: VOLT}}", "expected a command with {value} in it once"),
        ("{voltage: {set: 'V {value} {value}'}}", "expected a command with {value} in it once"),
        ("{voltage: {set: 'V {value:d}'}}", "expected a command with {value} in it once"),
        ("{voltage: {query: VOLT}}", "expected a query, with a question mark"),
        ("{output: {on: 'OUTP?'}}", "expected a command without braces and question mark"),
        ("{output: {query: ''}}", "expected a query, with a question mark"),
        ("{voltag: {}}", "unknown key 'voltag'; did you mean 'voltage'?"),
        ("{voltage: {sett: X}}", "unknown key 'sett'; did you mean 'set'?"),
        ("{channel: {number: 0}}", "expected at least 1, found"),
        ("{channel: {by: list}}", "number is missing"),
        ("{channel: {number: 1, by: prefix}}", "text is missing: a prefix"),
        ("{channel: {number: 1, by: list, text: x}}", "a channel list is always (@n)"),
        ("{channel: {number: 1, text: 'INST 1'}}", "expected {number} in it once"),
        ("{channel: {number: 1, by: lists}}", "did you mean 'list'?"),
        ("{command-gap: 50}", "with its unit"),
        ("{settling: {within: 0 %}}", "expected more than 0"),
        ("{settling: {for: 3 s}}", "time-limit: expected more than for 3 s, found 2 s"),
        ("{settling: {tolerance: 1 %}}", "unknown key 'tolerance'"),
        ("{over-voltage-protection: {present: false, set: 'V {value}'}}", "no commands may be"),
        ("{watchdog: {enable: DOG, interval: 0 s}}", "expected more than zero, found 0"),
        ("{watchdog: {}}", "enable is missing"),
        ("nowhere.yaml", "there is no file"),
        ("{file: nowhere.yaml, sinks: true}", "beside file only channel may stand"),
        ('{output: {on: "OUTP ON\\nOUTP OFF"}}', "expected one line of ASCII"),
    ],
)
def test_what_is_refused(rig_with, commands, words) -> None:
    path = rig_with(commands)
    error = refused(path)
    assert words in str(error)
    lines = path.read_text().splitlines()
    assert error.file.endswith("rig.yaml")
    assert "commands:" in lines[error.line - 1]


def test_what_is_wrong_in_the_file_is_said_with_its_place_there(rig_with, write) -> None:
    write(OWN.replace("VOUT?", "VOUT"), "rigs/own.yaml")
    error = refused(rig_with("own.yaml"))
    assert (Path(error.file).name, error.line) == ("own.yaml", 7)
    assert "measure.voltage: expected a query" in str(error)


def test_a_description_names_no_further_one(rig_with, write) -> None:
    write("format: 1\nfile: other.yaml\n", "rigs/own.yaml")
    error = refused(rig_with("own.yaml"))
    assert (Path(error.file).name, error.line) == ("own.yaml", 2)


def test_a_supply_that_does_not_sink_absorbs_nothing(rig_file) -> None:
    path = rig_file("absorbed-by: dc-link-capacitor", "absorbed-by: two-quadrant-supply")
    assert load_rig(path).commands["supply"].sinks is None
    text = path.read_text()
    told = "  expect: SIM-SUPPLY\n"
    path.write_text(text.replace(told, f"{told}  commands: {{sinks: false}}\n"))
    error = refused(path)
    assert "absorbed-by: two-quadrant-supply, but the description" in str(error)
    assert "absorbed-by" in path.read_text().splitlines()[error.line - 1]


def test_over_current_protection_is_used_where_it_is_described(rig_with) -> None:
    found = load_rig(rig_with("{over-current-protection: {}}"))
    assert found.commands["supply"].over_current == OverCurrent()
    simulated = found.as_simulated().commands["supply"]
    assert simulated.over_current == OverCurrent()
    assert load_rig(rig_with("{name: plain}")).as_simulated().commands["supply"] == SCPI_1999


def test_one_without_a_level_has_none_to_read_back(rig_with) -> None:
    texts = "{level: '', enable: OCP 1, disable: OCP 0, enabled: 'OCP?', tripped: ''}"
    commands = f"{{over-current-protection: {texts}, questionable-status: ''}}"
    found = load_rig(rig_with(commands)).commands["supply"]
    assert found.over_current == OverCurrent(
        level="", level_query="", enable="OCP 1", disable="OCP 0", enabled="OCP?", tripped=""
    )
    assert found.questionable == ""


def test_one_that_nothing_switches_on_is_refused(rig_with) -> None:
    error = refused(rig_with("{over-current-protection: {level: '', enable: ''}}"))
    assert "over-current-protection: neither level nor enable" in str(error)
