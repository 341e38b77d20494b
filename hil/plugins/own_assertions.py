"""Whether a test has assertions of its own: what it judges without a band.

They are looked for in its source, since an assertion that held leaves no trace: in the test
function and in the functions of its project that it calls.
"""

from __future__ import annotations

import ast
import inspect
import textwrap
from collections.abc import Iterator
from pathlib import Path
from types import FunctionType, ModuleType
from typing import Any

import pytest

#: Calls that judge as an assert statement does; those that begin with `ASSERTING` as well.
JUDGING = ("raises", "fail")
ASSERTING = "assert"


def asserts(item: pytest.Item) -> bool:
    """Whether the test function of `item`, or a function of its own that it calls, asserts."""
    owner = getattr(item, "cls", None)
    left: list[Any] = [getattr(item, "function", None)]
    seen: set[FunctionType] = set()
    while left:
        function = left.pop()
        function = inspect.unwrap(function) if callable(function) else None
        if not isinstance(function, FunctionType) or function in seen or not _own(function, item):
            continue
        seen.add(function)
        tree = _parsed(function)
        if tree is None:
            continue
        if any(map(_judges, ast.walk(tree))):
            return True
        left += _called(tree, function, owner)
    return False


def _own(function: FunctionType, item: pytest.Item) -> bool:
    """Whether a function belongs to the project of the test, and not to a library."""
    file = Path(function.__code__.co_filename)
    roots = (item.path.parent, item.config.rootpath)
    within = any(file.is_relative_to(root) for root in roots)
    return within and "site-packages" not in file.parts and not _ours(function)


def _ours(function: FunctionType) -> bool:
    return function.__module__.partition(".")[0] == __name__.partition(".")[0]


def _parsed(function: FunctionType) -> ast.Module | None:
    try:
        return ast.parse(textwrap.dedent(inspect.getsource(function)))
    except (OSError, SyntaxError):  # made at run time, or part of an expression
        return None


def _judges(node: ast.AST) -> bool:
    if isinstance(node, ast.Assert):
        return True
    if not isinstance(node, ast.Call):
        return False
    name = _name(node.func)
    return name in JUDGING or name.startswith(ASSERTING)


def _name(called: ast.expr) -> str:
    if isinstance(called, ast.Attribute):
        return called.attr
    return called.id if isinstance(called, ast.Name) else ""


def _called(tree: ast.Module, function: FunctionType, owner: type | None) -> Iterator[Any]:
    """What a function calls, as far as its names tell."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        called = node.func
        if isinstance(called, ast.Name):
            yield function.__globals__.get(called.id)
        elif isinstance(called, ast.Attribute) and isinstance(called.value, ast.Name):
            place = function.__globals__.get(called.value.id)
            if isinstance(place, ModuleType):
                yield getattr(place, called.attr, None)
            elif called.value.id == "self":
                yield getattr(owner, called.attr, None)
