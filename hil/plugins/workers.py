"""Workers of pytest-xdist, each with a rig of a pool.

With ``-n`` every worker is a session of its own with a run folder of its own; the controlling
process only gathers where those are. Without a pool bench items refuse to run in workers.
"""

from __future__ import annotations

from typing import Any

import pytest


def worker_number(config: pytest.Config) -> int | None:
    """Number of a pytest-xdist worker; None in any other session."""
    given: dict[str, Any] | None = getattr(config, "workerinput", None)
    return None if given is None else int(given["workerid"].removeprefix("gw"))


class Workers:
    """What the workers leave behind, for the controlling process."""

    def __init__(self) -> None:
        self._lines: list[str] = []
        self._code = 0

    @pytest.hookimpl(optionalhook=True)
    def pytest_testnodedown(self, node: Any, error: object) -> None:  # noqa: ARG002
        """Keep what a worker said at its end."""
        said = getattr(node, "workeroutput", {}).get("hil")
        if said is not None:
            self._lines += said["lines"]
            self._code = max(self._code, said["code"])

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        """Say where the run folders of the workers are."""
        if self._lines:
            terminalreporter.ensure_newline()
            terminalreporter.section("bench")
            for line in self._lines:
                terminalreporter.write_line(line)

    @pytest.hookimpl(tryfirst=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        """A worker whose bench was refused or left unsafe sets the exit code."""
        if self._code:
            session.exitstatus = self._code
