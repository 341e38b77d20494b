"""A release in the terminal: one line for a pipeline, then what is open, line by line."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from pathlib import Path

from hil.report.dossier.assess import Status
from hil.report.dossier.measured_words import summary
from hil.report.dossier.release import Release

_WIDTH = 80
_MOST = 20


def lines(release: Release, out: Path, seal: str) -> Iterator[str]:
    """The summary first, on one line however long; the rest fits 80 columns."""
    yield release.summary
    open_ones = [one for one in release.assessments if one.status is not Status.COVERED]
    open_ones.sort(key=lambda one: list(Status).index(one.status))
    for one in open_ones[:_MOST]:
        waiver = release.waiver_of(one)
        waived = f" (waived until {waiver.waiver.expires})" if waiver else ""
        yield from _wrapped(f"{one.status:<12} {one.requirement.id}{waived}: {one.reasons[0]}")
    if len(open_ones) > _MOST:
        yield f"  and {len(open_ones) - _MOST} more"
    for text in release.blocks:
        yield from _wrapped(f"{'finding':<12} {text}")
    for line in release.waivers:
        if line.standing != "holds":
            text = f"{line.waiver.requirement}: {line.standing}: {line.text}"
            yield from _wrapped(f"{'waiver':<12} {text}")
    for text in release.remarks:
        yield from _wrapped(f"{'to be known':<12} {text}")
    if release.changes:
        looser = sum("looser" in change.sense for change in release.changes)
        yield from _wrapped(
            f"{'changes':<12} {len(release.changes)} against the release before, {looser} of them "
            "looser"
        )
    if measured := summary(release.measured):
        yield from _wrapped(f"{'measured':<12} {measured}")
    if release.orphans:
        count = len(release.orphans)
        belong = "result belongs" if count == 1 else "results belong"
        text = f"{count} {belong} to no requirement"
        yield from _wrapped(f"{'orphans':<12} {text}")
    yield f"dossier: {out}"
    yield f"seal:    {seal}"


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(
        text, _WIDTH, initial_indent="  ", subsequent_indent=" " * 15, break_on_hyphens=False,
        break_long_words=False,
    )  # fmt: skip
