"""pytest plugin for continuous integration: a skipped test is a failure there.

A machine that lacks what a test needs hides the test; the machine that decides must have it all.
"""

from __future__ import annotations

from collections.abc import Generator

import pytest


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item,
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Turn a skip into a failure that names its reason."""
    report = yield
    if report.skipped and not hasattr(report, "wasxfail"):
        where = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid}: skipped in continuous integration ({where})"
    return report
