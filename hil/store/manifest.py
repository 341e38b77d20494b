"""The manifest of a run folder: hashes of its files, written when the run has come to its end.

It shows that something changed, never who changed it: whoever can write the folder can write a new
manifest. What is derived from the record (page, table, JUnit) may be derived again, and traces of
passing items may be thinned later; both are told from alteration.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from hil.core.errors import StoreError
from hil.store.atomic import replace_file
from hil.store.hashing import Hashed, chain, digest, hashes_below

MANIFEST = "manifest.json"
#: One line a thinned trace: {file, old, new or null, utc, rule}.
THINNED = "thinned.jsonl"
FORMAT = 1
#: What `hil report` writes; everything else in a run folder is original.
DERIVED = frozenset({"junit.xml", "measures.csv", "report.html", "plotly.min.js"})


@dataclass(frozen=True, slots=True)
class Manifest:
    """What `write_manifest` writes.

    Parameters
    ----------
    run : name of the run.
    utc : when it was written.
    former : SHA-256 of the manifest in whose place it stands, "" for the first one.
    files : in the order of their names.
    """

    run: str
    utc: str
    former: str
    files: tuple[Hashed, ...]

    @property
    def head(self) -> str:
        """What the chain begins with: the facts beside the files, in four lines."""
        return "".join(f"{text}\n" for text in (FORMAT, self.run, self.utc, self.former))

    def links(self) -> list[str]:
        """The chain; the last link is the seal."""
        return chain(self.head, self.files)

    @property
    def seal(self) -> str:
        """One hash that depends on everything."""
        return self.links()[-1]

    def text(self) -> str:
        """The file, always the same for the same content."""
        links = self.links()
        content = {
            "format": FORMAT,
            "run": self.run,
            "utc": self.utc,
            "former": self.former,
            "files": [
                {"path": file.path, "sha256": file.sha256, "chain": after}
                for file, after in zip(self.files, links[1:], strict=True)
            ],
            "seal": links[-1],
        }
        return json.dumps(content, indent=1) + "\n"


def write_manifest(folder: Path, utc: str) -> Manifest:
    """Hash every file of a run folder and write the manifest, in the place of a former one.

    Raises
    ------
    StoreError
        If a file cannot be read, or the manifest not be written.
    """
    files = hashes_below(folder, leave_out=(MANIFEST,))
    return _put(folder, files, utc)


def renew(folder: Path, names: Iterable[str], utc: str) -> Manifest | None:
    """Take new hashes of `names` into the manifest; every other file keeps the hash it had.

    For files that were derived anew, and for a list that grew: an alteration of anything else
    still shows. None without a manifest.

    Raises
    ------
    StoreError
        If the manifest was altered, a file cannot be read, or the manifest not be written.
    """
    if not (folder / MANIFEST).is_file():
        return None
    known = {file.path: file.sha256 for file in read_manifest(folder).files}
    for name in names:
        known.pop(name, None)
        if (folder / name).is_file():
            known[name] = digest(folder / name)
    ordered = sorted(known.items(), key=lambda entry: entry[0].encode())
    return _put(folder, [Hashed(*entry) for entry in ordered], utc)


def read_manifest(folder: Path) -> Manifest:
    """The manifest of a run folder.

    Raises
    ------
    StoreError
        If there is none, or a single character of it is not as it was written.
    """
    path = folder / MANIFEST
    try:
        content = path.read_bytes()
    except OSError as problem:
        raise StoreError(f"{path}: no readable manifest: {problem.strerror}") from problem
    try:
        found = json.loads(content)
        files = tuple(Hashed(str(one["path"]), str(one["sha256"])) for one in found["files"])
        manifest = Manifest(str(found["run"]), str(found["utc"]), str(found["former"]), files)
    except (ValueError, KeyError, TypeError, RecursionError) as problem:
        said = f"{type(problem).__name__}: {problem}"
        raise StoreError(f"{path}: altered: not a manifest: {said}") from problem
    if manifest.text().encode() != content:
        where = _broken_at(manifest, found)
        raise StoreError(f"{path}: altered: {where}")
    return manifest


def _broken_at(manifest: Manifest, found: dict[str, object]) -> str:
    stated = found["files"]
    assert isinstance(stated, list)
    links = manifest.links()
    for file, after, one in zip(manifest.files, links[1:], stated, strict=True):
        if one.get("chain") != after:
            return f"its chain breaks at {file.path}"
    return "its chain holds, but its text is not as it was written"


def _put(folder: Path, files: Sequence[Hashed], utc: str) -> Manifest:
    path = folder / MANIFEST
    former = hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""
    made = Manifest(folder.resolve().name, utc, former, tuple(files))
    replace_file(path, made.text().encode())
    return made
