"""A role of an instrument stands in several places: whichever lacks it is named, with its file."""

from __future__ import annotations

from dataclasses import fields

import pytest

from hil.bench.parts import Parts
from hil.core.roles import INSTRUMENTS, ROLES
from hil.plan.pool import PoolEntry
from hil.plan.rig import Rig
from hil.plugins.options import OPTIONS
from hil.ports import conformance
from hil.ports.registry import BUILT_IN, PORTS


def missing(role: str) -> list[str]:
    """What a role still lacks."""
    suites = {getattr(suite, "role", "") for suite in vars(conformance).values()}
    built_in = {name.partition(".")[0] for table in BUILT_IN.values() for name in table}
    places = {
        "hil/ports/registry.py: its protocol in PORTS": PORTS,
        "hil/ports/registry.py: a driver in BUILT_IN": built_in,
        "hil/ports/conformance.py: a suite": suites,
        "hil/plan/rig.py: a key of the rig file": Rig.model_fields,
        "hil/plan/pool.py: a field of PoolEntry": PoolEntry.model_fields,
        "hil/plugins/options.py: an option in OPTIONS": OPTIONS,
        "hil/bench/parts.py: a field of Parts": {field.name for field in fields(Parts)},
    }
    return [what for what, known in places.items() if role not in known]


@pytest.mark.parametrize("role", ROLES)
def test_a_role_is_complete(role: str) -> None:
    lacks = missing(role)
    assert not lacks, "\n".join([f"{role} lacks", *lacks])


def test_a_port_is_a_role() -> None:
    assert set(PORTS) == set(ROLES), "hil/core/roles.py and PORTS in hil/ports/registry.py differ"


def test_the_supply_comes_first_so_that_it_is_known_to_be_off() -> None:
    assert INSTRUMENTS[0] == "supply"
    assert ("board", *INSTRUMENTS) == ROLES
    assert len(set(ROLES)) == len(ROLES)


def test_what_is_missing_is_named() -> None:
    assert len(missing("dancer")) == 7
