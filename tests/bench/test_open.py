"""Opening what a rig names, choosing between hardware and the simulated bench, looking it over."""

from datetime import date
from functools import partial

import pytest
import serial

import hil.bench.choose
import hil.bench.simulate
from hil.bench.bench import closing
from hil.bench.choose import choose
from hil.bench.describe import host_facts, limit_lines
from hil.bench.open import open_bench, open_board
from hil.bench.preflight import Grade, look_over
from hil.core.errors import BenchError, InstrumentError, LinkError
from hil.core.record import Identity
from hil.plan.load import load_rig
from hil.ports.clock import WallClock
from hil.ports.supply_commands import SupplyCommands, Watchdog
from hil.twin.scpi import ScpiError
from hil.twin.variation import Change, Variation

TODAY = date(2026, 6, 1)
NOWHERE = {"supply": "TCPIP::127.0.0.1::1::SOCKET", "board": "/dev/ttyUSB99"}


@pytest.fixture
def worlds(monkeypatch):
    """Every simulated bench that is built."""
    built = []
    original = hil.bench.simulate.world_for

    def world_for(*args, **options):
        built.append(original(*args, **options))
        return built[-1]

    monkeypatch.setattr(hil.bench.simulate, "world_for", world_for)
    return built


def changed(rig, section: str, **values):
    part = getattr(rig, section)
    return rig.model_copy(update={section: part and part.model_copy(update=values)})


# -- opening ------------------------------------------------------------------------------


def test_an_opened_bench_has_everybody_and_is_not_energised(rig, worlds) -> None:
    with closing(open_bench(rig, True, {}, seed="1")) as bench:
        assert [who.role for who in bench.identities()] == [
            "board", "supply", "tachometer", "brake", "switch",
        ]  # fmt: skip
        assert not bench.energised
        assert not bench.supply.is_on()
    assert worlds[0].closed


def test_a_rig_without_options_opens_without_them(rig) -> None:
    bare = rig.model_copy(update={"tachometer": None, "brake": None, "switch": None})
    with closing(open_bench(bare, True, {}, seed="1")) as bench:
        assert [who.role for who in bench.identities()] == ["board", "supply"]


@pytest.mark.parametrize(
    ("section", "values", "words"),
    [
        ("board", {"expect_model": "OTHER"}, "says 'DOSING-DRIVE', the rig file expects 'OTHER'"),
        ("tachometer", {"driver": "no-such-driver"}, "no-such-driver"),
        ("supply", {"driver": "no-such-driver"}, "no-such-driver"),
    ],
)
def test_whoever_is_not_who_it_should_be_is_named_and_everything_is_released(
    rig, worlds, section: str, values: dict[str, str], words: str
) -> None:
    with pytest.raises(BenchError, match=words):
        open_bench(changed(rig, section, **values), True, {}, seed="1")
    assert all(world.closed for world in worlds)


def test_the_simulated_bench_stands_in_for_any_instrument_on_any_wire(rig, tmp_path) -> None:
    file = tmp_path / "real.yaml"
    file.write_text(
        f"based-on: {rig.files[0]}\nrig: real\n"
        "supply: {resource: 'USB0::0x1209::0x0001::X::INSTR', expect: PUMP-SUPPLY}\n"
        "tachometer: {resource: 'ASRL/dev/ttyUSB1::INSTR', expect: COUNTS}\n"
        "brake: {resource: 'TCPIP::10.0.0.7::hislip0::INSTR'}\n"
        "switch: {resource: 'TCPIP::10.0.0.8::5025::SOCKET', expect: RELAYS}\n",
        encoding="utf-8",
    )
    with closing(open_bench(load_rig(file), True, {}, seed="1")) as bench:
        found = {who.role: who for who in bench.identities()}
    assert found["supply"].model == "SIM-SUPPLY"
    assert len({who.resource for who in found.values()}) == 5
    assert found["switch"].resource == "TCPIP::10.0.0.8::5025::SOCKET"


@pytest.mark.parametrize(("dtr", "rts"), [(None, None), (False, None), (False, True)])
def test_control_lines_are_set_as_the_rig_file_says(rig, tmp_path, monkeypatch, dtr, rts) -> None:
    seen = []

    def opening(port) -> None:
        seen.append((port.dtr, port.rts))
        raise serial.SerialException("nobody there")

    monkeypatch.setattr(serial.Serial, "open", opening)
    place = tmp_path / "tty"
    place.touch()
    with pytest.raises(LinkError, match="nobody there"):
        open_board(changed(rig, "board", dtr=dtr, rts=rts), str(place), WallClock())
    assert seen == [(dtr is None or dtr, rts is None or rts)]


def test_hardware_that_is_not_there_is_told(rig) -> None:
    with pytest.raises(InstrumentError, match=r"supply at TCPIP::127\.0\.0\.1::1::SOCKET"):
        open_bench(rig, False, NOWHERE, seed="1")
    with pytest.raises(BenchError, match="usb-dosing-drive-bench-1"):
        open_bench(rig, False, {}, seed="1")


# -- choosing -----------------------------------------------------------------------------


def test_twin_and_hardware_are_taken_at_their_word(rig) -> None:
    assert choose(rig, "twin", {}).simulated
    assert choose(rig, "twin", {}).reason == "SIMULATED bench of rig dosing-pump, as asked for"
    assert not choose(rig, "hardware", NOWHERE).simulated


def test_auto_takes_the_twin_and_says_what_is_missing(rig) -> None:
    choice = choose(rig, "auto", NOWHERE)
    assert choice.simulated
    assert "no hardware answers" in choice.reason
    assert "supply at TCPIP::127.0.0.1::1::SOCKET" in choice.reason
    assert "\n" not in choice.reason


def test_auto_takes_hardware_that_answers(rig, monkeypatch) -> None:
    who = Identity(role="board", model="DOSING-DRIVE", revision="5EED0001")
    monkeypatch.setattr(hil.bench.choose, "hardware_identities", lambda *_: (who,))
    choice = choose(rig, "auto", {})
    assert not choice.simulated
    assert "5EED0001" in choice.reason
    assert choice.held == ()


@pytest.mark.parametrize("answers", [True, False])
def test_asking_who_is_there_loses_no_error_queue(rig, monkeypatch, answers: bool) -> None:
    def ask(_rig, _resources, held) -> tuple[Identity, ...]:
        held.append("supply at X: its error queue held from before: -222")
        if not answers:
            raise BenchError("no board")
        return ()

    monkeypatch.setattr(hil.bench.choose, "hardware_identities", ask)
    choice = choose(rig, "auto", {})
    assert choice.simulated is not answers
    assert choice.held == ("supply at X: its error queue held from before: -222",)


@pytest.mark.parametrize("fails", [False, True])
def test_what_stood_in_error_queues_is_told_also_where_opening_fails(
    rig, monkeypatch, fails: bool
) -> None:
    original = hil.bench.simulate.world_for

    def world_for(*args, **options):
        world = original(*args, **options)
        for instrument in world.instruments.values():
            if instrument.role in ("supply", "brake"):
                instrument.status.report(ScpiError(-222, instrument.role))
                instrument.status.report(ScpiError(-113))
        return world

    monkeypatch.setattr(hil.bench.simulate, "world_for", world_for)
    held: list[str] = []
    if fails:
        rig = changed(rig, "board", expect_model="ANOTHER")
        with pytest.raises(BenchError, match="wrong board"):
            open_bench(rig, True, {}, seed="1", held=held)
    else:
        open_bench(rig, True, {}, seed="1", held=held).close()
    supply, brake = held
    kept = 'its error queue held from before: -222,"Data out of range;'
    assert supply.startswith("supply at TCPIP")
    assert f'{kept}supply"; -113,"Undefined header"' in supply
    assert brake.startswith("brake at TCPIP")
    assert f"{kept}brake" in brake


# -- looking over -------------------------------------------------------------------------


def findings(rig, **options):
    return {
        found.what: found
        for found in look_over(
            rig, simulated=True, resources={}, today=options.pop("today", TODAY), **options
        )
    }


def test_looking_over_never_energises(rig, worlds) -> None:
    found = findings(rig)
    assert {finding.grade for finding in found.values()} == {Grade.OK}
    assert {"rig file", "regeneration", "board", "supply", "tachometer", "supply limits"} <= set(
        found
    )
    assert "read back, output off" in found["supply limits"].detail
    (world,) = worlds
    assert world.closed
    assert world.drive.dc_link_voltage < 1.0


def test_a_name_that_is_that_of_another_rig_is_a_warning(rig, tmp_path) -> None:
    file = tmp_path / "own.yaml"
    file.write_text(f"based-on: {rig.files[0]}\n")
    found = findings(load_rig(file))["name"]
    assert found.grade is Grade.WARNING
    assert found.detail == (
        f"it has no 'rig:' of its own, and the name dosing-pump from {rig.files[0]}: its runs "
        "enter the series of that rig"
    )
    file.write_text(f"based-on: {rig.files[0]}\nrig: dosing-pump\n")  # that is the same bench
    assert "name" not in findings(load_rig(file))


def test_a_program_that_flashes_and_is_not_there_is_told_beforehand(rig, tmp_path) -> None:
    file = tmp_path / "own.yaml"
    file.write_text(
        f"based-on: {rig.files[0]}\nrig: own\nboard:\n  by-id: {tmp_path}/none\n"
        '  flash: {command: [./flash.sh, "{image}"], build: [sh, "{image}"]}\n'
    )

    def flashing():
        rig = load_rig(file)
        told = look_over(rig, simulated=False, resources={}, today=TODAY)
        return next(found for found in told if found.what == "flashing")

    assert flashing().grade is Grade.WARNING
    assert flashing().detail.startswith(f"no program {tmp_path}/flash.sh, or it may not be ")
    (tmp_path / "flash.sh").write_text("exit 1\n")
    assert flashing().grade is Grade.WARNING  # it may not be executed
    (tmp_path / "flash.sh").chmod(0o755)
    assert flashing().grade is Grade.OK
    assert "flashing" not in findings(load_rig(file))  # nothing is flashed on the simulated bench


def test_an_overdue_calibration_is_a_warning_with_its_date(rig) -> None:
    found = findings(rig, today=date(2028, 1, 1))
    assert found["supply"].grade is Grade.WARNING
    assert "calibration was due 2027-11-30" in found["supply"].detail


def test_a_calibration_date_that_a_release_asks_for_is_missed_beforehand(rig, tmp_path) -> None:
    file = tmp_path / "own.yaml"
    file.write_text(
        f"based-on: {rig.files[0]}\nrig: own\n"
        "interlock: {resource: 'TCPIP::127.0.0.1::9::SOCKET', contacts: {guard: 1}}\n"
        "thermometer: {resource: 'TCPIP::127.0.0.1::8::SOCKET'}\n"
    )
    found = findings(load_rig(file))
    missed = (
        "no calibration date in the rig file: a release on bench evidence asks for one, or for "
    )
    for role, grade in (
        ("thermometer", Grade.WARNING),
        ("brake", Grade.OK),  # measures nothing that is judged, and a release asks all the same
        ("switch", Grade.OK),
        ("interlock", Grade.OK),
    ):
        assert found[role].grade is grade
        assert missed in found[role].detail
    assert missed not in found["board"].detail + found["supply"].detail


def test_reversals_that_will_be_refused_are_announced(rig) -> None:
    found = findings(changed(rig, "limits", dc_link_voltage=35.0))["regeneration"]
    assert found.grade is Grade.WARNING
    assert "above the abort limit of 35 V; reversals from more than" in found.detail


def test_a_max_speed_that_the_supply_cannot_give_is_a_warning(rig) -> None:
    assert findings(rig)["motor"].detail == (
        "back-EMF at max-speed 4000 rpm: 16.8 V line to line, supply 24 V"
    )
    found = findings(changed(rig, "motor", max_speed=6000.0))["motor"]
    assert found.grade is Grade.WARNING
    assert "25.1 V line to line, supply 24 V: beyond 5730 rpm no firmware gets" in found.detail


def test_a_supply_that_refuses_its_limits_fails(rig, monkeypatch) -> None:
    weak = Variation("weak supply", (Change("supply.current", 5.0),))
    refusing = partial(hil.bench.simulate.twin_access, variation=weak)
    monkeypatch.setattr(hil.bench.simulate, "twin_access", refusing)
    found = findings(rig)["supply limits"]
    assert found.grade is Grade.FAILED
    assert "-222" in found.detail


def test_a_bench_that_cannot_be_opened_fails(rig) -> None:
    found = findings(changed(rig, "board", expect_model="OTHER"))["bench"]
    assert found.grade is Grade.FAILED
    assert "wrong board" in found.detail


# -- words --------------------------------------------------------------------------------


def test_the_host_is_described_with_versions(monkeypatch) -> None:
    for variable in ("GITHUB_SHA", "CI_COMMIT_SHA", "GIT_COMMIT"):
        monkeypatch.delenv(variable, raising=False)
    facts = host_facts()
    assert facts["numpy"][0].isdigit()
    assert "commit under test" not in facts
    monkeypatch.setenv("CI_COMMIT_SHA", "abc123")
    assert host_facts()["commit under test"] == "abc123"


def test_limits_are_described_with_units(rig) -> None:
    lines = limit_lines(rig)
    assert lines["DC link"] == "45 V"
    assert lines["wrong direction"] == "720 deg"
    assert lines["regeneration absorbed by"] == "dc link capacitor"
    assert lines["supply watchdog"].startswith("none described")
    dog = Watchdog(enable="DOG 5", query="DOG?", interval=2.0)
    guarded = rig.model_copy()
    guarded._commands = {"supply": SupplyCommands(watchdog=dog)}
    assert limit_lines(guarded)["supply watchdog"] == "fed every 2 s, read back"
