"""A release in the terminal."""

from __future__ import annotations

from pathlib import Path

from hil.core.verdict import Verdict
from hil.report.dossier.told import lines

OUT = Path("dossiers/1.0")


def told(release) -> list[str]:
    return list(lines(release, OUT, "ab" * 32))


def test_a_qualified_release_is_short(lab) -> None:
    run = lab.run("a", lab.item("x", lab.judged(), marks=["R-1"]))
    found = told(lab.release(lab.requirements("  - {id: R-1, text: It starts.}\n"), run))
    assert found == [
        "qualified: 1 of 1 requirements covered by 1 run of DRIVE B1",
        "  to be known  no earlier release was named, so nothing was compared",
        "dossier: dossiers/1.0",
        f"seal:    {'ab' * 32}",
    ]


def test_everything_that_calls_for_a_look_is_told_the_worst_first_in_80_columns(lab) -> None:
    text = "  - {id: R-1, text: a}\n  - {id: R-2, text: b}\n  - {id: R-3, text: c}\n"
    good = lab.item("x", lab.judged(high=3.0), marks=["R-1"])
    _, former = lab.dossier(lab.requirements(text), lab.run("first", good))
    words = "a reason that is long enough to need a second line, and then some more of it"
    bad = lab.item("y", marks=["R-3"], verdict=Verdict.FAIL, reason=words)
    run = lab.run(
        "a", lab.item("x", lab.judged(high=4.0), marks=["R-1"]), bad,
        lab.item("more", lab.judged("t", Verdict.FAIL)),
    )  # fmt: skip
    waivers = lab.waivers("{requirement: R-1, reason: a, approver: b, expires: 2027-01-01}")
    release = lab.release(lab.requirements(text), run, previous=former, waivers=waivers)
    found = told(release)
    starts = [line[:15].strip() for line in found[1:-2] if line[:15].strip()]
    assert starts == [
        "failed", "not covered", "finding", "waiver", "changes", "measured", "orphans",
    ]  # fmt: skip
    assert all(len(line) <= 80 for line in found[1:])
    text = " ".join(" ".join(found).split())
    assert f"R-3: y in run a: fail: {words}" in text
    assert "waiver R-1: unused: the requirement is covered" in text
    assert "1 of them looser" in text
    assert "1 fail outside every requirement (more)" in text


def test_a_result_that_belongs_to_no_requirement_is_counted(lab) -> None:
    good = lab.item("x", lab.judged(), marks=["R-1"])
    text = lab.requirements("  - {id: R-1, text: a}\n")
    for more, words in ((1, "1 result belongs"), (2, "2 results belong")):
        others = [lab.item(f"other-{n}", lab.judged()) for n in range(more)]
        release = lab.release(text, lab.run(f"a{more}", good, *others))
        assert any(line.endswith(f"{words} to no requirement") for line in told(release))


def test_a_long_list_is_cut(lab) -> None:
    text = "".join(f"  - {{id: R-{n}, text: a}}\n" for n in range(30))
    run = lab.run("a", lab.item("x", lab.judged(), marks=["R-0"]))
    found = told(lab.release(lab.requirements(text), run))
    assert "  and 9 more" in found
