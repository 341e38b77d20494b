from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from hil.core.record import RunStart
from hil.store.fingerprint import (
    code_fingerprint,
    fingerprint,
    limits_fingerprint,
    plan_fingerprint,
    rig_fingerprint,
)

START = RunStart(
    run="r", utc="u", simulated=True, bench="b", rig="pump", plans=("night.plan.yaml",),
    hashes={"night.plan.yaml": "11", "pump.yaml": "22", "lines.profile.yaml": "33",
            "image.bin": "44"},
    limits={"speed": "at most 4500 rpm"},
)  # fmt: skip
ALL = (plan_fingerprint, rig_fingerprint, limits_fingerprint)

facts = st.dictionaries(st.text(), st.text(), min_size=1, max_size=4)


@given(facts, facts)
def test_equal_facts_and_only_equal_facts_have_equal_fingerprints(
    one: dict[str, str], two: dict[str, str]
) -> None:
    assert (fingerprint(one) == fingerprint(two)) is (one == two)
    assert fingerprint(dict(reversed(one.items()))) == fingerprint(one)


def test_it_is_a_sha_256_that_anybody_can_make_again() -> None:
    expected = hashlib.sha256(b'{"a":"1","b":"2"}').hexdigest()
    assert fingerprint({"b": "2", "a": "1"}) == expected
    assert fingerprint({}) == ""


def _changed(**changes: object) -> list[bool]:
    other = replace(START, **changes)  # type: ignore[arg-type]
    return [one(START) != one(other) for one in ALL]


def test_each_fingerprint_follows_its_own_files() -> None:
    assert _changed(hashes={**START.hashes, "night.plan.yaml": "12"}) == [True, False, False]
    assert _changed(hashes={**START.hashes, "pump.yaml": "23"}) == [False, True, False]
    assert _changed(hashes={**START.hashes, "lines.profile.yaml": "34"}) == [False, True, False]
    assert _changed(limits={"speed": "at most 5000 rpm"}) == [False, False, True]


def test_a_firmware_image_run_name_and_time_are_not_in_them() -> None:
    assert _changed(hashes={**START.hashes, "image.bin": "45"}) == [False] * 3
    assert _changed(run="s", utc="v", seed=7, commit="c") == [False] * 3


def test_that_of_the_code_follows_every_file_of_it_and_nothing_else(tmp_path: Path) -> None:
    def found() -> str:
        code_fingerprint.cache_clear()
        return code_fingerprint(tmp_path)

    (tmp_path / "deep").mkdir()
    (tmp_path / "deep" / "one.py").write_text("one = 1\n")
    before = found()
    (tmp_path / "deep" / "one.cpython-311.pyc").write_bytes(b"made from it")
    assert found() == before
    (tmp_path / "deep" / "one.py").write_text("one = 2\n")
    changed = found()
    (tmp_path / "deep" / "one.py").rename(tmp_path / "one.py")
    assert len({before, changed, found()}) == 3
    code_fingerprint.cache_clear()
    assert len(code_fingerprint()) == 64
