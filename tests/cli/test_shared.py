"""Options that several commands have are the same in each."""

from __future__ import annotations

import importlib
import json
from pathlib import Path

import click
import pytest

from hil.cli import shared
from hil.cli.main import COMMANDS
from hil.core.roles import ROLES


def commands() -> dict[str, click.Command]:
    return {
        name: getattr(importlib.import_module(module), attribute)
        for name, (module, attribute, _) in COMMANDS.items()
    }


def options_named(option: str) -> dict[str, click.Option]:
    """Command -> its option of that name."""
    return {
        name: one
        for name, command in commands().items()
        for one in command.params
        if isinstance(one, click.Option) and option in one.opts
    }


def test_every_command_writes_json_to_a_file_and_says_what() -> None:
    found = options_named("--json")
    assert set(found) == set(COMMANDS)
    for name, option in found.items():
        assert option.name == "json_file", name
        assert option.type is shared.NEW_FILE, name
        assert option.metavar == "FILE", name
        assert not option.required, name
        assert str(option.help).startswith("Write "), name


@pytest.mark.parametrize(
    ("option", "users"),
    [
        ("--database", {"drift", "index", "site"}),
        ("--evidence", {"drift", "site"}),
        ("--jobs", {"defects", "population"}),
        ("--scheduler", {"defects", "population"}),
    ],
)
def test_an_option_means_the_same_wherever_it_is(option: str, users: set[str]) -> None:
    found = options_named(option)
    assert users <= set(found)
    assert len({one.help for one in found.values()}) == 1
    assert len({(one.name, str(one.type), str(one.default)) for one in found.values()}) == 1


def test_a_rig_is_a_file_to_run_on_or_a_name_to_ask_for() -> None:
    found = options_named("--rig")
    files = {name for name, one in found.items() if one.type is shared.FILE}
    assert files == {"bands", "bisect", "check", "defects"}
    assert set(found) - files == {"drift", "site"}
    for users in (files, set(found) - files):
        assert len({found[name].help for name in users}) == 1


def test_campaigns_are_kept_below_runs() -> None:
    found = options_named("--out")
    for name in ("defects", "population"):
        assert found[name].default == shared.RUNS
        assert found[name].type is shared.NEW_FOLDER


def test_an_option_that_is_shared_is_spelled_out_nowhere_else() -> None:
    """A second spelling would let the two drift apart."""
    kinds = (
        shared.FILE, shared.FOLDER, shared.NEW_FILE, shared.NEW_FILE_OR_OUTPUT, shared.NEW_FOLDER,
    )  # fmt: skip
    for name, command in commands().items():
        for one in command.params:
            if isinstance(one.type, click.Path) and one.type not in kinds:
                # Only a place that may be a file as well as a folder has a type of its own.
                assert one.type.file_okay, (name, one.name)
                assert one.type.dir_okay, (name, one.name)


def test_every_instrument_can_be_checked_elsewhere_than_the_rig_file_says() -> None:
    for role in ROLES:
        assert "check" in options_named(f"--{role}")


def test_json_is_written_whole_and_ends_its_line(tmp_path: Path) -> None:
    file = tmp_path / "found.json"
    shared.write_json(file, {"speed": [2000.0, None], "unit": "°"})
    assert json.loads(file.read_text(encoding="utf-8")) == {"speed": [2000.0, None], "unit": "°"}
    assert file.read_text(encoding="utf-8").endswith("}\n")


def test_what_is_no_json_is_made_plain_or_refused(tmp_path: Path) -> None:
    file = tmp_path / "found.json"
    shared.write_json(file, {"at": tmp_path}, str)
    assert json.loads(file.read_text(encoding="utf-8")) == {"at": str(tmp_path)}
    with pytest.raises(TypeError):
        shared.write_json(file, {"at": tmp_path})
