"""Which kind of file one is, so that one given in place of another is refused by its name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from hil.plan.source import Source, refuse


@dataclass(frozen=True, slots=True)
class FileKind:
    """A kind of file.

    Parameters
    ----------
    name : what it is, with its article.
    marks : keys at the top of which no file of another kind has one.
    used : the commands that take it, with ``{file}`` for its name.
    """

    name: str
    marks: tuple[str, ...]
    used: str


KINDS: Mapping[str, FileKind] = MappingProxyType({
    "plan": FileKind(
        "a plan",
        ("plan", "scenarios"),
        "'hil check {file}' looks it over, 'pytest {file}' runs it",
    ),
    "rig": FileKind(
        "a rig file",
        ("motor", "board", "limits", "regeneration", "based-on"),
        "'hil check {file}' looks it over, 'hil twin {file}' serves it simulated, "
        "'pytest PLAN --hil-rig {file}' runs a plan on it",
    ),
    "profile": FileKind(
        "a link profile",
        ("profile", "framing", "messages"),
        "'hil link {file} --port PORT' tries it, a rig file names it as board.profile",
    ),
    "requirements": FileKind(
        "a requirement file",
        ("release", "requirements"),
        "'hil qualify {file} RUN... --out DIR' takes it",
    ),
    "waivers": FileKind(
        "a waiver file",
        ("waivers",),
        "'hil qualify REQUIREMENTS RUN... --waivers {file}' takes it",
    ),
    "pool": FileKind("a pool file", ("pool",), "'pytest PLAN --hil-pool {file}' takes it"),
})  # fmt: skip


def kinds_of(source: Source) -> Iterator[str]:
    """The kinds of which the file has a mark; none or several if it is ill written."""
    for kind, about in KINDS.items():
        if any(mark in source.data for mark in about.marks):
            yield kind


def require_kind(source: Source, wanted: str) -> None:
    """Refuse a file that is of another kind; one that is of no kind to be seen may pass.

    Raises
    ------
    PlanError
        Naming what it is, what was expected, and which command takes it.
    """
    found = list(kinds_of(source))
    if not found or wanted in found:
        return
    about = KINDS[found[0]]
    used = about.used.replace("{file}", str(source.files[0]))
    text = f"expected {KINDS[wanted].name}, found {about.name}; {used}"
    raise refuse([source.problem((), text)])
