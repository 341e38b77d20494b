"""A run that enters itself at its end. An index that fails must not cost the run anything."""

from __future__ import annotations

from pathlib import Path

from hil.core.errors import StoreError
from hil.core.record import Note
from hil.ports.clock import utc_now
from hil.store.folder import RunFolder


def enter_at_end(folder: Path, place: str) -> str:
    """Enter a complete run folder into the index at `place`; returns why it could not be, or "".

    Never raises: what went wrong is kept as a note in the record, after its last line.
    """
    try:
        trouble = _enter(folder, place)
    except Exception as problem:  # whatever it is, the run is whole without the index
        trouble = " ".join(str(problem).split()) or type(problem).__name__
    if trouble:
        text = f"not entered into the index: {trouble}"
        try:
            with RunFolder.reopen(folder) as opened:
                opened.append(Note(utc=utc_now(), text=text, level="warning"))
        except StoreError as problem:  # a full disk; the terminal says both
            trouble = f"{trouble}; nor could that be noted: {problem}"
    return trouble


def _enter(folder: Path, place: str) -> str:
    from hil.store.index.index import open_index

    with open_index(place) as index:
        report = index.add(folder)
    return "; ".join(found.reason for found in (*report.unreadable, *report.altered))
