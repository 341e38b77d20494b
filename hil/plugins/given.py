"""Where the value of an option comes from: command line, environment, ini file, default.

The first of these that says something holds.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from textwrap import wrap

import pytest

from hil.plugins.in_force import Given

COMMAND_LINE, OVERRIDDEN, DEFAULT = "command line", "command line (-o)", "default"
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
        return OVERRIDDEN
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
    """What to say of the options in force: what nobody has typed and is no default, or all."""
    if each:
        width = max(len(one.name) for one in settings)
        yield "hil settings, each with where it comes from:"
        yield from (
            f"  {one.name:<{width}}  {one.value or 'none'}  ({one.source})" for one in settings
        )
        return
    told = [one for one in settings if one.source not in (COMMAND_LINE, OVERRIDDEN, DEFAULT)]
    if told:
        said = ", ".join(f"{one.name} {one.value or 'none'} ({one.source})" for one in told)
        yield from wrap(
            f"hil settings: {said}",
            80,
            subsequent_indent="  ",
            break_long_words=False,
            break_on_hyphens=False,
        )
