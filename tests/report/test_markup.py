from __future__ import annotations

import pytest
from markupsafe import Markup

from hil.report.items import Standing
from hil.report.markup import (
    CAUTIONS,
    SIGNS,
    breakable,
    coded,
    environment,
    sign,
    style,
    visible,
)


def test_every_standing_has_a_sign_of_its_own() -> None:
    assert set(SIGNS) == set(Standing)
    assert len(set(SIGNS.values())) == len(Standing)
    assert [sign(standing.value) for standing in Standing] == list(SIGNS.values())


def test_a_word_that_is_no_standing_has_no_sign() -> None:
    assert sign("no band") == sign("") == ""


@pytest.mark.parametrize("unseen", ["\x00", "\x1b", "\x9f", "\u202e", "\u2066", "\ud800"])
def test_what_is_not_seen_is_made_visible(unseen: str) -> None:
    assert visible(f"a{unseen}b") == "a\ufffdb"


def test_line_breaks_markup_and_numbers_stay() -> None:
    assert visible("a\n\tb") == "a\n\tb"
    assert visible(Markup("<b>\x00</b>")) == Markup("<b>\x00</b>")
    assert visible(3) == 3


def test_templates_escape_what_they_are_given() -> None:
    made = environment({"page": "{{ words }} {{ 'fail'|sign }}"}.__getitem__)
    assert made.get_template("page").render(words="<b>\x07") == "&lt;b&gt;\ufffd \u2717"


def test_the_style_has_both_colour_schemes_and_paper() -> None:
    assert "prefers-color-scheme: dark" in style()
    assert "@media print" in style()


def test_the_emergency_stop_is_among_the_cautions() -> None:
    assert any("emergency stop" in caution for caution in CAUTIONS)


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("start.hall.cw", "start.<wbr>hall.<wbr>cw"),
        ("back-emf", "back-emf"),  # a hyphen needs no help
        ("dot.", "dot."),
        ("a.<b>\u202e", "a.&lt;b&gt;\ufffd"),
        ("plan/a_b:c", "plan/<wbr>a_<wbr>b:<wbr>c"),
    ],
)
def test_names_may_be_broken_after_their_joints_only(name: str, shown: str) -> None:
    assert breakable(name) == Markup(shown)


def test_names_between_backticks_are_shown_as_names() -> None:
    assert coded("from mark `command` on") == Markup("from mark <code>command</code> on")
    assert coded("`<a>` and ` alone") == Markup("<code>&lt;a&gt;</code> and ` alone")
