"""The shipped rig for tests of opening and choosing."""

from pathlib import Path

import pytest

from hil.plan.load import load_rig
from hil.plan.rig import Rig


@pytest.fixture(scope="session")
def rig() -> Rig:
    return load_rig(Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml")
