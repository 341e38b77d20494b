"""Alters dossiers and runs at random places and asks ``hil verify``; see ``ci/alterations``."""

from __future__ import annotations

import argparse
import json
import random
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from hil.report.dossier.verify import PUBLIC_KEY, verified
from hil.report.dossier.write import Wanted, make_dossier
from hil.store.sums import SIGNATURE, SUMS

ROOT = Path(__file__).parents[1]
PLAN = ROOT / "testplans" / "smoke.plan.yaml"
REQUIREMENTS = """\
format: 1
release: alterations
evidence: simulated-is-enough
requirements:
  - {id: START, text: The pump starts., verified-by: [{items: "start.*"}]}
"""
#: One alteration in so many is put to the command, and to sha256sum, in processes of their own.
BY_COMMAND = 50


@dataclass(frozen=True)
class Alteration:
    """What was done to which file, what was named first, and by whom else it was found."""

    folder: str  # dossier, run
    file: str
    kind: str  # byte, removed, added
    place: int
    named: str
    command: str = ""  # what `hil verify` named, where it was asked
    sha256sum: str = ""  # found, not found, where it was asked

    @property
    def found(self) -> bool:
        """The file was named first by whoever was asked."""
        return self.named == self.file and self.command in ("", self.file)


def simulated_run(out: Path) -> Path:
    """A run of the smoke plan on the simulated bench."""
    command = [
        sys.executable, "-m", "pytest", str(PLAN), "--hil-bench=twin", f"--hil-out={out}", "-q",
        "-p", "no:cacheprovider",
    ]  # fmt: skip
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"the smoke plan did not pass:\n{done.stdout}{done.stderr}")
    (run,) = out.iterdir()
    return run


def signed_dossier(run: Path, folder: Path) -> Path:
    """A signed dossier of `run` below `folder`."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import (
        Encoding,
        NoEncryption,
        PrivateFormat,
    )

    key = folder / "key.pem"
    pem = Ed25519PrivateKey.generate().private_bytes(
        Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()
    )
    key.write_bytes(pem)
    requirements = folder / "alterations.requirements.yaml"
    requirements.write_text(REQUIREMENTS)
    out = folder / "dossier"
    make_dossier(Wanted(requirements, [run], out, key=key), "2026-03-01T00:00:00.000Z")
    return out


def named_first(folder: Path) -> str:
    """The file that is named first, "" if the folder is said to be intact."""
    found = verified(folder)
    if found.checked.differences:
        return found.checked.differences[0].path
    return "" if found.signature_fits else SIGNATURE


def by_command(folder: Path) -> str:
    """The file that ``hil verify`` names first."""
    command = [sys.executable, "-m", "hil.cli.main", "verify", str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode == 6:
        return done.stdout.splitlines()[0].split("NOT intact: ")[1].split(": ")[0]
    return SIGNATURE if done.returncode == 7 else ""


def by_sha256sum(folder: Path) -> str:
    """Whether ``sha256sum`` alone finds it: a changed or missing file that the manifest lists."""
    command = ["sha256sum", "--check", "--strict", "--status", SUMS]
    return "found" if subprocess.run(command, cwd=folder, check=False).returncode else "not found"


class Alterer:
    """Alters one folder, over and over, and puts it back."""

    def __init__(self, folder: Path, name: str, generator: random.Random) -> None:
        self.folder, self.name, self.generator = folder, name, generator
        self._files = sorted(p for p in folder.rglob("*") if p.is_file())
        self._full = [p for p in self._files if p.stat().st_size]
        self._sizes = [p.stat().st_size for p in self._full]

    def byte(self, *, ask: bool) -> Alteration:
        """One byte of a file becomes another; large and small files get their turn."""
        pick = self.generator
        if pick.random() < 0.5:
            (path,) = pick.choices(self._full, self._sizes)
        else:
            path = pick.choice(self._full)
        content = path.read_bytes()
        place = pick.randrange(len(content))
        altered = bytearray(content)
        altered[place] ^= pick.randrange(1, 256)
        path.write_bytes(altered)
        try:
            return self._ask(path, "byte", place, ask=ask)
        finally:
            path.write_bytes(content)

    def removed(self) -> Alteration:
        """A file is gone; without its manifest or key a folder is another thing, so not those."""
        kept = (SUMS, "manifest.json", "record.jsonl", PUBLIC_KEY)
        path = self.generator.choice([p for p in self._files if p.parent != self.folder
                                      or p.name not in kept])  # fmt: skip
        content = path.read_bytes()
        path.unlink()
        try:
            return self._ask(path, "removed", 0, ask=False)
        finally:
            path.write_bytes(content)

    def added(self) -> Alteration:
        """A file too many, beside one that belongs there."""
        beside = self.generator.choice(self._files)
        path = beside.with_name(f"added-{self.generator.randrange(10**6)}{beside.suffix}")
        path.write_bytes(b"")
        try:
            return self._ask(path, "added", 0, ask=False)
        finally:
            path.unlink()

    def _ask(self, path: Path, kind: str, place: int, *, ask: bool) -> Alteration:
        file = path.relative_to(self.folder).as_posix()
        listed = self.name == "dossier" and file not in (SUMS, SIGNATURE)
        return Alteration(
            self.name,
            file,
            kind,
            place,
            named_first(self.folder),
            by_command(self.folder) if ask else "",
            by_sha256sum(self.folder) if ask and listed else "",
        )


def alter(folder: Path, count: int, seed: int) -> list[Alteration]:
    """`count` altered bytes, half of them in a signed dossier and half in a run, and a tenth as
    many removed and added files; `folder` is worked in.
    """
    run = simulated_run(folder / "runs")
    generator = random.Random(seed)
    alterers = [
        Alterer(signed_dossier(run, folder), "dossier", generator),
        Alterer(run, "run", generator),
    ]
    for one in alterers:
        if named := named_first(one.folder):
            raise SystemExit(f"the {one.name} is not intact to begin with: {named}")
    found: list[Alteration] = []
    for number in range(count):
        found.append(alterers[number % 2].byte(ask=number % BY_COMMAND < 2))
    for number in range(count // 10):
        one = alterers[number % 2]
        found += [one.removed(), one.added()]
    for one in alterers:
        if named := named_first(one.folder):
            raise SystemExit(f"the {one.name} was not put back: {named}")
    return found


def main(arguments: Sequence[str] | None = None) -> int:
    """Alter, say what was found, and return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args(arguments)
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        done = alter(Path(folder), options.count, options.seed)
    missed = [one for one in done if not one.found or one.sha256sum == "not found"]
    for kind in ("byte", "removed", "added"):
        mine = [one for one in done if one.kind == kind]
        print(f"{sum(one.found for one in mine)} of {len(mine)} found and named: {kind}")
    asked = [one for one in done if one.command]
    print(f"{sum(one.found for one in asked)} of {len(asked)} by hil verify as a command")
    summed = [one for one in done if one.sha256sum]
    print(f"{sum(one.sha256sum == 'found' for one in summed)} of {len(summed)} by sha256sum alone")
    for one in missed[:20]:
        print(f"MISSED {one}")
    if options.json is not None:
        facts = {
            "count": options.count,
            "seed": options.seed,
            "seconds": round(time.monotonic() - began, 1),
            "found": sum(one.found for one in done),
            "of": len(done),
            "missed": [asdict(one) for one in missed],
            "kinds": dict(Counter(one.kind for one in done)),
            "by-command": len(asked),
            "by-sha256sum": len(summed),
        }
        options.json.write_text(json.dumps(facts, indent=2) + "\n", encoding="utf-8")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
