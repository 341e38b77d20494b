"""Every driver of this project is held against the suite of its port, somewhere in this folder."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from hil.ports import conformance
from hil.ports.registry import BUILT_IN, PORTS, Descriptor, Registry, built_in_entries

HERE = Path(__file__).parent
BUILT = sorted(name for table in BUILT_IN.values() for name in table)
SUITES = {
    suite.role: name
    for name, suite in vars(conformance).items()
    if name.endswith("Conformance") and getattr(suite, "role", "")
}


def mentioned(node: ast.AST) -> set[str]:
    """Names and arguments in a piece of code; arguments are fixtures."""
    names = {part.id for part in ast.walk(node) if isinstance(part, ast.Name)}
    return names | {part.arg for part in ast.walk(node) if isinstance(part, ast.arg)}


def subclasses(text: str) -> Iterator[tuple[set[str], set[str]]]:
    """Of every test class: the suites it is a subclass of, and what it and its helpers mention."""
    module = ast.parse(text)
    helpers = {
        node.name: mentioned(node) for node in module.body if isinstance(node, ast.FunctionDef)
    }
    for node in module.body:
        if isinstance(node, ast.ClassDef):
            names = mentioned(node)
            names |= {name for helper in names & set(helpers) for name in helpers[helper]}
            bases = {base.id for base in node.bases if isinstance(base, ast.Name)}
            yield bases & set(SUITES.values()), names


@cache
def tried() -> tuple[tuple[set[str], set[str]], ...]:
    """The same of all tests of drivers."""
    files = sorted(HERE.rglob("test_*.py"))
    return tuple(pair for file in files for pair in subclasses(file.read_text(encoding="utf-8")))


def descriptor(name: str) -> Descriptor:
    port, _, driver = name.partition(".")
    return Registry(built_in_entries()).get(port, driver)


@pytest.mark.parametrize("port", PORTS)
def test_every_port_has_a_suite(port: str) -> None:
    assert port in SUITES, f"hil/ports/conformance.py: a suite with role = {port!r}"


@pytest.mark.parametrize("name", BUILT)
def test_every_driver_is_tried_by_the_suite_of_its_port(name: str) -> None:
    found = descriptor(name)
    suite, driver = SUITES[found.port], found.driver.__name__
    assert any(suite in suites and driver in names for suites, names in tried()), (
        f"{name}: no test in tests/drivers is a subclass of {suite} whose fixture 'port' opens "
        f"{driver}"
    )


def test_a_suite_counts_for_the_driver_it_opens_only() -> None:
    (only,) = subclasses(
        "class TestOne(BrakeConformance):\n    def port(self):\n        yield One.open()\n"
    )
    assert only[0] == {"BrakeConformance"}
    assert "One" in only[1]
    assert "Other" not in only[1]


def test_a_fixture_beside_the_class_may_open_it() -> None:
    (only,) = subclasses(
        "def opened():\n    yield One.open()\n\n\ndef unused():\n    yield Other.open()\n\n\n"
        "class TestOne(BrakeConformance):\n    def port(self, opened):\n        yield opened\n"
    )
    assert "One" in only[1]
    assert "Other" not in only[1]


@pytest.mark.parametrize("name", [name for name in BUILT if not name.startswith("board.")])
def test_every_instrument_tells_what_its_error_queue_held(name: str) -> None:
    found = descriptor(name).driver
    assert isinstance(getattr(found, "errors_at_open", None), property), f"{name}: see KeptErrors"
