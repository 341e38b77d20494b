"""Where in a test an error comes from."""

from __future__ import annotations

from pathlib import Path

import pytest

import hil

_HERE = Path(hil.__file__).parent


def place_of(error: BaseException, item: pytest.Item) -> str:
    """``garden/test_mine.py:10``: the innermost line of the test's own file; "" if there is none.

    If no line of that file is on the way, that of the project it belongs to, such as a conftest.
    """
    lines: list[tuple[Path, int]] = []
    step = error.__traceback__
    while step is not None:
        lines.append((Path(step.tb_frame.f_code.co_filename), step.tb_lineno))
        step = step.tb_next
    own = [line for line in lines if line[0] == item.path]
    near = [line for line in lines if _of_project(line[0], item.config.rootpath)]
    for file, number in reversed(own or near):
        return f"{_shown(file, item.config)}:{number}"
    return ""


def _of_project(file: Path, root: Path) -> bool:
    library = file.is_relative_to(_HERE) or "site-packages" in file.parts
    return file.is_relative_to(root) and not library


def _shown(file: Path, config: pytest.Config) -> Path:
    for folder in (config.invocation_params.dir, config.rootpath):
        if file.is_relative_to(folder):
            return file.relative_to(folder)
    return file
