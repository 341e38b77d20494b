"""Preflight on the simulated bench: a healthy one holds, and one message says what does not."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from hil.bench import simulate
from hil.bench.bench import Bench
from hil.bench.findings import Finding, Grade
from hil.bench.open import open_bench
from hil.bench.prove import PreflightFailed, prove, require
from hil.plan.load import load_rig
from hil.plan.rig import Rig
from hil.ports.reading_commands import SPEED
from hil.twin.world import World

SHIPPED = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"


class Lab:
    """A simulated bench with interlocks, opened."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch, more: str = "") -> None:
        file = folder / "rig.yaml"
        file.write_text(
            f"based-on: {SHIPPED}\nrig: proven\n"
            "interlock: {resource: 'TCPIP::127.0.0.1::5029::SOCKET', expect: SIM-INTERLOCK,"
            f" contacts: {{emergency-stop: 1, guard: 2}}}}\n{more}",
            encoding="utf-8",
        )
        self.rig: Rig = load_rig(file)
        self.world: World
        original = simulate.world_for

        def world_for(*args: Any) -> World:
            self.world = original(*args)
            return self.world

        monkeypatch.setattr(simulate, "world_for", world_for)
        self.bench: Bench = open_bench(self.rig, True, {}, seed="prove")

    def instrument(self, role: str) -> Any:
        return next(one for one in self.world.instruments.values() if one.role == role)

    def found(self) -> dict[str, Finding]:
        findings = {finding.what: finding for finding in prove(self.bench, self.rig)}
        assert not self.instrument("supply").on
        return findings


@pytest.fixture
def lab(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Lab]:
    made = Lab(tmp_path, monkeypatch)
    yield made
    made.bench.close()


def test_a_healthy_bench_is_proven_in_under_three_seconds(lab: Lab) -> None:
    before = lab.bench.clock.now()
    found = lab.found()
    assert lab.bench.clock.now() - before < 3.0
    assert {what: one.grade for what, one in found.items()} == dict.fromkeys(
        ("interlocks", "supply limits", "protection", "stop path", "direction"), Grade.OK
    )
    assert "tripped at 3.84 V with 4.8 V out" in found["protection"].detail
    assert "closed: emergency-stop, guard" in found["interlocks"].detail
    assert "clockwise as asked, 1.5 A" in found["direction"].detail


def test_it_leaves_the_limits_of_the_rig_behind(lab: Lab) -> None:
    lab.found()
    lab.bench.begin_trace()
    lab.bench.energise(24.0)
    assert lab.instrument("supply").levels == {
        "voltage": 24.0, "current": 10.0, "protection": 46.0,
    }  # fmt: skip
    assert not lab.instrument("supply").tripped


def test_it_holds_again_with_the_dc_link_still_charged(lab: Lab) -> None:
    lab.found()
    assert lab.world.drive.dc_link_voltage > 5.0
    assert lab.found()["protection"].grade is Grade.OK


def stops_at(lab: Lab, what: str) -> str:
    """The message of the failed finding, which must be the last one."""
    found = list(prove(lab.bench, lab.rig))
    assert not lab.instrument("supply").on
    assert (found[-1].what, found[-1].grade) == (what, Grade.FAILED)
    assert all(one.grade is not Grade.FAILED for one in found[:-1])
    return found[-1].detail


@pytest.mark.parametrize(("number", "name"), [(1, "emergency-stop"), (2, "guard")])
def test_an_open_interlock(lab: Lab, number: int, name: str) -> None:
    lab.instrument("interlock").closed[number] = False
    assert f"interlock open: {name};" in stops_at(lab, "interlocks")
    assert not lab.world.drive.dc_link_voltage > 1.0  # nothing was energised


def test_interlocks_that_do_not_answer(lab: Lab) -> None:
    lab.instrument("interlock").silent = True
    assert "interlock at TCPIP" in stops_at(lab, "interlocks")


def test_a_supply_that_does_not_take_its_limits(lab: Lab) -> None:
    lab.instrument("supply").levels["current"] = 1.0
    tree = lab.instrument("supply").tree
    refuse: Callable[..., None] = lambda _value: None  # noqa: E731
    node = tree.find("CURR 1", ())[0]
    object.__setattr__(node, "run", refuse)
    assert "current limit set to 10 A reads back 1 A" in stops_at(lab, "supply limits")


def test_a_protection_that_does_not_trip(lab: Lab, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lab.world.drive, "set_over_voltage", lambda _level: None)
    assert "does not trip at an output of 4.8" in stops_at(lab, "protection")


def test_a_supply_that_refuses_such_a_level_is_only_noted(
    lab: Lab, monkeypatch: pytest.MonkeyPatch
) -> None:
    from hil.core.errors import InstrumentError

    def refuses(_level: float) -> None:
        raise InstrumentError("-221 settings conflict")

    monkeypatch.setattr(lab.bench.supply, "set_protection", refuses)
    found = lab.found()
    assert found["protection"] == Finding(
        "protection", Grade.WARNING, "cannot be tried: -221 settings conflict"
    )
    assert found["direction"].grade is Grade.OK


def test_an_output_that_stays_on(lab: Lab, monkeypatch: pytest.MonkeyPatch) -> None:
    supply = lab.instrument("supply")
    apply = supply._apply

    def stuck() -> None:
        supply.on = supply.on or lab.bench.energised
        apply()

    found = []
    for finding in prove(lab.bench, lab.rig):
        found.append(finding)
        if finding.what == "protection":
            monkeypatch.setattr(supply, "_apply", stuck)
    assert (found[-1].what, found[-1].grade) == ("stop path", Grade.FAILED)
    assert "reads back ON" in found[-1].detail
    monkeypatch.undo()
    supply.on = False
    supply._apply()


def test_a_shaft_that_turns_the_other_way(lab: Lab, monkeypatch: pytest.MonkeyPatch) -> None:
    start = lab.bench.board.start
    monkeypatch.setattr(lab.bench.board, "start", lambda speed: start(-speed))
    detail = stops_at(lab, "direction")
    assert "counter-clockwise: motor phases, Hall lines, tachometer or firmware" in detail


def test_a_shaft_that_does_not_turn_is_left_to_the_plans(
    lab: Lab, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lab.bench.board, "start", lambda _speed: None)
    finding = lab.found()["direction"]
    assert finding.grade is Grade.WARNING
    assert finding.detail.startswith("not seen:")


def test_a_supply_without_a_trial_of_its_protection(lab: Lab) -> None:
    supply = lab.bench.supply

    class Plain:
        """Only what a supply must have."""

        def __getattr__(self, name: str) -> Any:
            if name in ("set_protection", "tripped", "clear_protection"):
                raise AttributeError(name)
            return getattr(supply, name)

    lab.bench.supply = Plain()
    assert "cannot try its protection" in lab.found()["protection"].detail


def test_the_first_failure_is_one_message(lab: Lab) -> None:
    told: list[Finding] = []
    lab.instrument("interlock").closed[1] = False
    with pytest.raises(PreflightFailed, match=r"^preflight: interlocks: interlock open: emerg"):
        require(prove(lab.bench, lab.rig), told.append)
    assert [finding.what for finding in told] == ["interlocks"]


# -- a counter that knows no angle --------------------------------------------------------

COUNTER = "tachometer: {driver: counter, expect: SIM-COUNTER, interval: 20 ms}\n"
ENCODER = "encoder: {resource: 'TCPIP::127.0.0.1::5030::SOCKET', interval: 20 ms}\n"


@pytest.fixture
def other_lab(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], Lab]]:
    made: list[Lab] = []

    def make(more: str) -> Lab:
        made.append(Lab(tmp_path, monkeypatch, more))
        return made[-1]

    yield make
    for lab in made:
        lab.bench.close()


def test_the_direction_by_the_sign_of_the_speed(other_lab: Callable[[str], Lab]) -> None:
    found = other_lab(COUNTER).found()["direction"]
    assert found.grade is Grade.OK
    assert "clockwise as asked, by its speed" in found.detail


def test_an_encoder_tells_the_angle_that_a_counter_does_not(
    other_lab: Callable[[str], Lab],
) -> None:
    found = other_lab(COUNTER + ENCODER).found()["direction"]
    assert found.grade is Grade.OK
    assert "by its speed" not in found.detail


def test_a_counter_wired_the_wrong_way_round_fails(other_lab: Callable[[str], Lab]) -> None:
    lab = other_lab(COUNTER)
    counter: Any = lab.bench.tachometer
    counter._speed._query = replace(SPEED, gain=-SPEED.gain)
    found = lab.found()["direction"]
    assert found.grade is Grade.FAILED
    assert "counter-clockwise at" in found.detail


def test_a_counter_without_direction_proves_none(other_lab: Callable[[str], Lab]) -> None:
    found = other_lab(COUNTER.replace("}", ", senses-direction: false}")).found()["direction"]
    assert found.grade is Grade.WARNING


def test_a_short_is_found_at_a_low_voltage_and_current(lab: Lab) -> None:
    lab.world.drive._constants["bleeder"] = 0.05  # ohm across the DC link
    found = lab.found()
    assert list(found)[-1] == "protection"
    assert found["protection"].grade is Grade.FAILED
    assert found["protection"].detail.startswith("overload at output-on: 0.0")
    assert "of 4.8 V reached" in found["protection"].detail
    assert "(current limit 0.5 A), as into 0." in found["protection"].detail


def test_whoever_looks_is_told_which_trial_is_on(lab: Lab) -> None:
    told: list[str] = []
    lab.bench.observer = SimpleNamespace(step=told.append, readings=lambda _: None)
    found = lab.found()
    assert [text for text in told if text.startswith("preflight: ")] == [
        f"preflight: {name}" for name in found
    ]
