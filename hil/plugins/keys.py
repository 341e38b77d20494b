"""What the plugins share on pytest's config and items: the keys of its stash, and their types."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from hil.core.verdict import Verdict
    from hil.plan.collect import Collected
    from hil.plugins.pool import FromPool
    from hil.plugins.progress_line import Progress
    from hil.plugins.resume import Resume
    from hil.plugins.run import Run
    from hil.scenarios.script import Script

#: On the config: the run of the session, the run it goes on with, the rig it took, its progress.
RUN: pytest.StashKey[Run] = pytest.StashKey()
RESUME: pytest.StashKey[Resume] = pytest.StashKey()
TAKEN: pytest.StashKey[FromPool] = pytest.StashKey()
PROGRESS: pytest.StashKey[Progress] = pytest.StashKey()
#: On the config: what each plan file comes to, and items that were collected and deselected.
COLLECTED: pytest.StashKey[dict[Path, Collected]] = pytest.StashKey()
LEFT: pytest.StashKey[list[pytest.Item]] = pytest.StashKey()
#: On a Python scenario: its script, the error its test function ended with, verdict and reason.
SCRIPT: pytest.StashKey[Script] = pytest.StashKey()
OUTCOME: pytest.StashKey[BaseException] = pytest.StashKey()
CAME_TO: pytest.StashKey[tuple[Verdict, str]] = pytest.StashKey()
#: ... and that the session was ended in the midst of it.
INTERRUPTED: pytest.StashKey[bool] = pytest.StashKey()
