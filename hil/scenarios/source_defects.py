"""The table of defects that can be seeded into somebody's own firmware in C.

    format: 1
    defects:
      start-sluggish:                    # known: the same consequence as in the reference firmware
        defines: {SLOPE: 800.0f}
      dose-too-small:                    # one's own: says what it does and what must notice it
        consequence: The pump stops one turn early.
        tags: [stop]
        measures: [stop-time]
        edits:
          - {file: control.c, find: "turns >= wanted", replace: "turns + 1 >= wanted"}

Such a ``defects.yaml`` lies beside the sources that a rig file names.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from hil.core.errors import PlanError
from hil.plan.explain import validate
from hil.plan.firmware import MacroName, MacroValue
from hil.plan.model import Model, Text
from hil.plan.reader import read
from hil.plan.rig import Rig
from hil.plan.source import Problem, Source, refuse
from hil.twin.defects import DEFECTS, Defect, Edit, Macro
from hil.twin.defects.kinds import TOPICS

#: Name of the table in the folder of the first source.
TABLE = "defects.yaml"


class EditText(Model):
    """Words of a file and what comes in their place."""

    file: Text
    find: Text
    replace: str


class DefectText(Model):
    """One defect; the first four are for one that is not known yet, which needs three of them."""

    consequence: str = ""
    tags: tuple[str, ...] = ()
    measures: tuple[str, ...] = ()
    odds: Annotated[float, Field(gt=0.0, le=1.0)] = 1.0
    defines: dict[MacroName, MacroValue] = Field(default_factory=dict)
    edits: tuple[EditText, ...] = ()


class TableText(Model):
    """The whole file."""

    format: Literal[1]
    defects: Annotated[dict[Text, DefectText], Field(min_length=1)]


def table_of(rig: Rig) -> Path | None:
    """The table that lies beside the rig's own sources, or None."""
    if rig.firmware is None or not rig.firmware.sources:
        return None
    path = rig.firmware.sources[0].parent / TABLE
    return path if path.is_file() else None


def seeded_into(rig: Rig, table: Path | None = None) -> Mapping[str, Defect]:
    """The defects that can be seeded into the firmware of a rig, by name.

    Those of `table`, else of the one beside the rig's own sources, else of the reference firmware.

    Raises
    ------
    PlanError
        As `load_defects`; also if the rig has own firmware, and no table is to be found.
    """
    found = table or table_of(rig)
    if found is not None:
        return load_defects(found, rig)
    if rig.firmware is None:
        return DEFECTS
    raise PlanError(
        f"{rig.firmware.where}: what can be seeded into {rig.firmware.name} is not told: "
        f"expected a {TABLE} beside its sources",
        file=rig.firmware.position.file,
        line=rig.firmware.position.line,
    )


def load_defects(path: Path | str, rig: Rig) -> dict[str, Defect]:
    """The defects of a table by name, in its order, each held against the rig's sources.

    Raises
    ------
    PlanError
        If the rig has no firmware in C, or, with file, line and column, for every entry that is
        wrong: unknown keys, an edit that does not fit exactly once, a macro that changes
        nothing, a new name without consequence.
    """
    source = read(Path(path))
    table = validate(TableText, source)
    files = rig.firmware
    if files is None or not files.sources:
        raise PlanError(
            f"is for firmware in C, but the rig {rig.rig!r} names no sources", file=str(path)
        )
    texts = {
        one.name: one.read_text("utf-8", "surrogateescape")
        for one in (*files.headers, *files.sources)
    }
    problems: list[Problem] = []
    made = {}
    for name, told in table.defects.items():
        found = _problems(source, name, told, texts)
        problems += found
        if found:
            continue
        try:
            made[name] = _defect(name, told)
        except ValueError as error:
            problems.append(source.problem(("defects", name), str(error), key=True))
    if problems:
        raise refuse(problems)
    return made


def _defect(name: str, told: DefectText) -> Defect:
    seeds: tuple[Macro | Edit, ...] = (
        *(Macro(macro, value) for macro, value in told.defines.items()),
        *(Edit(edit.file, edit.find, edit.replace) for edit in told.edits),
    )
    known = DEFECTS.get(name)
    if known is not None:
        return Defect(name, known.consequence, seeds, known.tags, known.measures, known.odds)
    return Defect(name, told.consequence, seeds, told.tags, told.measures, told.odds)


def _problems(source: Source, name: str, told: DefectText, texts: dict[str, str]) -> list[Problem]:
    at = ("defects", name)
    found = []
    described = bool(told.consequence or told.tags or told.measures or told.odds != 1.0)
    if name in DEFECTS and described:
        found.append(
            source.problem(at, f"{name} is known: only defines and edits may be given", key=True)
        )
    missing = [key for key in ("consequence", "tags", "measures") if not getattr(told, key)]
    if name not in DEFECTS and missing:
        found.append(
            source.problem(
                at, f"{name} is not one that hil defects --list knows: expected "
                f"{', '.join(missing)} of it (of tags one at least of: {', '.join(TOPICS)})",
                key=True,
            )
        )  # fmt: skip
    for macro in told.defines:
        if why := _without_effect(macro, texts):
            found.append(source.problem((*at, "defines", macro), why, key=True))
    edited = dict(texts)
    for number, edit in enumerate(told.edits):
        where = (*at, "edits", number)
        if edit.file not in edited:
            found.append(
                source.problem((*where, "file"), f"there is no {edit.file} among "
                f"{', '.join(sorted(texts))}")
            )  # fmt: skip
            continue
        try:
            edited[edit.file] = Edit(edit.file, edit.find, edit.replace).applied(edited[edit.file])
        except ValueError as error:
            found.append(source.problem((*where, "find"), str(error)))
    return found


def _without_effect(macro: str, texts: Mapping[str, str]) -> str:
    """Why another value of a macro would change nothing: nobody would catch that; or ""."""
    using = re.compile(rf"\b{macro}\b")
    if not any(using.search(text) for text in texts.values()):
        return f"{macro} stands nowhere in {', '.join(sorted(texts))}"
    if any(re.search(rf"(?m)^[ \t]*#[ \t]*if.*\b{macro}\b", text) for text in texts.values()):
        return ""
    for name, text in texts.items():
        setting = re.search(rf"(?m)^[ \t]*#[ \t]*define[ \t]+{macro}\b", text)
        if setting is not None:
            line = text.count("\n", 0, setting.start()) + 1
            return (
                f"{name}:{line} defines {macro} whatever the compiler is told: expected "
                f"'#ifndef {macro}' around it, or an edit in place of the macro"
            )
    return ""
