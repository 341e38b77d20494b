"""Registration of drivers: by name, lazily, checked before use, broken ones set apart."""

# ruff: noqa: ARG001, ARG002 - names of arguments are what is checked here

from __future__ import annotations

import sys

import pytest

from hil.core.errors import BenchError
from hil.ports.board import Board
from hil.ports.registry import (
    BUILT_IN,
    INSTRUMENTS,
    LINKS,
    PORTS,
    Descriptor,
    Entry,
    Registry,
    built_in_entries,
    check_driver,
    installed_entries,
)


class GoodBrake:
    """A third party's brake."""

    def identify(self):
        return None

    def apply(self, torque):
        return None

    def release(self):
        return None

    def close(self):
        return None


def open_brake(config, clock, manager):
    return GoodBrake()


def descriptor(**more) -> Descriptor:
    settings = {
        "name": "example",
        "port": "brake",
        "driver": GoodBrake,
        "config": dict,
        "open": open_brake,
    }
    return Descriptor(**(settings | more))


def entry(found: object, name: str = "brake.example", group: str = INSTRUMENTS) -> Entry:
    return Entry(group, name, "package example", lambda: found)


def reason(found: object, **more: str) -> str:
    return Registry([entry(found, **more)]).listing()[0].reason


# ---------------------------------------------------------------------- this project's drivers


def test_every_built_in_driver_fits_its_port():
    listing = Registry(built_in_entries()).listing()
    assert {line.port for line in listing} == set(PORTS)
    assert {f"{line.port}.{line.name}": line.reason for line in listing if line.reason} == {}
    assert {line.source for line in listing} == {"this project"}


def test_the_table_holds_strings_so_that_nothing_is_imported_for_it():
    assert all(isinstance(place, str) for table in BUILT_IN.values() for place in table.values())
    assert set(BUILT_IN) == {LINKS, INSTRUMENTS}


def test_making_a_registry_loads_nothing():
    loaded = []
    registry = Registry([Entry(INSTRUMENTS, "brake.x", "?", lambda: loaded.append(1))])
    assert registry.names("brake") == ("x",)
    assert loaded == []


def test_each_entry_is_loaded_once():
    loaded = []

    def load():
        loaded.append(1)
        return descriptor()

    registry = Registry([Entry(INSTRUMENTS, "brake.example", "?", load)])
    assert registry.get("brake", "example") is registry.get("brake", "example")
    registry.listing()
    assert loaded == [1]


# ---------------------------------------------------------------------- asking


def test_an_unknown_name_suggests_the_nearest():
    registry = Registry(built_in_entries())
    with pytest.raises(BenchError, match=r"no supply driver 'scip', did you mean 'scpi'"):
        registry.get("supply", "scip")
    with pytest.raises(BenchError, match=r"no brake driver 'x'.* known: current, scpi, voltage"):
        registry.get("brake", "x")
    with pytest.raises(BenchError, match="known: none"):
        Registry([]).get("supply", "scpi")


def test_a_third_partys_driver_is_opened_through_its_descriptor():
    registry = Registry([*built_in_entries(), entry(descriptor())])
    assert registry.names("brake") == ("current", "example", "scpi", "voltage")
    assert isinstance(registry.get("brake", "example").open({}, None, None), GoodBrake)


def test_of_two_of_one_name_neither_is_used_and_nobody_else_is_disturbed():
    registry = Registry([*built_in_entries(), entry(descriptor(), name="brake.scpi")])
    with pytest.raises(
        BenchError,
        match=r"brake driver 'scpi' is unavailable: registered twice: by this project and by "
        r"package example",
    ):
        registry.get("brake", "scpi")
    reasons = {(line.port, line.name): line.reason for line in registry.listing()}
    assert reasons["brake", "scpi"].startswith("registered twice")
    assert [key for key, reason in reasons.items() if reason] == [("brake", "scpi")]
    assert registry.get("supply", "scpi")


# ---------------------------------------------------------------------- what does not fit


def test_a_driver_that_cannot_be_imported_disturbs_nobody_else():
    def broken():
        raise ImportError("no module named 'vendor'")

    registry = Registry([*built_in_entries(), Entry(INSTRUMENTS, "brake.bad", "?", broken)])
    by_name = {(line.port, line.name): line.reason for line in registry.listing()}
    assert by_name["brake", "bad"] == "ImportError: no module named 'vendor'"
    assert by_name["brake", "scpi"] == ""
    assert registry.get("brake", "scpi")
    with pytest.raises(BenchError, match="brake driver 'bad' is unavailable: ImportError: no mod"):
        registry.get("brake", "bad")


def test_what_is_no_descriptor():
    assert reason(GoodBrake) == "brake.example is a type, expected a Descriptor"
    assert reason(None) == "brake.example is a NoneType, expected a Descriptor"


def test_one_that_describes_something_else():
    assert reason(descriptor(name="other")) == (
        "describes brake.other, registered as brake.example"
    )
    assert "unknown port 'winch', expected one of board, supply" in reason(
        descriptor(port="winch"), name="winch.example"
    )


def test_the_wrong_group():
    assert reason(descriptor(), group=LINKS) == (
        "a brake registers in hil.instruments, not in hil.links"
    )


def test_a_missing_member_is_named():
    class NoRelease(GoodBrake):
        release = None

    assert reason(descriptor(driver=NoRelease)) == (
        "NoRelease has no 'release', which a brake must have"
    )


def test_other_arguments_are_named():
    class Renamed(GoodBrake):
        def apply(self, force):
            return None

    class More(GoodBrake):
        def apply(self, torque, ramp):
            return None

    class Optional(GoodBrake):
        def apply(self, torque, ramp=0.0):
            return None

    assert reason(descriptor(driver=Renamed)) == (
        "Renamed.apply takes (force), the port says (torque)"
    )
    assert reason(descriptor(driver=More)).startswith("More.apply(torque): missing a required")
    assert reason(descriptor(driver=Optional)) == ""


def test_a_member_that_cannot_be_called():
    class Number(GoodBrake):
        release = 3

    assert reason(descriptor(driver=Number)) == "Number.release cannot be called"


def test_a_driver_that_is_no_class():
    assert "expected a class" in reason(descriptor(driver=GoodBrake()))


def test_open_must_take_three_arguments():
    def two(config, clock):
        return GoodBrake()

    assert reason(descriptor(open=two)).startswith("open(config, clock, manager): too many")


def test_nothing_unchecked_enters_the_table():
    registry = Registry([entry(descriptor(driver=int))])
    registry.listing()
    assert registry._loaded == {}
    with pytest.raises(BenchError, match="int has no 'apply'"):
        registry.get("brake", "example")


def test_a_driver_this_computer_cannot_use_says_why():
    registry = Registry([entry(descriptor(probe=lambda: "the vendor's library is missing"))])
    with pytest.raises(BenchError, match="'example' is unavailable: the vendor's library"):
        registry.get("brake", "example")


def test_a_probe_is_asked_again_and_may_change_its_mind():
    answers = iter(["not yet", ""])
    registry = Registry([entry(descriptor(probe=lambda: next(answers)))])
    assert registry.listing()[0].reason == "not yet"
    assert registry.get("brake", "example")


def test_a_probe_that_fails_is_a_reason():
    def probe():
        raise OSError("bus error")

    assert reason(descriptor(probe=probe)) == "OSError: bus error"


# ---------------------------------------------------------------------- ports


@pytest.mark.parametrize("port", sorted(PORTS))
def test_an_empty_class_lacks_every_member(port):
    class Nothing:
        pass

    faults = check_driver(Nothing, port)
    assert any("'close'" in fault for fault in faults)
    assert len(faults) >= 3


def test_attributes_that_every_instance_gets_count_as_members():
    class Counter:
        senses_direction: bool
        time_uncertainty: float

        def identify(self):
            return None

        def begin(self):
            return None

        def read(self):
            return None

        def close(self):
            return None

    assert check_driver(Counter, "tachometer") == []


def test_the_protocol_itself_fits():
    assert check_driver(Board, "board") == []


# ---------------------------------------------------------------------- entry points


def test_entry_points_of_installed_packages_are_found(tmp_path, monkeypatch):
    """A real distribution on the path, as an installed package would leave it."""
    (tmp_path / "example_brake.py").write_text(
        "from hil.ports.registry import Descriptor\n"
        "class Brake:\n"
        "    def identify(self): ...\n"
        "    def apply(self, torque): ...\n"
        "    def release(self): ...\n"
        "    def close(self): ...\n"
        "DESCRIPTOR = Descriptor(name='example', port='brake', driver=Brake, config=dict,\n"
        "                        open=lambda config, clock, manager: Brake())\n"
    )
    folder = tmp_path / "example_brake-1.0.dist-info"
    folder.mkdir()
    (folder / "METADATA").write_text("Metadata-Version: 2.1\nName: example-brake\nVersion: 1.0\n")
    (folder / "entry_points.txt").write_text(
        "[hil.instruments]\nbrake.example = example_brake:DESCRIPTOR\n"
        "brake.gone = example_brake:NOTHING\n"
    )
    monkeypatch.syspath_prepend(tmp_path)
    found = {item.name: item for item in installed_entries()}
    assert found["brake.example"].source == "package example-brake"
    registry = Registry.installed()
    assert registry.get("brake", "example").port == "brake"
    with pytest.raises(BenchError, match="'gone' is unavailable: AttributeError"):
        registry.get("brake", "gone")
    sys.modules.pop("example_brake", None)
