"""Whether a test has assertions of its own, told by its source."""

from __future__ import annotations

import pytest

from hil.plugins.own_assertions import asserts

TESTS = """
import json

import helpers
import pytest


def loop():
    loop()


class TestPump:
    def holds(self):
        assert self

    def test_by_a_method(self):
        self.holds()

    def test_by_no_method(self):
        self.gone()


def test_by_an_assert():
    if json:
        assert True

def test_by_a_call():
    pytest.fail("no")

def test_by_a_helper():
    helpers.deeper()

def test_by_a_name_that_says_so(pump):
    pump.assert_dry()

@pytest.mark.parametrize("n", [1])
def test_decorated(n):
    assert n

def test_not():
    print("assert nothing")

def test_not_by_a_library():
    json.dumps(1)
    pytest.skip("no")

def test_not_by_turning_round():
    loop()
"""


@pytest.fixture
def items(pytester: pytest.Pytester) -> dict[str, pytest.Item]:
    pytester.makepyfile(
        helpers="def deeper():\n    deepest()\n\n\ndef deepest():\n    assert True\n"
    )
    pytester.syspathinsert()
    file = pytester.makepyfile(test_pump=TESTS)
    return {item.name: item for item in pytester.genitems([pytester.getpathnode(file)])}


def test_asserting_is_told_by_source_through_what_is_called_of_the_project(items) -> None:
    assert {name for name, item in items.items() if asserts(item)} == {
        "test_by_a_method",
        "test_by_an_assert",
        "test_by_a_call",
        "test_by_a_helper",
        "test_by_a_name_that_says_so",
        "test_decorated[1]",
    }
    assert len(items) == 10
