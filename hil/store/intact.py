"""Whether a folder still is what its manifest says: the first altered, missing or added file."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from hil.core.errors import StoreError
from hil.store.hashing import Hashed, digest, entries_below
from hil.store.manifest import MANIFEST, THINNED, read_manifest
from hil.store.reading import RECORD

ALTERED, MISSING, ADDED = "altered", "missing", "added"
_THINNABLE = "traces/"


@dataclass(frozen=True, slots=True)
class Difference:
    """One file that is not as the manifest says, and what is wrong with it in a sentence."""

    path: str
    kind: str  # altered, missing, added
    text: str

    def __str__(self) -> str:
        return f"{self.path}: {self.kind}: {self.text}"


@dataclass(frozen=True, slots=True)
class Checked:
    """What came of a look at a folder.

    Parameters
    ----------
    seal : last link of the chain, "" if the manifest itself was altered.
    files : number of files that the manifest lists.
    differences : in the order of the manifest; the manifest itself first, added files last.
    thinned : traces that were thinned according to ``thinned.jsonl``.
    """

    seal: str
    files: int
    differences: tuple[Difference, ...] = ()
    thinned: tuple[str, ...] = ()

    @property
    def intact(self) -> bool:
        """Nothing was altered, is missing or was added."""
        return not self.differences


def compare(
    folder: Path,
    files: Sequence[Hashed],
    leave_out: Sequence[str],
    thinned: Mapping[str, Mapping[str, str | None]] | None = None,
) -> tuple[list[Difference], list[str]]:
    """Hold the files of `folder` against `files`; also the names of those that were thinned.

    A link or a device in the place of a file counts as altered, any other as added: what is behind
    it can change and is not read. `thinned` says of a file which hash it had, and to which (None:
    removed) it went from there.
    """
    names, odd = entries_below(folder)
    present, others = set(names) - set(leave_out), {one.path for one in odd}
    found: list[Difference] = []
    excused: list[str] = []
    for file in files:
        steps = (thinned or {}).get(file.path, {})
        if file.path in others:
            continue  # told below
        now = digest(folder / file.path) if file.path in present else None
        if now == file.sha256:
            continue
        if steps and _leads(steps, file.sha256, now):
            excused.append(file.path)
        elif now is None:
            found.append(Difference(file.path, MISSING, "the manifest lists it"))
        else:
            text = f"SHA-256 {now}, the manifest says {file.sha256}"
            if file.path == RECORD and _grew(folder / RECORD, file.sha256):
                text = "lines were added after the manifest: a resumed run without its end"
            found.append(Difference(file.path, ALTERED, text))
    listed = {file.path for file in files}
    for one in odd:
        kind = ALTERED if one.path in listed or one.path in leave_out else ADDED
        found.append(Difference(one.shown, kind, one.why))
    for name in sorted(present - listed, key=str.encode):
        found.append(Difference(name, ADDED, "the manifest does not list it"))
    return found, excused


def check_run(folder: Path) -> Checked:
    """Hold a run folder against its manifest.

    Raises
    ------
    StoreError
        If there is no manifest, or the folder cannot be read.
    """
    if not (folder / MANIFEST).is_file():
        raise StoreError(
            f"{folder}: no {MANIFEST}: the run did not come to its end, or is from before there "
            "were manifests; nothing shows whether it was altered"
        )
    try:
        manifest = read_manifest(folder)
    except StoreError as problem:
        text = str(problem).partition(": altered: ")[2] or str(problem)
        return Checked("", 0, (Difference(MANIFEST, ALTERED, text),))
    look = _Thinning()
    differences: list[Difference] = []
    if (folder / THINNED).is_file():
        look.read(folder / THINNED)
    named = {file.path for file in manifest.files}
    # Until the manifest is renewed the list itself is new, and no alteration.
    leave_out = (MANIFEST,) if THINNED in named else (MANIFEST, THINNED)
    if look.problem:
        differences.append(Difference(THINNED, ALTERED, look.problem))
    found, excused = compare(folder, manifest.files, leave_out, look.steps)
    return Checked(manifest.seal, len(manifest.files), (*differences, *found), tuple(excused))


@dataclass
class _Thinning:
    """What ``thinned.jsonl`` says: file -> old hash -> new hash, None for removed."""

    steps: dict[str, dict[str, str | None]] = field(default_factory=dict)
    problem: str = ""

    def read(self, path: Path) -> None:
        for number, line in enumerate(path.read_bytes().splitlines(), 1):
            try:
                entry: Any = json.loads(line)
                file, old, new = str(entry["file"]), str(entry["old"]), entry["new"]
            except (ValueError, KeyError, TypeError) as problem:
                self.problem = f"line {number} cannot be read: {problem}"
                return
            if not file.startswith(_THINNABLE):
                file = _THINNABLE + file
            self.steps.setdefault(file, {})[old] = None if new is None else str(new)


def _leads(steps: Mapping[str, str | None], old: str, now: str | None) -> bool:
    """Whether thinning led from the hash `old` to what is there now."""
    here: str | None = old
    for _ in range(len(steps)):
        if here is None or here not in steps:
            return False
        here = steps[here]
        if here == now:
            return True
    return False


def _grew(record: Path, old: str) -> bool:
    """Whether the record begins with lines whose hash is `old`."""
    found = hashlib.sha256()
    for line in record.read_bytes().splitlines(keepends=True):
        found.update(line)
        if found.hexdigest() == old:
            return True
    return False
