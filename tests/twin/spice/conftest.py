"""The circuit, shared by the tests of this folder, and its picture."""

import importlib.util
import sys
from pathlib import Path

import pytest


def module(name: str):
    """A Python file of this folder that is no test."""
    spec = importlib.util.spec_from_file_location(
        f"spice_{name}", Path(__file__).parent / f"{name}.py"
    )
    assert spec is not None
    assert spec.loader is not None
    loaded = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = loaded
    spec.loader.exec_module(loaded)
    return loaded


@pytest.fixture(scope="session")
def circuit():
    """`circuit.py`."""
    return module("circuit")


@pytest.fixture(scope="session")
def overlay():
    """`overlay.py`."""
    return module("overlay")
