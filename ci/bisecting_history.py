"""A history of firmware that was never written: the example in C, changed a little every version.

Most versions change nothing that a motor could notice: a comment, a name, another way to write a
constant, a new build number. Some do not compile. One has a defect of the example's own table, and
so have all after it.
"""

from __future__ import annotations

import random
import re
import subprocess
from dataclasses import dataclass, field
from pathlib import Path

from hil.twin.defects import Defect, Edit, Macro
from hil.twin.library import INCLUDE, compiler

#: What the example's rig file defines.
DEFINES = {"LINK_TIMEOUT": "2.0f", "OVER_VOLTAGE": "40.0f", "OVER_CURRENT": "7.5f"}
#: Names of functions and variables that only one file knows, and what else they might be called.
NAMES = {
    "sensing.c": ("span", "look", "crossing", "rotor_is_ahead"),
    "control.c": ("short_windings", "start_ramp", "start_catching", "try_handover"),
    "serial.c": ("obey", "received", "whole", "set_stream"),
    "protect.c": ("too_hot", "watch_progress"),
    "port.c": ("every_millisecond", "command_legs"),
}
_CONSTANT = re.compile(r"(?<=#define )(\w+) (\d+\.\d+)f\b")


@dataclass(slots=True)
class History:
    """Versions 0 to `last`, each made on demand; the same for the same seed.

    Parameters
    ----------
    first_bad : from this version on `defect` is in it; nothing is with None.
    broken : share of the versions between the ends that do not compile.
    """

    sources: dict[str, str]
    last: int
    seed: int
    defect: Defect | None = None
    first_bad: int = 0
    broken: float = 0.03
    _steps: list[tuple[str, str, int]] = field(init=False, default_factory=list)
    broken_at: frozenset[int] = field(init=False, default=frozenset())

    def __post_init__(self) -> None:
        dice = random.Random(self.seed)
        files = sorted(name for name in self.sources if name.endswith(".c"))
        kinds = ("comment", "name", "constant", "blank")
        self._steps = [
            (dice.choice(kinds), dice.choice(files), dice.randrange(10**6))
            for _ in range(self.last)
        ]
        inside = range(1, self.last)
        self.broken_at = frozenset(v for v in inside if dice.random() < self.broken)

    def text(self, version: int) -> dict[str, str]:
        """The files of a version."""
        files = dict(self.sources)
        for kind, name, number in self._steps[:version]:
            if kind == "constant":
                files["config.h"] = _rewritten(files["config.h"], number)
            elif kind == "name":
                old = NAMES[name][number % len(NAMES[name])]
                found = re.search(rf"\b{old}(_v\d+)?\b", files[name])
                if found:
                    files[name] = re.sub(
                        rf"\b{re.escape(found[0])}\b", f"{old}_v{number}", files[name]
                    )
            elif kind == "comment":
                files[name] = f"/* Note {number}: reviewed, nothing to do. */\n{files[name]}"
            else:
                files[name] += "\n"
        if self.defect is not None and version >= self.first_bad:
            files = seeded(files, self.defect, self.sources)
        files["config.h"] = files["config.h"].replace("C0DE0001", f"C{version:07d}")
        if version in self.broken_at:
            files["port.c"] = files["port.c"].replace("drive_t drive;", "drive_t drive")
        return files

    def build(self, version: int, folder: Path) -> Path | None:
        """Compile a version; None if it does not compile."""
        home = folder / f"{version:04d}"
        library = home / "firmware.so"
        if not home.exists():
            home.mkdir(parents=True)
            for name, text in self.text(version).items():
                (home / name).write_text(text, encoding="utf-8")
            macros = dict(DEFINES)
            if self.defect is not None and version >= self.first_bad:
                macros |= {s.name: s.value for s in self.defect.seeds if isinstance(s, Macro)}
            command = [
                compiler() or "cc", "-std=c11", "-O1", "-fPIC", "-w", "-shared", f"-I{INCLUDE}",
                *(f"-D{name}={value}" for name, value in macros.items()),
                *(str(home / name) for name in sorted(self.sources) if name.endswith(".c")),
                "-lm", "-o", str(library),
            ]  # fmt: skip
            subprocess.run(command, capture_output=True, check=False, timeout=120)
        return library if library.exists() else None


def seeded(files: dict[str, str], defect: Defect, original: dict[str, str]) -> dict[str, str]:
    """The files with the edits of a defect made, whatever names have been changed meanwhile."""
    files = dict(files)
    for edit in defect.seeds:
        if not isinstance(edit, Edit):
            continue
        find, replace = edit.find, edit.replace
        for old in NAMES.get(edit.file, ()):
            now = re.search(rf"\b{old}(_v\d+)?\b", files[edit.file])
            if now and re.search(rf"\b{old}\b", original[edit.file]):
                find = re.sub(rf"\b{old}\b", now[0], find)
                replace = re.sub(rf"\b{old}\b", now[0], replace)
        files[edit.file] = Edit(edit.file, find, replace).applied(files[edit.file])
    return files


def _rewritten(config: str, number: int) -> str:
    """One constant written as another expression of exactly the same value."""
    found = list(_CONSTANT.finditer(config))
    if not found:
        return config
    one = found[number % len(found)]
    # Halving and doubling is exact in binary floating point.
    return f"{config[: one.start(2)]}(2.0f * {float(one[2]) / 2!r}f){config[one.end(2) + 1 :]}"


def example(folder: Path) -> dict[str, str]:
    """The sources and headers of a folder by name."""
    return {
        one.name: one.read_text(encoding="utf-8")
        for one in sorted(folder.iterdir())
        if one.suffix in (".c", ".h")
    }
