"""The grammar of SCPI-1999 over IEEE 488.2: program messages in, commands out.

A program message is a list of units split at ``;``. A unit is a header (``VOLTage:PROTection?``)
and parameters split at ``,``. Headers are looked up in a `CommandTree`; a header without a leading
``:`` continues at the level of the header before it. Anything wrong is a `ScpiError` with the
standard's number. What is refused: words between short and long form, and empty units.

Sources: IEEE 488.2 clause 7 (listening formats), SCPI-1999 volume 1 chapters 6 and 7 (headers,
parameters), volume 2 chapter 21.8 (error numbers).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

#: Standard texts of the errors used here (SCPI-1999 volume 2, 21.8.9 to 21.8.12).
TEXTS = {
    0: "No error",
    -101: "Invalid character",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -111: "Header separator error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -128: "Numeric data not allowed",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -141: "Invalid character data",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -161: "Invalid block data",
    -168: "Block data not allowed",
    -171: "Invalid expression",
    -178: "Expression data not allowed",
    -200: "Execution error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -300: "Device-specific error",
    -310: "System error",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
}
#: White space of IEEE 488.2, 7.4.1.2: all control characters but new line, and space.
WHITE = "".join(map(chr, (*range(10), *range(11, 33))))

_WORD = re.compile(r"[A-Za-z][A-Za-z0-9_]*", re.A)
_PATTERN = re.compile(r"(\[)?:?(\*?[A-Za-z]+):?(\])?:?", re.A)
LONGEST_WORD = 12  # IEEE 488.2, 7.6.1.4.1
_REMEMBERED = 256  # units whose meaning is kept

Converter = Callable[[str], Any]


class ScpiError(Exception):
    """An error or event for the queue: the standard's number and what it is about."""

    def __init__(self, code: int, info: str = "") -> None:
        self.code, self.info = code, info
        super().__init__(f"{code} {TEXTS.get(code, '')} {info}")


def split(text: str, separator: str) -> list[str]:
    """Split at `separator`, but not inside strings, parentheses and definite-length blocks.

    Raises
    ------
    ScpiError
        -151, -171 or -161 for a string, expression or block that does not end.
    """
    if not any(mark in text for mark in "\"'()#"):
        return text.split(separator)
    parts, start, at, depth = [], 0, 0, 0
    while at < len(text):
        letter = text[at]
        if letter in "\"'":
            at = text.find(letter, at + 1)
            if at < 0:
                raise ScpiError(-151, "string does not end")
        elif letter == "(":
            depth += 1
        elif letter == ")":
            depth -= 1
            if depth < 0:
                raise ScpiError(-171, "')' without '('")
        elif letter == "#" and text[at + 1 : at + 2].isdecimal():
            at = _block_end(text, at)
        elif letter == separator and not depth:
            parts.append(text[start:at])
            start = at + 1
        at += 1
    if depth:
        raise ScpiError(-171, "'(' without ')'")
    return [*parts, text[start:]]


def _block_end(text: str, at: int) -> int:
    """Index of the last character of the block that starts at `at` (IEEE 488.2, 7.7.6)."""
    if text[at + 1] == "0":
        return len(text)
    size = text[at + 2 : at + 2 + int(text[at + 1], 10)]
    if not (size.isascii() and size.isdecimal() and len(size) == int(text[at + 1])):
        raise ScpiError(-161, "bad length")
    end = at + 1 + len(size) + int(size)
    if end >= len(text):
        raise ScpiError(-161, "shorter than its length says")
    return end


@dataclass(frozen=True, slots=True)
class Command:
    """What one header does: `run` gets the converted parameters and returns a reply or None."""

    pattern: str
    run: Callable[..., str | None]
    parameters: tuple[Converter, ...] = ()
    required: int = 0

    def convert(self, text: str) -> list[Any]:
        """Typed parameters from the text behind the header; `ScpiError` if they do not fit."""
        found = [part.strip(WHITE) for part in split(text, ",")] if text.strip(WHITE) else []
        if len(found) > len(self.parameters):
            raise ScpiError(-108, f"{self.pattern} takes {len(self.parameters)}")
        if len(found) < self.required:
            raise ScpiError(-109, f"{self.pattern} takes {self.required}")
        return [convert(part) for convert, part in zip(self.parameters, found, strict=False)]


@dataclass(slots=True)
class _Node:
    children: dict[str, _Node] = field(default_factory=dict)
    command: str = ""  # the header as it was written
    query: str = ""


#: Header as it was written, text of the parameters, level at which the next header continues.
_Found = tuple[str, str, tuple[str, ...]]


class _Headers:
    """The headers of a kind of instrument, and what the units asked for so far came to.

    Raises
    ------
    ValueError
        If two headers are the same, or two words have the same short form.
    """

    def __init__(self, patterns: tuple[str, ...]) -> None:
        self._root = _Node()
        self._known: dict[tuple[str, tuple[str, ...]], _Found] = {}
        for pattern in patterns:
            self._add(pattern)

    def _add(self, pattern: str) -> None:
        query = pattern.endswith("?")
        nodes = {id(self._root): self._root}
        for bracket, word, _ in _parts(pattern.removesuffix("?")):
            deeper = {}
            for node in nodes.values():
                child = _child(node, word)
                deeper[id(child)] = child
            nodes = {**nodes, **deeper} if bracket else deeper
        for node in nodes.values():
            if node.query if query else node.command:
                raise ValueError(f"{pattern}: the header exists already")
            if query:
                node.query = pattern
            else:
                node.command = pattern

    def find(self, unit: str, path: tuple[str, ...]) -> _Found:
        """See `CommandTree.find`."""
        known = self._known.get((unit, path))
        if known is not None:  # clients ask the same again and again
            return known
        found = self._search(unit, path)
        if len(self._known) < _REMEMBERED:
            self._known[unit, path] = found
        return found

    def _search(self, unit: str, path: tuple[str, ...]) -> _Found:
        header, _, rest = _first_word(unit)
        query = header.endswith("?")
        bare = header.removesuffix("?")
        if "?" in bare:
            raise ScpiError(-111, header)
        if bare.startswith("*"):
            if not _WORD.fullmatch(bare[1:]):
                raise ScpiError(-101 if bare[1:] else -102, header)
            words: tuple[str, ...] = (bare.upper(),)
            onward = path  # common commands leave the level alone
        else:
            words = (*(() if bare.startswith(":") else path), *_words(bare, header))
            onward = words[:-1]
        node = self._root
        for word in words:
            node = _step(node, word, header)
        pattern = node.query if query else node.command
        if not pattern:
            raise ScpiError(-113, header)
        return pattern, rest, onward


@lru_cache(maxsize=64)
def _headers(patterns: tuple[str, ...]) -> _Headers:
    """Every simulated bench has instruments of the same few kinds: their headers are shared."""
    return _Headers(patterns)


class CommandTree:
    """All headers of one instrument, and what it does at each."""

    def __init__(self) -> None:
        self._commands: dict[str, Command] = {}
        self._headers: _Headers | None = None  # until the next one is added

    @property
    def patterns(self) -> tuple[str, ...]:
        """The headers as they were written."""
        return tuple(self._commands)

    def add(
        self,
        pattern: str,
        run: Callable[..., str | None],
        *parameters: Converter,
        optional: int = 0,
    ) -> None:
        """Add a header written as in the standard: capitals are the short form, ``[ ]`` may be
        left out.

        The last `optional` of the parameters may be missing. ValueError for a header written as
        another; one that could be taken for another is refused when the first one is looked up.
        """
        if pattern in self._commands:
            raise ValueError(f"{pattern}: the header exists already")
        self._commands[pattern] = Command(pattern, run, parameters, len(parameters) - optional)
        self._headers = None

    def find(self, unit: str, path: tuple[str, ...]) -> tuple[Command, str, tuple[str, ...]]:
        """Command, text of its parameters, and the level at which the next header continues.

        Raises
        ------
        ScpiError
            For a header that is malformed or that this instrument does not know.
        """
        if self._headers is None:
            self._headers = _headers(self.patterns)
        pattern, rest, onward = self._headers.find(unit, path)
        return self._commands[pattern], rest, onward


def _first_word(unit: str) -> tuple[str, str, str]:
    text = unit.strip(WHITE)
    if not text:
        raise ScpiError(-102, "empty message unit")
    for at, letter in enumerate(text):
        if letter in WHITE:
            return text[:at], letter, text[at + 1 :]
    return text, "", ""


def _words(bare: str, header: str) -> tuple[str, ...]:
    words = bare.removeprefix(":").split(":")
    for word in words:
        if not word:
            raise ScpiError(-102, header)
        if not _WORD.fullmatch(word):
            raise ScpiError(-101, header)
        if len(word) > LONGEST_WORD:
            raise ScpiError(-112, header)
    return tuple(word.upper() for word in words)


@lru_cache(maxsize=4096)
def _parts(header: str) -> tuple[tuple[str, str, str], ...]:
    """Opening bracket, word and closing bracket of each node of a header."""
    return tuple(_PATTERN.findall(header))


@lru_cache(maxsize=4096)
def short_form(word: str) -> str:
    """The capitals of a word as written in a pattern, e.g. ``VOLT`` of ``VOLTage``."""
    return "".join(letter for letter in word if not letter.islower())


def _child(node: _Node, word: str) -> _Node:
    whole = word.upper()
    child = node.children.get(whole)
    if child is None:
        child = node.children[whole] = _Node()
    if node.children.setdefault(short_form(word), child) is not child:
        raise ValueError(f"{word}: its short form belongs to another word")
    return child


def _step(node: _Node, word: str, header: str) -> _Node:
    child = node.children.get(word)
    if child is not None:
        return child
    base = word.rstrip("0123456789")
    child = node.children.get(base)
    if child is None or base == word:
        raise ScpiError(-113, header)
    if int(word[len(base) :]) != 1:  # every node exists once
        raise ScpiError(-114, header)
    return child
