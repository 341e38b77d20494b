"""One SHA-256 for what a run was held against: plan files, rig files, abort limits, and this code.

Equal fingerprints mean byte-identical files (limits: identical lines), so runs with them may be
compared without a look at the files.
"""

from __future__ import annotations

import functools
import hashlib
import json
from collections.abc import Mapping
from pathlib import Path

import hil
from hil.core.record import RunStart

#: Rig file and link profile; a firmware image among the inputs is neither.
_RIG_FILES = (".yaml", ".yml")
#: What of the package decides how a run is made and judged.
_CODE = ("*.py", "*.h", "*.c")


@functools.cache
def code_fingerprint(package: Path = Path(hil.__file__).parent) -> str:
    """Of the code of this program: a checkout may be changed and keep its version."""
    files = sorted(file for pattern in _CODE for file in package.rglob(pattern))
    return fingerprint(
        {
            file.relative_to(package).as_posix(): hashlib.sha256(file.read_bytes()).hexdigest()
            for file in files
        }
    )


def fingerprint(facts: Mapping[str, str]) -> str:
    """SHA-256 over names and values in the order of the names; "" for no facts."""
    if not facts:
        return ""
    text = json.dumps(dict(sorted(facts.items())), separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def plan_fingerprint(start: RunStart) -> str:
    """Of the plan files, from their hashes in the record."""
    return fingerprint({n: h for n, h in start.hashes.items() if n in start.plans})


def rig_fingerprint(start: RunStart) -> str:
    """Of rig file and link profile, from their hashes in the record."""
    return fingerprint(
        {
            name: digest
            for name, digest in start.hashes.items()
            if name not in start.plans and name.lower().endswith(_RIG_FILES)
        }
    )


def limits_fingerprint(start: RunStart) -> str:
    """Of the abort limits as the record states them."""
    return fingerprint(start.limits)
