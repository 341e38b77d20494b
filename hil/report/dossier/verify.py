"""Whether a dossier or a run is intact, in words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from hil.core.errors import StoreError
from hil.store.intact import Checked, check_run
from hil.store.reading import RECORD
from hil.store.signature import SignatureUnavailable, fits, same_key
from hil.store.sums import SIGNATURE, SUMS, check_sums

PUBLIC_KEY = "public-key.pem"

#: What came of the signature.
NONE, FITS, FITS_ENCLOSED, UNCHECKED, WRONG, ABSENT = (
    "none",
    "fits the key given",
    "fits the enclosed key",
    "not checked",
    "does not fit",
    "missing",
)


@dataclass(frozen=True, slots=True)
class Verified:
    """What `verified` found.

    Parameters
    ----------
    kind : dossier or run.
    signature : one of the words of this module.
    why : more about the signature.
    """

    folder: Path
    kind: str
    checked: Checked
    signature: str = NONE
    why: str = ""

    @property
    def signature_fits(self) -> bool:
        """Nothing speaks against the signature, as far as it could be checked."""
        return self.signature not in (WRONG, ABSENT)

    def lines(self, most: int) -> Iterator[str]:
        """What to print, at most so many differences; the first line is the summary."""
        checked = self.checked
        name = self.folder.resolve().name  # also of "."
        if checked.differences:
            first = checked.differences[0]
            yield f"{self.kind} {name}: NOT intact: {first}"
            for one in checked.differences[1:most]:
                yield f"  {one}"
            if len(checked.differences) > most:
                yield f"  and {len(checked.differences) - most} more"
        else:
            files = "file" if checked.files == 1 else "files"
            yield f"{self.kind} {name}: intact, {checked.files} {files}"
            yield f"  seal {checked.seal}"
        if checked.thinned:
            count = len(checked.thinned)
            yield f"  {count} traces of passing items were thinned, as thinned.jsonl says"
        if self.kind == "dossier":
            yield f"  signature: {self.signature}{': ' + self.why if self.why else ''}"


def verified(folder: Path, key: Path | None = None) -> Verified:
    """Look at a dossier, or at a run folder.

    `key` is the public key that the signature of a dossier must fit; without it, the one enclosed.

    Raises
    ------
    StoreError
        If it is neither, has no manifest, or cannot be read.
    SignatureUnavailable
        If a key was given and the optional library is missing.
    """
    if (folder / SUMS).is_file():
        return Verified(folder, "dossier", check_sums(folder), *_signature(folder, key))
    if (folder / RECORD).is_file():
        if key is not None:
            raise StoreError(f"{folder}: a run is not signed; a dossier of it can be")
        return Verified(folder, "run", check_run(folder))
    raise StoreError(f"{folder}: neither a dossier (no {SUMS}) nor a run folder (no {RECORD})")


def _signature(folder: Path, key: Path | None) -> tuple[str, str]:
    file, enclosed = folder / SIGNATURE, folder / PUBLIC_KEY
    if not file.is_file():
        if key is None and not enclosed.is_file():
            return NONE, "anyone who can write the folder could have made it anew"
        return ABSENT, f"there is no {SIGNATURE}"
    content, signature = (folder / SUMS).read_bytes(), file.read_bytes()
    if key is None:
        return _by_enclosed(content, signature, enclosed)
    if not fits(content, signature, key):
        return WRONG, f"it was not made with the key of {key.name} over this manifest"
    other = enclosed.is_file() and not same_key(key, enclosed)
    return FITS, f"{key.name}" + (", which is not the enclosed one" if other else "")


def _by_enclosed(content: bytes, signature: bytes, enclosed: Path) -> tuple[str, str]:
    if not enclosed.is_file():
        return UNCHECKED, "name the public key with --key"
    try:
        if not fits(content, signature, enclosed):
            return WRONG, f"it was not made with the key of {PUBLIC_KEY} over this manifest"
    except SignatureUnavailable as problem:
        return UNCHECKED, str(problem)
    except StoreError as problem:  # the enclosed key itself was altered
        return WRONG, str(problem)
    return FITS_ENCLOSED, "whose key that is, only --key with a key you trust can tell"
