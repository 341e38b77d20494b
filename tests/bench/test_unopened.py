"""What is told of a bench that cannot be opened."""

from __future__ import annotations

import pytest

from hil.bench.unopened import Unopened
from hil.core.errors import BenchError


@pytest.mark.parametrize(
    ("roles", "said"),
    [
        ([], "rig pump"),
        (["board"], "board of rig pump"),
        (["board", "supply"], "board and supply of rig pump"),
        (["board", "supply", "brake"], "board, supply and brake of rig pump"),
    ],
)
def test_the_headline_says_what_where_and_whose_fault_it_is(roles, said) -> None:
    error = Unopened("pump", "the guard is not armed", [(role, f"{role}: gone") for role in roles])
    assert error.headline == f"{said} cannot be opened: the bench is at fault, not the firmware"
    assert error.reasons == ("the guard is not armed", *(f"{role}: gone" for role in roles))
    assert str(error) == "; ".join(error.reasons)
    assert isinstance(error, BenchError)


def test_each_reason_is_one_line_and_told_once() -> None:
    error = Unopened("pump", "supply:\n gone", [("supply", "supply:\n gone"), ("brake", "off")])
    assert error.reasons == ("supply: gone", "off")
