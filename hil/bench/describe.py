"""Facts about host and rig in words, for the record."""

from __future__ import annotations

import os
import platform
from importlib.metadata import PackageNotFoundError, version

from hil.plan.rig import Rig

PACKAGES = (
    "hil", "pytest", "pyserial", "pyvisa", "pyvisa-py", "numpy", "scipy", "numba", "pandas",
    "pydantic",
)  # fmt: skip


def host_facts() -> dict[str, str]:
    """Machine, system, Python, packages and, in a pipeline, the commit under test."""
    facts = {
        "machine": platform.node(),
        "system": f"{platform.system()} {platform.release()} {platform.machine()}",
        "python": platform.python_version(),
    }
    for package in PACKAGES:
        try:
            facts[package] = version(package)
        except PackageNotFoundError:
            facts[package] = "not installed"
    for variable in ("GITHUB_SHA", "CI_COMMIT_SHA", "GIT_COMMIT"):
        if commit := os.environ.get(variable):
            facts["commit under test"] = commit
            break
    return facts


def limit_lines(rig: Rig) -> dict[str, str]:
    """Abort limits and supply limits as shown in reports."""
    return {
        "speed": f"{rig.limits.speed:g} rpm",
        "current": f"{rig.limits.current:g} A",
        "DC link": f"{rig.limits.dc_link_voltage:g} V",
        "temperature": f"{rig.limits.temperature:g} degC",
        "wrong direction": f"{rig.limits.wrong_direction:g} deg",
        "supply current limit": f"{rig.supply.current_limit:g} A",
        "supply over-voltage limit": f"{rig.supply.over_voltage_limit:g} V",
        "supply watchdog": _watchdog(rig),
        "regeneration absorbed by": rig.regeneration.absorbed_by.replace("-", " "),
    }


def _watchdog(rig: Rig) -> str:
    """Whether the supply switches itself off when the host is gone."""
    dog = rig.commands["supply"].watchdog
    if dog is None:
        return "none described: a host that loses power leaves the output as it is"
    return f"fed every {dog.interval:g} s, {'read back' if dog.query else 'not read back'}"
