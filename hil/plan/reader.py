"""YAML text to plain values that remember where they stood.

A file becomes a tree of ordinary dicts, lists and scalars, and beside it the position of every key
and every value, so that any later complaint can point at the exact character. A rig file may be
`based-on` another one; positions then point into whichever file a value came from.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

from hil.core.errors import PlanError
from hil.plan.source import Position, Problem, Source, Where, describe, place, refuse, tidy

#: Nodes in one file. Aliases may repeat a node; far more than this is not a plan but an accident.
MOST_NODES = 100_000
#: Levels of nesting; a file that is deeper was not written by a person.
DEEPEST = 40


def read(path: Path) -> Source:
    """Read one YAML file (UTF-8, one document, a mapping at the top).

    Raises
    ------
    PlanError
        If the file cannot be read, is not UTF-8 or not YAML, or repeats a key.
    """
    name = str(path)
    node = _compose(name, _text(path))
    if node is None:
        raise PlanError("the file is empty", file=name, line=1, column=1)
    reader = _Reader(name)
    data = reader.value(node, ())
    if not isinstance(data, dict):
        reader.complain(node, f"expected keys and values at the top, found {describe(data)}")
    if reader.problems:
        raise refuse(reader.problems)
    return Source(name, (path,), data, reader.keys, reader.values)


def beside(path: Path, name: str) -> Path:
    """The file that a file names: relative to it."""
    return tidy(path.parent / name)


def read_based(
    path: Path,
    key: str = "based-on",
    *,
    find: Callable[[Path, str], Path] = beside,
    one_of: Mapping[Where, Sequence[str]] = MappingProxyType({}),
    _seen: tuple[Path, ...] = (),
) -> Source:
    """Read a file that may say ``based-on: other.yaml``: it then only states what differs.

    Mappings are merged key by key, everything else is replaced.

    Parameters
    ----------
    find : where the file is that a file names.
    one_of : place of a mapping -> keys there that say the same in different ways; a file that has
        one of them does not take another one over.

    Raises
    ------
    PlanError
        As `read`, and if files are based on each other in a circle.
    """
    own = read(path)
    base_name = own.data.get(key)
    if base_name is None:
        return own
    place = own.position((key,))
    if not isinstance(base_name, str):
        raise refuse([Problem(place, f"{key}: expected a file name, found {describe(base_name)}")])
    base_path = find(path, base_name)
    if base_path.resolve() in {seen.resolve() for seen in (*_seen, path)}:
        raise refuse([Problem(place, f"{key}: {base_name} is based on this file again")])
    if not base_path.is_file():
        raise refuse([Problem(place, f"{key}: there is no file {base_path}")])
    base = read_based(base_path, key, find=find, one_of=one_of, _seen=(*_seen, path))
    keys, values = dict(base.keys), dict(base.values)

    def drop(where: Where) -> None:
        for table in (keys, values):
            for below in [place for place in table if place[: len(where)] == where]:
                del table[below]

    def merge(old: object, new: object, where: Where) -> object:
        values[where] = own.values[where]
        if where in own.keys:
            keys[where] = own.keys[where]
        if isinstance(old, dict) and isinstance(new, dict):
            merged = dict(old)
            ways = one_of.get(where, ())
            if not new.keys().isdisjoint(ways):
                for name in (merged.keys() & set(ways)) - new.keys():
                    del merged[name]
                    drop((*where, name))
            for name, value in new.items():
                merged[name] = merge(old.get(name), value, (*where, name))
            return merged
        drop(where)
        for table, mine in ((keys, own.keys), (values, own.values)):
            table.update({p: at for p, at in mine.items() if p[: len(where)] == where})
        return new

    data = merge(base.data, {k: v for k, v in own.data.items() if k != key}, ())
    assert isinstance(data, dict)
    return Source(own.file, (*own.files, *base.files), data, keys, values)


def _text(path: Path) -> str:
    name = str(path)
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise PlanError(f"cannot be read: {error.strerror}", file=name) from error
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = raw[: error.start]
        column = error.start - (before.rfind(b"\n") + 1) + 1
        raise PlanError(
            f"expected UTF-8 text, found byte 0x{raw[error.start]:02x}",
            file=name,
            line=before.count(b"\n") + 1,
            column=column,
        ) from error


def _compose(name: str, text: str) -> Any:
    from ruamel.yaml.error import MarkedYAMLError, YAMLError
    from ruamel.yaml.reader import ReaderError

    for at, character in enumerate(text):
        if character < " " and character not in "\t\n\r":
            before = text[:at]
            raise PlanError(
                f"control character 0x{ord(character):02x} is not allowed",
                file=name,
                line=before.count("\n") + 1,
                column=at - before.rfind("\n"),
            )
    try:
        return _nodes(text)
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        said = _plainly(" ".join(part for part in (error.context, error.problem) if part))
        line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
        raise PlanError(f"not valid YAML: {said}", file=name, line=line, column=column) from error
    except ReaderError as error:
        before = text[: error.position]
        column = len(before) - before.rfind("\n")
        raise PlanError(
            f"not valid YAML: {error.reason}",
            file=name,
            line=before.count("\n") + 1,
            column=column,
        ) from error
    except (YAMLError, ValueError, RecursionError, AttributeError, IndexError) as error:
        # The parser fails in odd ways on some malformed texts; to the user they are all one thing.
        raise PlanError(f"not valid YAML: {error}", file=name, line=1, column=1) from error


#: What the parser says -> what to look for.
_PLAINLY = {
    "character '\\t'": "found a tab where spaces are to stand: YAML is indented by spaces alone",
    "expected <block end>": "the indentation is not that of the lines above it",
    "mapping values are not allowed here": "a key and a colon cannot stand here: look at the "
    "indentation, or put a text that has a colon in it in quotes",
    "could not find expected ':'": "expected a key with a colon behind it",
    "'<stream end>'": "the file ends within brackets that are not closed",
    "unexpected end of stream": "the file ends within quotes that are not closed",
}


def _plainly(said: str) -> str:
    return next((text for part, text in _PLAINLY.items() if part in said), said)


@lru_cache(maxsize=32)
def _nodes(text: str) -> Any:
    """The tree of a text. It is only looked at, so one that is read again need not be parsed again:
    sessions with many plans read the same rig, profile and plan many times, and slowly.
    """
    from ruamel.yaml import YAML

    return YAML(typ="safe", pure=True).compose(text)


def _integer(text: str) -> int:
    digits = text.replace("_", "")
    sign = digits[:1] if digits[:1] in "+-" else ""
    body = digits[len(sign) :].lower()
    base = {"0x": 16, "0o": 8, "0b": 2}.get(body[:2], 10)
    return int(sign + (body[2:] if base != 10 else body), base)


def _float(text: str) -> float:
    plain = text.replace("_", "").lower()
    number = float(plain.replace(".inf", "inf").replace(".nan", "nan"))
    if not math.isfinite(number):
        raise ValueError("expected a finite number")
    return number


def _date(text: str) -> date:
    return date.fromisoformat(text)


def _bool(text: str) -> bool:
    return text.lower() == "true"


_TAG = "tag:yaml.org,2002:"
_SCALARS: dict[str, Callable[[str], object]] = {
    "str": str,
    "int": _integer,
    "float": _float,
    "bool": _bool,
    "null": lambda _text: None,
    "timestamp": _date,
    "merge": str,
    "value": str,
}


_EXPECTED = {
    "int": "a whole number",
    "float": "a finite number",
    "timestamp": "a date such as 2027-03-31",
}


class _Reader:
    """Turns nodes into plain values and notes where they stood."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.keys: dict[Where, Position] = {}
        self.values: dict[Where, Position] = {}
        self.problems: list[Problem] = []
        self._count = 0

    def at(self, node: Any) -> Position:
        return Position(self.file, node.start_mark.line + 1, node.start_mark.column + 1)

    def complain(self, node: Any, text: str) -> None:
        self.problems.append(Problem(self.at(node), text))

    def value(self, node: Any, where: Where) -> Any:
        self.values[where] = self.at(node)
        self._count += 1
        if self._count > MOST_NODES or len(where) > DEEPEST:
            self.complain(node, "nested too deeply, or an alias repeats itself without end")
            raise refuse(self.problems)
        tag = str(node.tag or "")
        if node.id == "mapping" and tag == _TAG + "map":
            return self._mapping(node, where)
        if node.id == "sequence" and tag == _TAG + "seq":
            for index, item in enumerate(node.value):
                self.keys[(*where, index)] = self.at(item)
            return [self.value(item, (*where, i)) for i, item in enumerate(node.value)]
        convert = _SCALARS.get(tag.removeprefix(_TAG)) if tag.startswith(_TAG) else None
        if node.id != "scalar" or convert is None:
            self.complain(node, f"tags are not used in these files, found {tag!r}")
            return None
        try:
            return convert(node.value)
        except (ValueError, OverflowError):
            field = f"{place(where)}: " if where else ""
            expected = _EXPECTED.get(tag.removeprefix(_TAG), "a plain value")
            self.complain(node, f"{field}expected {expected}, found {node.value!r}")
            return None

    def _mapping(self, node: Any, where: Where) -> dict[str, Any]:
        result: dict[str, Any] = {}
        first: dict[str, Position] = {}
        for key_node, value_node in node.value:
            if key_node.id != "scalar":
                self.complain(key_node, "expected a name before the colon, found a list or mapping")
                continue
            name = str(key_node.value)
            if name in first:
                self.complain(
                    key_node,
                    f"{name!r} stands here a second time, first at line {first[name].line}",
                )
                continue
            first[name] = self.at(key_node)
            self.keys[(*where, name)] = first[name]
            result[name] = self.value(value_node, (*where, name))
        return result
