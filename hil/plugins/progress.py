"""Makes the progress line of a session, on a copy of the real standard output."""

from __future__ import annotations

import os

import pytest

from hil.plugins.keys import PROGRESS
from hil.plugins.progress_line import Progress


def pytest_configure(config: pytest.Config) -> None:
    """Take a copy of the real standard output before items are captured."""
    if hasattr(config, "workerinput"):  # a worker has no terminal
        return
    try:
        stream = os.fdopen(os.dup(1), "w", encoding="utf-8", errors="replace")
    except OSError:  # no standard output at all
        return
    live = stream.isatty() and os.environ.get("TERM", "dumb") != "dumb"

    def column() -> int:
        reporter = config.pluginmanager.get_plugin("terminalreporter")
        return 0 if reporter is None else config.get_terminal_writer().width_of_current_line

    config.stash[PROGRESS] = Progress(stream, live=live, column=column)


def pytest_unconfigure(config: pytest.Config) -> None:
    """Close the copy."""
    progress = config.stash.get(PROGRESS, None)
    if progress is not None:
        progress.close()
