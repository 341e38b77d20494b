from __future__ import annotations

import json
from pathlib import Path

import pytest

from hil.cli.main import main
from hil.measures.catalogue import KINDS, definitions


def _run(*arguments: str) -> int:
    with pytest.raises(SystemExit) as left:
        main(["measures", *arguments])
    return int(left.value.code or 0)


def _said(text: str) -> str:
    return " ".join(text.split())


@pytest.fixture(autouse=True)
def width(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")


def test_every_measure_is_told_with_unit_definition_and_source(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert _run() == 0
    out = capsys.readouterr().out
    assert max(len(line) for line in out.splitlines()) <= 80
    said = _said(out)
    for kind in KINDS:
        for definition in definitions(kind).values():
            unit = "" if definition.unit == "1" else f" ({definition.unit})"
            assert f"{definition.name}{unit} {_said(definition.text)}" in said
            assert f"Source: {definition.source}." in said


def test_what_every_kind_shares_is_told_once(capsys: pytest.CaptureFixture[str]) -> None:
    _run()
    lines = capsys.readouterr().out.splitlines()
    assert sum(line.strip().startswith("speed-disagreement") for line in lines) == 1
    assert [line.rstrip() for line in lines if line and not line.startswith(" ")] == [
        *KINDS,
        "every kind",
    ]


def test_one_kind_is_told_with_all_its_measures(capsys: pytest.CaptureFixture[str]) -> None:
    assert _run("--kind", "stall") == 0
    out = capsys.readouterr().out
    for name in definitions("stall"):
        assert f"  {name}" in out
    assert "time-to-speed" not in out


def test_an_unknown_kind_is_refused_with_the_known_ones(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert _run("--kind", "dance") == 2
    assert f"'dance' is no kind of scenario, there are {', '.join(KINDS)}" in _said(
        capsys.readouterr().err
    )


def test_json_holds_the_definitions_whole(tmp_path: Path) -> None:
    assert _run("--json", str(tmp_path / "m.json")) == 0
    found = json.loads((tmp_path / "m.json").read_text())
    assert list(found) == list(KINDS)
    for kind in KINDS:
        assert [entry["name"] for entry in found[kind]] == list(definitions(kind))
        assert all(entry["text"] and entry["source"] for entry in found[kind])


@pytest.mark.parametrize("setting", [{"NO_COLOR": "1", "FORCE_COLOR": "1"}, {}])
def test_no_colour_where_none_is_wanted(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], setting: dict[str, str]
) -> None:
    for name in ("NO_COLOR", "FORCE_COLOR"):
        monkeypatch.delenv(name, raising=False)
    for name, value in setting.items():
        monkeypatch.setenv(name, value)
    _run("--kind", "start")
    assert "\x1b[3" not in capsys.readouterr().out


def test_lines_stay_readable_on_a_wide_screen(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "300")
    _run("--kind", "start")
    assert max(len(line) for line in capsys.readouterr().out.splitlines()) <= 100
