"""The folder of a dossier: complete or not there, checked by a stranger with sha256sum alone."""

from __future__ import annotations

import json
import random
import re
import shutil
import subprocess
from importlib.metadata import version
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from hil.core.errors import PlanError, StoreError
from hil.core.verdict import Verdict
from hil.report.dossier.facts import facts
from hil.report.dossier.page import schema_text
from hil.report.dossier.verify import verified
from hil.report.dossier.write import read_previous
from hil.store.sums import check_sums

TEXT = "  - {id: R-1, text: It starts., supports: clause 7.3, sample: {size: 1}}\n"


@pytest.fixture
def runs(lab):
    entry = lab.item("x", lab.judged(), marks=["R-1"], wins=[True])
    return lab.run("a", entry), lab.run("b", entry)


@pytest.fixture
def key(tmp_path: Path) -> Path:
    path = tmp_path / "key.pem"
    command = ["openssl", "genpkey", "-algorithm", "ed25519", "-out", str(path)]
    subprocess.run(command, check=True, capture_output=True)
    return path


def test_what_the_folder_holds(lab, runs) -> None:
    waivers = lab.waivers()
    waivers.write_text("format: 1\nwaivers: []\n")
    _, out = lab.dossier(lab.requirements(TEXT), *runs, waivers=waivers)
    assert {path.name for path in out.iterdir()} == {
        "dossier.html", "dossier.json", "dossier.schema.json", "HOW-TO-VERIFY.txt", "inputs",
        "runs", "manifest.sha256",
    }  # fmt: skip
    assert {path.name for path in (out / "inputs").iterdir()} == {
        "release.requirements.yaml",
        "release.waivers.yaml",
    }
    for run in runs:
        for file in (path for path in run.rglob("*") if path.is_file()):
            copy = out / "runs" / run.name / file.relative_to(run)
            assert copy.read_bytes() == file.read_bytes()
    assert verified(out).checked.intact


def test_the_data_are_as_the_schema_says(lab, runs) -> None:
    schema = json.loads(schema_text())
    Draft202012Validator.check_schema(schema)
    release, out = lab.dossier(lab.requirements(TEXT), *runs)
    told = json.loads((out / "dossier.json").read_text())
    Draft202012Validator(schema).validate(told)
    assert told == json.loads(json.dumps(facts(release)))
    assert json.loads((out / "dossier.schema.json").read_text()) == schema
    assert told["made-with"] == f"hil {version('hil')}"
    assert told["basis"]["harness"] == ["0.1.0, code c0dec0dec0dec0de"]
    assert told["requirements"][0]["arranged-to-support"] == "clause 7.3"


def test_a_release_with_everything_in_it_is_as_the_schema_says(lab, runs) -> None:
    _, former = lab.dossier(lab.requirements(TEXT), *runs)
    text = TEXT.replace("size: 1", "size: 40, at-least: 90 %") + "  - {id: R-2, text: It stops.}\n"
    waivers = lab.waivers("{requirement: R-2, reason: a, approver: b, expires: 2027-01-01}")
    bad = lab.item("y", lab.judged("t", Verdict.FAIL))
    more = (
        lab.run("c", bad, "z", due={"supply": ""}, ended=False, planned=["never"]),
        lab.run("d", lab.item("x", lab.judged(), marks=["R-1", "R-7"]), simulated=True),
    )
    release, out = lab.dossier(
        lab.requirements(text, "calibration-not-needed: {brake: b}"),
        *runs, *more, waivers=waivers, previous=former,
    )  # fmt: skip
    told = json.loads((out / "dossier.json").read_text())
    Draft202012Validator(json.loads(schema_text())).validate(told)
    for part in ("blocks", "waivers", "orphans", "fails-outside", "without-result", "changes"):
        assert told[part], part
    assert told["unknown-marks"] == ["R-7"]
    assert told["previous"]["seal"] == check_sums(former).seal
    assert release.changes is not None
    assert (out / "previous" / "dossier.json").read_bytes() == (
        former / "dossier.json"
    ).read_bytes()


def test_the_schema_refuses_what_is_not_a_dossier(lab, runs) -> None:
    _, out = lab.dossier(lab.requirements(TEXT), *runs)
    told = json.loads((out / "dossier.json").read_text())
    schema = Draft202012Validator(json.loads(schema_text()))
    for path, value in [
        (("outcome",), "compliant"),
        (("requirements", 0, "status"), "waived"),
        (("runs", 0, "instruments", 0, "calibration"), "fine"),
        (("extra",), 1),
    ]:
        wrong = json.loads(json.dumps(told))
        here = wrong
        for part in path[:-1]:
            here = here[part]
        here[path[-1]] = value
        assert not schema.is_valid(wrong), path


def test_nothing_calls_itself_compliant(lab, runs) -> None:
    _, out = lab.dossier(lab.requirements(TEXT), *runs)
    for name in ("dossier.html", "dossier.json", "HOW-TO-VERIFY.txt"):
        assert not re.search("complian|certif", (out / name).read_text(), re.IGNORECASE)
    assert "Evidence arranged to support" in (out / "dossier.html").read_text()


# -- a stranger with a shell -------------------------------------------------------------------


def commands(out: Path) -> dict[str, str]:
    """Heading -> what HOW-TO-VERIFY.txt tells to type there."""
    parts = re.split(r"^(\d)\. .*\n", (out / "HOW-TO-VERIFY.txt").read_text(), flags=re.MULTILINE)
    return {
        number: "\n".join(re.findall(r"^ {5}(.*)$", text, re.MULTILINE))
        for number, text in zip(parts[1::2], parts[2::2], strict=True)
    }


def shell(out: Path, script: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["bash", "-c", script], cwd=out, capture_output=True, text=True, check=False
    )


def test_the_commands_as_written_find_nothing_wrong(lab, runs, tmp_path: Path) -> None:
    _, out = lab.dossier(lab.requirements(TEXT), *runs)
    told = {n: text.replace("/tmp/", f"{tmp_path}/") for n, text in commands(out).items()}
    every = shell(out, told["1"])
    assert (every.returncode, every.stdout, every.stderr) == (0, "", "")
    assert shell(out, told["2"]).stdout == "no file was added\n"
    seal = check_sums(out).seal
    assert shell(out, told["3"]).stdout == f"the chain holds, seal {seal}\n"


def test_the_commands_as_written_find_what_is_wrong(lab, runs, tmp_path: Path) -> None:
    _, out = lab.dossier(lab.requirements(TEXT), *runs)
    told = {n: text.replace("/tmp/", f"{tmp_path}/") for n, text in commands(out).items()}
    (out / "runs/a/more").write_text("x")
    assert "> runs/a/more" in shell(out, told["2"]).stdout
    (out / "dossier.html").write_text("all well")
    assert "dossier.html: FAILED" in shell(out, told["1"]).stdout
    text = (out / "manifest.sha256").read_text()
    (out / "manifest.sha256").write_text(text.replace("# chain ", "# chain 0", 3))
    assert "broken before" in shell(out, told["3"]).stdout


def test_openssl_as_written_verifies_the_signature(lab, runs, key: Path) -> None:
    _, out = lab.dossier(lab.requirements(TEXT), *runs, key=key)
    verify, sign = commands(out)["4"].split("\nopenssl pkeyutl -sign")
    command = verify.replace("PUBLIC.pem", "public-key.pem")
    assert shell(out, command).returncode == 0
    assert verified(out).signature == "fits the enclosed key"
    (out / "manifest.sha256.sig").unlink()
    assert (
        shell(out, "openssl pkeyutl -sign" + sign.replace("PRIVATE.pem", str(key))).returncode == 0
    )
    assert verified(out, out / "public-key.pem").signature_fits
    (out / "manifest.sha256").write_text((out / "manifest.sha256").read_text() + "\n")
    assert shell(out, command).returncode != 0


def test_single_altered_bytes_anywhere_in_a_signed_dossier(lab, runs, key: Path) -> None:
    _, out = lab.dossier(lab.requirements(TEXT), *runs, key=key)
    files = sorted(path for path in out.rglob("*") if path.is_file() and path.stat().st_size)
    generator = random.Random(20)
    for path in [*files, out / "manifest.sha256.sig"]:
        content = path.read_bytes()
        altered = bytearray(content)
        altered[generator.randrange(len(altered))] ^= 1 << generator.randrange(8)
        path.write_bytes(altered)
        found = verified(out)
        if path.name == "manifest.sha256.sig":
            assert not found.signature_fits
        else:
            assert found.checked.differences[0].path == path.relative_to(out).as_posix()
        path.write_bytes(content)
    assert verified(out).checked.intact


# -- what keeps a dossier from being made ------------------------------------------------------


def nothing_left(lab) -> None:
    assert not list(lab.path.glob(".*part"))
    assert not list(lab.path.glob("dossier-*"))


def test_a_folder_that_is_there_is_never_written_into(lab, runs) -> None:
    (lab.path / "dossier-1").mkdir()
    with pytest.raises(StoreError, match="is there already; a dossier is made once"):
        lab.dossier(lab.requirements(TEXT), *runs)
    assert not list((lab.path / "dossier-1").iterdir())


def test_two_runs_of_one_name(lab, runs, tmp_path: Path) -> None:
    other = tmp_path / "elsewhere" / "a"
    shutil.copytree(runs[0], other)
    with pytest.raises(StoreError, match="a run of that name is named twice"):
        lab.dossier(lab.requirements(TEXT), runs[0], other)
    nothing_left(lab)


def test_a_link_in_a_run(lab, runs) -> None:
    (runs[0] / "traces" / "link").symlink_to("/etc/hostname")
    with pytest.raises(StoreError, match="expected a plain file"):
        lab.dossier(lab.requirements(TEXT), *runs)
    nothing_left(lab)


def test_a_wrong_file_leaves_nothing_behind(lab, runs, tmp_path: Path) -> None:
    with pytest.raises(PlanError):
        lab.dossier(lab.requirements("  - {id: R-1}\n"), *runs)
    (tmp_path / "k").write_text("no key")
    with pytest.raises(PlanError, match="expected an Ed25519 private key"):
        lab.dossier(lab.requirements(TEXT), *runs, key=tmp_path / "k")
    nothing_left(lab)


def test_a_run_may_be_named_by_its_record(lab, runs) -> None:
    release, _ = lab.dossier(lab.requirements(TEXT), runs[0] / "record.jsonl")
    assert [run.name for run in release.runs] == ["a"]


def test_the_release_before_must_be_intact(lab, runs) -> None:
    _, former = lab.dossier(lab.requirements(TEXT), *runs)
    assert read_previous(former).firmware == "DRIVE B1"
    with pytest.raises(StoreError, match="no dossier, or an incomplete one"):
        read_previous(runs[0])
    told = (former / "dossier.json").read_text()
    (former / "dossier.json").write_text(told.replace('"high": 2.0', '"high": 3.0'))
    with pytest.raises(StoreError, match=r"not intact: dossier\.json: altered"):
        lab.dossier(lab.requirements(TEXT), *runs, previous=former)
