"""The frame of every page: style, scripts, navigation, stamp, cautions."""

from __future__ import annotations

import functools
import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, replace
from importlib.resources import files
from typing import Any

from jinja2 import Environment

from hil.report.markup import CAUTIONS, environment, style, template_text
from hil.report.site import words
from hil.report.site.views import Strand

_TEMPLATES = "hil.report.site.templates"
OVERVIEW, ITEMS, RUNS = "index.html", "items.html", "runs.html"
COMPARE, DEFECTS, POPULATION = "compare.html", "defects.html", "population.html"
STYLE, SCRIPT, COMPARE_SCRIPT = "site.css", "site.js", "compare.js"


@dataclass(frozen=True, slots=True)
class Page:
    """What the frame needs to know of a page.

    Parameters
    ----------
    here : its path from the root of the site.
    rooms : name and path of the pages that the navigation offers.
    simulated, mixed : whether any, and only a part, of its evidence is simulated.
    """

    here: str
    rooms: tuple[tuple[str, str], ...]
    simulated: bool
    mixed: bool = False
    cautions: tuple[str, ...] = CAUTIONS

    @property
    def root(self) -> str:
        """Relative path from the page to the root of the site."""
        return "../" * self.here.count("/")


def page_of(here: str, rooms: tuple[tuple[str, str], ...], strands: Iterable[Strand]) -> Page:
    """The frame of a page that shows evidence of `strands`."""
    kinds = {strand.simulated for strand in strands}
    return Page(here, rooms, simulated=True in kinds, mixed=kinds == {True, False})


def render(template: str, page: Page, **values: Any) -> bytes:
    """A page as UTF-8; what UTF-8 cannot hold is replaced.

    Of a template its blocks count, what is defined outside of them does not: the frame around them
    is made once for all pages.
    """
    found = templates().get_template(template)
    context = found.new_context({**values, "page": page, "parts": _parts()})
    parts = []
    for block, before in zip((*_BLOCKS, None), _frame(_place(page)), strict=True):
        parts.append(before)
        if block in found.blocks:
            parts += found.blocks[block](context)
    return "".join(parts).encode("utf-8", "replace")


#: What the frame leaves to its pages, in this order.
_BLOCKS = ("title", "scripts", "content")
#: Stands for one of them; no text of a page has it.
_GAP = "\0"


def _place(page: Page) -> Page:
    """The page as far as its frame is concerned: few pages differ."""
    if any(page.here == link for _, link in page.rooms):
        return page
    return replace(page, here="/" * page.here.count("/"))


@functools.lru_cache(maxsize=64)
def _frame(page: Page) -> tuple[str, ...]:
    """What stands before, between and after `_BLOCKS`."""
    gaps = "".join(f"{{% block {name} %}}{_GAP}{{% endblock %}}" for name in _BLOCKS)
    text = f'{{% extends "base.html.j2" %}}{gaps}'
    return tuple(templates().from_string(text).render(page=page).split(_GAP))


@functools.cache
def _parts() -> Any:
    """The pieces that several pages use."""
    return templates().get_template("parts.html.j2").module


def assets() -> dict[str, bytes]:
    """Files that all pages share: path from the root of the site -> content."""
    return {
        STYLE: (style() + template_text(_TEMPLATES, "site.css")).encode(),
        SCRIPT: template_text(_TEMPLATES, "site.js").encode(),
    }


def compare_script() -> bytes:
    """The script of the comparison; numbers are unpacked as in the report of a run."""
    unpack = template_text("hil.report.templates", "unpack.js")
    return (unpack + template_text(_TEMPLATES, "compare.js")).encode()


@functools.cache
def edition() -> str:
    """Fingerprint of everything pages are made by: another one means that all are made anew."""
    digest = hashlib.sha256()
    for package in (
        "hil.report",
        _TEMPLATES.rpartition(".")[0],
        _TEMPLATES,
        "hil.report.templates",
    ):
        for file in sorted(files(package).iterdir(), key=lambda one: one.name):
            if file.name.endswith((".py", ".css", ".js", ".j2")):
                digest.update(file.name.encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()


@functools.cache
def templates() -> Environment:
    """The templates of the site with their filters."""
    made = environment(lambda name: template_text(_TEMPLATES, name))
    made.filters.update(
        was=words.was,
        is_now=words.is_now,
        step=words.step,
        chance=words.chance,
        says_build=words.says_build,
        brief=words.brief,
        effect=words.effect,
        doubt=words.doubt,
        since=words.since,
        hint=words.hint,
        verdict_word=words.verdict_word,
        commit=words.commit,
    )
    return made
