"""Docstrings of the judging functions are contracts: they must say what the code does."""

from __future__ import annotations

import ast
import importlib
import inspect
import pkgutil
import re
from pathlib import Path

import pytest

import hil.verdicts

FOLDER = Path(hil.verdicts.__path__[0])
MODULES = sorted(module.name for module in pkgutil.iter_modules([str(FOLDER)]))


def _public(name: str) -> list[tuple[str, ast.FunctionDef]]:
    """Public functions and methods of public classes of a module, by their dotted name."""
    found = []
    for node in ast.parse((FOLDER / f"{name}.py").read_text()).body:
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
            found.append((node.name, node))
        elif isinstance(node, ast.ClassDef):
            found += [
                (f"{node.name}.{part.name}", part)
                for part in node.body
                if isinstance(part, ast.FunctionDef) and not part.name.startswith("_")
            ]
    return found


FUNCTIONS = [(name, *entry) for name in MODULES for entry in _public(name)]


#: The range of the only argument stands in the sentence itself.
SAID_IN_THE_TEXT = {"risk.guard_for_risk"}


def _raises_itself(node: ast.FunctionDef) -> bool:
    return any(isinstance(part, ast.Raise) for part in ast.walk(node))


@pytest.mark.parametrize("name", MODULES)
def test_a_module_says_what_it_is_for(name):
    module = importlib.import_module(f"hil.verdicts.{name}")
    assert module.__doc__
    assert len(module.__doc__.split()) >= 5


@pytest.mark.parametrize(
    ("module", "name", "node"), FUNCTIONS, ids=[f"{m}.{n}" for m, n, _node in FUNCTIONS]
)
def test_a_function_states_its_contract(module, name, node):
    text = ast.get_docstring(node)
    assert text, f"{module}.{name} has no docstring"
    if _raises_itself(node) and f"{module}.{name}" not in SAID_IN_THE_TEXT:
        assert re.search(r"^Raises\n-+$", text, re.MULTILINE), f"{module}.{name}: Raises is missing"
    arguments = {a.arg for a in (*node.args.args, *node.args.kwonlyargs)}
    section = re.search(r"^Parameters\n-+\n(.*?)(?=\n\n|\Z)", text, re.MULTILINE | re.DOTALL)
    for line in section[1].splitlines() if section else ():
        entry = re.match(r"([a-z_, 0-9]+) : ", line)
        for documented in entry[1].split(", ") if entry else ():
            assert documented in arguments, f"{module}.{name} has no argument {documented!r}"


@pytest.mark.parametrize("name", MODULES)
def test_a_frozen_type_documents_its_own_fields_only(name):
    module = importlib.import_module(f"hil.verdicts.{name}")
    for class_name, kind in inspect.getmembers(module, inspect.isclass):
        fields = getattr(kind, "__dataclass_fields__", None)
        if kind.__module__ != module.__name__ or fields is None:
            continue
        section = re.search(
            r"^Parameters\n-+\n(.*?)(?=\n\n|\Z)", inspect.getdoc(kind) or "", re.M | re.S
        )
        for line in section[1].splitlines() if section else ():
            entry = re.match(r"([a-z_, 0-9]+) : ", line)
            for documented in entry[1].split(", ") if entry else ():
                assert documented in fields, f"{class_name} has no field {documented!r}"


def test_no_judging_function_makes_its_own_generator():
    for name in MODULES:
        source = (FOLDER / f"{name}.py").read_text()
        drawn = re.search(r"np\.random\.(?!Generator)", source)
        assert drawn is None, f"{name} makes a generator; it must be an argument"
