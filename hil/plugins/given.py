"""Where the value of an option comes from: command line, environment, ini file, default.

The first of these that says something holds.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence

import pytest

from hil.plugins.in_force import Given

COMMAND_LINE, DEFAULT = "command line", "default"
#: A password within a URL, as an index may have one.
_SECRET = re.compile(r"(://[^/@:]*:)[^/@]*@")


def variable(name: str) -> str:
    """The environment variable of an option."""
    return f"HIL_{name.upper()}"


def given(config: pytest.Config, name: str, default: str) -> Given:
    """The value of an option; an environment variable that is empty says nothing.

    Raises
    ------
    pytest.UsageError
        If its value in the ini file is of another type.
    """
    option = config.getoption(f"hil_{name}")
    if option is not None:
        return Given(name, str(option), COMMAND_LINE)
    if value := os.environ.get(variable(name)):
        return Given(name, value, f"environment {variable(name)}")
    ini = _from_ini(config, f"hil_{name}")
    if ini is None:
        return Given(name, default, DEFAULT)
    return Given(name, str(ini), _file(config, name))


def _file(config: pytest.Config, name: str) -> str:
    overridden = config.getoption("override_ini") or ()
    if any(one.partition("=")[0].strip() == f"hil_{name}" for one in overridden):
        return f"{COMMAND_LINE} (-o)"
    return config.inipath.name if config.inipath is not None else "ini file"


def _from_ini(config: pytest.Config, name: str) -> object:
    try:
        return config.getini(name)
    except (ValueError, pytest.UsageError) as error:  # no number
        raise pytest.UsageError(f"{name}: {error}") from None


def shown(value: str) -> str:
    """A value without the password that may be in it."""
    return _SECRET.sub(r"\1***@", value)


def lines(settings: Sequence[Given], *, each: bool) -> Iterator[str]:
    """What to say of the options in force: what is no default, or every option."""
    told = [one for one in settings if each or one.source != DEFAULT]
    if each:
        width = max(len(one.name) for one in told)
        yield "hil settings, each with where it comes from:"
        yield from (f"  {one.name:<{width}}  {one.value or 'none'}  ({one.source})" for one in told)
    elif told:
        yield "hil settings: " + ", ".join(
            f"{one.name} {one.value or 'none'} ({one.source})" for one in told
        )
