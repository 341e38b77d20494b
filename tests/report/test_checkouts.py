"""State of repositories, in words and as data."""

from __future__ import annotations

import json

from hil.core.record import Checkout
from hil.report.checkouts import NOT_RECORDED, checkout_facts, checkout_lines, doubtful_lines

CLEAN = Checkout(files=("a.plan.yaml", "rigs/pump.yaml"), commit="c0ffee")
DIRTY = Checkout(files=("a.plan.yaml",), commit="c0ffee", changed=("a.plan.yaml",), others=2)
BESIDE = Checkout(files=("a.plan.yaml",), commit="c0ffee", others=1)
UNKNOWN = Checkout(files=("a.plan.yaml",), why="in no git repository")


def test_each_says_what_a_commit_tells_of_it() -> None:
    assert list(checkout_lines((CLEAN, DIRTY, BESIDE, UNKNOWN))) == [
        "2 files of commit c0ffee, all as committed",
        "1 file of commit c0ffee, DIRTY (not as committed: a.plan.yaml; 2 other files of the "
        "repository changed)",
        "1 file of commit c0ffee, DIRTY (1 other file of the repository changed)",
        "commit not known of a.plan.yaml: in no git repository",
    ]


def test_a_record_of_before_says_so() -> None:
    assert list(checkout_lines(())) == [NOT_RECORDED]
    assert list(doubtful_lines(())) == []


def test_what_no_commit_tells_is_doubtful() -> None:
    assert list(doubtful_lines((CLEAN,))) == []
    assert len(list(doubtful_lines((CLEAN, DIRTY, BESIDE, UNKNOWN)))) == 3


def test_as_data_it_is_whole_and_json() -> None:
    assert json.loads(json.dumps(checkout_facts(DIRTY))) == {
        "files": ["a.plan.yaml"], "commit": "c0ffee", "changed": ["a.plan.yaml"], "others": 2,
        "why": "", "dirty": True,
    }  # fmt: skip
