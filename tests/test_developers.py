"""What the page for developers names is there."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def named() -> Iterator[tuple[str, str]]:
    """Every path between backquotes, and the folder of the one before it on its line.

    After another file of its folder ``hil/store/reading.py`` may be called ``reading.py``.
    """
    for line in PAGE.splitlines():
        folder = ""
        for word in re.findall(r"`([^` ]+)", line):
            if re.match(r"(hil|ci|tests|testplans)/", word):
                folder = word.rpartition("/")[0]
                yield word, ""
            elif re.search(r"\w\.(py|md|yaml|h|json)$", word) and "/" not in word:
                yield word, folder


def there(word: str, folder: str) -> bool:
    tops = [folder] if folder else ["hil", "tests", "testplans"]
    return any(ROOT.glob(word)) or any(any(ROOT.glob(f"{top}/**/{word}")) for top in tops)


def test_a_file_that_is_not_there_is_noticed() -> None:
    assert there("hil/bench/lease.py", "")
    assert there("lease.py", "hil/bench")
    assert not there("lost.py", "hil/bench")
    assert not there("hil/bench/lost.py", "")


def test_every_file_and_folder_is_there() -> None:
    found = list(named())
    assert len(found) > 60
    lost = [word for word, folder in found if not there(word, folder)]
    assert lost == []


def test_the_layers_are_those_that_are_checked() -> None:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    contracts = settings["tool"]["importlinter"]["contracts"]
    (layers,) = (one["layers"] for one in contracts if one["type"] == "layers")
    table = PAGE.partition("## Layers")[2].partition("\n## ")[0]
    told = [
        re.findall(r"`([^`]+)`", cell) for cell in re.findall(r"^\| (`hil[^|]+)\|", table, re.M)
    ]
    assert told == [layer.split(" | ") for layer in layers]


def test_files_and_packages_may_not_stand_in_a_circle() -> None:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    contracts = settings["tool"]["importlinter"]["contracts"]
    (acyclic,) = (one for one in contracts if one["type"] == "acyclic_siblings")
    assert acyclic["ancestors"] == ["hil"]
    assert not set(acyclic) & {"ignore_imports", "skip_descendants", "depth"}
