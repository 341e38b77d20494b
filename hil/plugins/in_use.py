"""Ends a session in which nothing can be run, since somebody else has the rig."""

from __future__ import annotations

import pytest

#: Exit code beyond pytest's own: the message names the holder.
EXIT_IN_USE = 11


class InUse:
    """Plugin of such a session: no item is run, one line says why.

    `pytest.exit` would say it with the name of an exception in front.
    """

    def __init__(self, held: object) -> None:
        self._held = held

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Run nothing."""
        session.shouldfail = f"nothing was run: {self._held}"
        return True

    @pytest.hookimpl(trylast=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        """Say it with the exit code too."""
        session.exitstatus = EXIT_IN_USE
