"""What the pages for users tell people to type: commands, options, files, items, measures exist."""

from __future__ import annotations

import importlib
import re
import shlex
import tomllib
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from hil.cli.main import COMMANDS
from hil.measures.catalogue import KINDS, definitions
from hil.plugins.options import CHOICES, OPTIONS
from hil.plugins.plans import MARKS
from hil.scenarios.campaign_task import items_of

ROOT = Path(__file__).parents[1]
#: Page -> its text: the README, and what it leads on to.
PAGES = {
    path: path.read_text(encoding="utf-8")
    for path in (
        ROOT / "README.md",
        ROOT / "ci" / "README.md",
        ROOT / "testplans" / "RELEASE.md",
        *sorted((ROOT / "testplans").rglob("README.md")),
    )
}
README = PAGES[ROOT / "README.md"]
ALL = "\n".join(PAGES.values())


def typed(pages: str = ALL) -> Iterator[list[str]]:
    """The words of every command line in them: of indented blocks, and between backquotes."""
    text = pages.replace("\\\n", " ")
    lines = re.findall(r"^(?: {4}| {7})(\S.*)$", text, re.M) + re.findall(r"`([^`\n]+)`", text)
    for line in lines:
        if re.match(r"(hil|pytest|bash ci/|ci/|python -m ci)\b", line):
            yield shlex.split(line.split("  #")[0].split(" # ")[0])


def said(*words: str) -> list[tuple[str, ...]]:
    """What follows `words` on the command lines that begin with them."""
    count = len(words)
    return sorted({tuple(line[count:]) for line in typed() if tuple(line[:count]) == words})


def option(word: str) -> str:
    return word.partition("=")[0]


HIL = [(line[0], line[1:]) for line in said("hil") if line]
CI = sorted(
    {
        (name.removeprefix("ci/"), rest)
        for name, *rest_ in (line[1:] if line[0] == "bash" else line for line in typed())
        if name.startswith("ci/")
        for rest in [tuple(rest_)]
    }
)
PYTEST = sorted({*said("pytest"), *said("bash", "ci/nightly")})


def test_enough_is_found_to_be_worth_a_look() -> None:
    assert {line[1] for line in typed(README) if line[0] == "hil" and line[1:]} == set(COMMANDS)
    assert {"nightly", "test", "truth", "kills"} <= {name for name, _ in CI}
    assert len(PYTEST) > 10
    pages = {path.relative_to(ROOT).as_posix() for path in PAGES}
    assert {"README.md", "testplans/README.md", "testplans/rigs/README.md"} <= pages


@pytest.mark.parametrize(("name", "words"), HIL, ids=lambda part: str(part)[:60])
def test_a_command_exists_with_these_options(name: str, words: tuple[str, ...]) -> None:
    module, attribute, _ = COMMANDS[name]
    command: click.Command = getattr(importlib.import_module(module), attribute)
    known = {spelling for one in command.params for spelling in one.opts}
    assert {option(word) for word in words if word.startswith("-")} <= known


@pytest.mark.parametrize(("name", "words"), CI, ids=lambda part: str(part)[:60])
def test_a_script_exists_with_these_options(name: str, words: tuple[str, ...]) -> None:
    path = ROOT / "ci" / name
    assert path.exists()
    if not path.is_file() or path.suffix or not words or name in ("nightly", "test"):
        return  # a folder or a page; or what follows is for pytest
    (module,) = re.findall(r"-m (ci\.\w+)", path.read_text(encoding="utf-8"))
    source = (ROOT / module.replace(".", "/")).with_suffix(".py")
    code = (source if source.is_file() else source.with_suffix("") / "__main__.py").read_text(
        "utf-8"
    )
    for word in words:
        if word.startswith("--"):
            assert f'"{option(word)}"' in code


@pytest.mark.parametrize("words", PYTEST, ids=lambda part: " ".join(part)[:60])
def test_pytest_knows_options_marks_and_files(words: tuple[str, ...]) -> None:
    for word in words:
        if word.startswith("--hil-"):
            assert option(word).removeprefix("--hil-") in OPTIONS
        if word.startswith("testplans"):
            assert (ROOT / word).exists()
    if "-m" in words:
        asked = words[words.index("-m") + 1]
        assert set(re.findall(r"\w+", asked)) - {"and", "or", "not"} <= set(MARKS)


def test_every_option_of_the_bench_is_told_and_no_other() -> None:
    assert set(re.findall(r"--hil-([a-z]+)", README)) == set(OPTIONS)
    assert set(re.findall(r"--hil-([a-z]+)", ALL)) == set(OPTIONS)


def test_values_of_options_are_those_there_are() -> None:
    for name, values in re.findall(r"`--hil-([a-z]+) ([a-z]+(?:\\\|[a-z]+)+)`", README):
        assert set(values.split("\\|")) == set(CHOICES[name])
    for name, value in re.findall(r"--hil-(bench|preflight|attended)=(\w+)", ALL):
        assert value in CHOICES[name]


def test_items_and_measures_that_are_named_exist() -> None:
    plan = str(ROOT / "testplans" / "nightly.plan.yaml")
    measures = {name for kind in KINDS for name in definitions(kind)}
    named = [words for name, words in HIL if name == "bisect" and "--item" in words]
    assert named
    for words in named:
        assert words[words.index("--item") + 1] in items_of(plan)
        assert words[words.index("--measure") + 1] in measures


def anchors(text: str) -> set[str]:
    """What a link can have behind its ``#``, one for each heading of a page."""
    return {
        re.sub(r"[^\w -]", "", one.lower()).replace(" ", "-")
        for one in re.findall(r"^#+ (.+)$", text, re.M)
    }


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_links_lead_somewhere(page: Path) -> None:
    found = re.findall(r"\]\(([^)#:]*)(?:#([^)]+))?\)", PAGES[page])
    assert found
    for link, anchor in found:
        target = (page.parent / link).resolve() if link else page
        assert target.exists(), link
        if anchor:
            assert anchor in anchors(target.read_text(encoding="utf-8")), f"{link}#{anchor}"


def test_the_readme_leads_on() -> None:
    assert len(re.findall(r"\]\(([^)#:]+)\)", README)) > 10
    for page in PAGES.keys() - {ROOT / "README.md"}:
        name = page.relative_to(ROOT).as_posix()
        folder = re.escape(name.removesuffix("/README.md"))
        assert re.search(rf"\]\({folder}(/README\.md)?[)#]", README), name


def test_extras_that_are_named_can_be_installed() -> None:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    named = set(re.findall(r"hil\[(\w+)\]", ALL))
    assert named
    assert named <= set(settings["project"]["optional-dependencies"])
