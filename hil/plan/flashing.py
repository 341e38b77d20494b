"""The programs that put firmware onto a board: which words they may take, and where they are."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from hil.plan.rig import Flash, Rig
from hil.plan.source import Source, Where, tidy

#: What stands in place of what is only known when it is run.
AT_RUN = ("image", "board")
FOLDER = "folder"  # of the file that names the program
_PLACEHOLDER = re.compile(r"\{(\w*)\}")


def check_flash(rig: Rig) -> Iterator[tuple[Where, str]]:
    """What is wrong with them, and where; a word that nothing takes the place of is a slip."""
    flash = rig.board.flash
    if flash is None:
        return
    known = (*AT_RUN, FOLDER)
    for name, words in (("command", flash.command), ("build", flash.build)):
        for number, word in enumerate(words):
            for found in _PLACEHOLDER.findall(word):
                if found not in known:
                    expected = ", ".join(f"{{{one}}}" for one in known)
                    yield (
                        ("board", "flash", name, number),
                        f"board.flash.{name}: expected one of {expected}, found {{{found}}}",
                    )
    if not any("{image}" in word for word in flash.command):
        yield (
            ("board", "flash", "command"),
            "board.flash.command: expected {image} in one of its words: what goes onto the board "
            "would not be the file whose SHA-256 is recorded",
        )


def placed(flash: Flash, source: Source) -> Flash:
    """The same with programs where they are, whatever folder pytest is called in.

    A program named with a slash is relative to the file that names it, as every other path in it.
    """
    return flash.model_copy(
        update={
            name: _placed(words, Path(source.position(("board", "flash", name)).file).parent)
            for name, words in (("command", flash.command), ("build", flash.build))
            if words
        }
    )


def _placed(words: tuple[str, ...], folder: Path) -> tuple[str, ...]:
    here = str(tidy(folder.absolute()))
    program, *arguments = (word.replace(f"{{{FOLDER}}}", here) for word in words)
    if "/" in program and not program.startswith("{"):
        program = str(tidy(Path(here) / program))
    return (program, *arguments)
