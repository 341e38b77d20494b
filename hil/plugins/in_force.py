"""The options of the bench that are in force."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple


class Given(NamedTuple):
    """The value of one option, and where it came from."""

    name: str
    value: str
    source: str


@dataclass(frozen=True, slots=True)
class BenchOptions:
    """The options in force: command line over environment over ini file over default."""

    bench: str
    rig: str
    out: Path
    seed: int
    resources: dict[str, str]  # role -> override, only those given
    pool: Path | None = None
    preflight: str = "auto"
    until: str = ""
    firmware: Path | None = None
    build: str = ""
    attended: bool = False
    commit: str = ""
    search: str = ""
    index: str = ""
    operator: str = ""
    environment: Mapping[str, str] = field(default_factory=dict)
    resume: Path | None = None
    settings: tuple[Given, ...] = ()  # all of them, as given
