"""What the installed plugin costs a pytest session that does not use it."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator

from ci.timing.result import Result, side_by_side

PLUGINS = ("options", "plans", "bench", "evidence", "progress")


def run() -> Iterator[Result]:
    """Start-up of ``pytest --version`` with and without the plugins, in turn."""
    without = [part for name in PLUGINS for part in ("-p", f"no:hil.plugins.{name}")]

    def start(*more: str) -> None:
        command = [sys.executable, "-m", "pytest", "--version", *more]
        # Outside the checkout, so that its conftest.py plays no part.
        subprocess.run(command, check=True, capture_output=True, cwd="/")

    start()
    plain, with_plugins = side_by_side(lambda: start(*without), start, rounds=15)
    yield Result(
        "plugin cost at pytest start-up", (with_plugins - plain) * 1e3, "ms", "lower", 50.0
    )
