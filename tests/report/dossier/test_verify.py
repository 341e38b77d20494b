"""A dossier or a run looked at, in words and exit codes."""

import json
import os
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from hil.cli.main import main
from hil.core.errors import StoreError
from hil.report.dossier.verify import PUBLIC_KEY, verified
from hil.store.manifest import write_manifest
from hil.store.signature import Signer
from hil.store.sums import SIGNATURE, SUMS, write_sums


def new_key(path: Path) -> Path:
    command = ["openssl", "genpkey", "-algorithm", "ed25519", "-out", str(path)]
    subprocess.run(command, check=True, capture_output=True)
    return path


def hil(*arguments: object) -> int:
    with pytest.raises(SystemExit) as left:
        main(["verify", *map(str, arguments)])
    return int(left.value.code or 0)


@pytest.fixture
def dossier(tmp_path: Path) -> Path:
    folder = tmp_path / "release"
    folder.mkdir()
    (folder / "dossier.html").write_text("<html>")
    write_sums(folder)
    return folder


@pytest.fixture
def public(dossier: Path, tmp_path: Path) -> Path:
    """The dossier is signed, and this is the key to check it with."""
    signer = Signer(new_key(tmp_path / "key.pem"))
    path = tmp_path / "ours.pem"
    path.write_bytes(signer.public_pem())
    (dossier / PUBLIC_KEY).write_bytes(signer.public_pem())
    write_sums(dossier)
    (dossier / SIGNATURE).write_bytes(signer.sign((dossier / SUMS).read_bytes()))
    return path


def test_an_unsigned_dossier(dossier: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert hil(dossier) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "dossier release: intact, 1 file"
    assert lines[1].startswith("  seal ")
    assert lines[2].startswith("  signature: none: anyone who can write the folder")


def test_the_folder_one_stands_in_has_its_name(
    dossier: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(dossier)
    assert hil(".") == 0
    assert capsys.readouterr().out.startswith("dossier release: intact, ")


def test_the_first_difference_is_in_the_first_line(
    dossier: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (dossier / "dossier.html").write_text("<HTML>")
    for number in range(20):
        (dossier / f"extra-{number:02}").write_text("")
    assert hil(dossier, "--json", tmp_path / "out.json") == 6
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("dossier release: NOT intact: dossier.html: altered: SHA-256 ")
    assert lines[1] == "  extra-00: added: the manifest does not list it"
    assert "  and 11 more" in lines
    found = json.loads((tmp_path / "out.json").read_text())
    assert found["kind"] == "dossier"
    assert found["intact"] is False
    assert len(found["differences"]) == 21
    assert found["differences"][0]["path"] == "dossier.html"


def test_a_signature_that_fits_the_key_given(
    dossier: Path, public: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert hil(dossier, "--key", public) == 0
    assert "signature: fits the key given: ours.pem" in capsys.readouterr().out


@pytest.mark.usefixtures("public")
def test_without_a_key_the_enclosed_one_is_taken_and_its_worth_said(
    dossier: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert hil(dossier) == 0
    assert "fits the enclosed key: whose key that is, only --key" in capsys.readouterr().out


@pytest.mark.usefixtures("public")
def test_every_byte_of_the_signature_counts_without_a_key_too(dossier: Path) -> None:
    good = (dossier / SIGNATURE).read_bytes()
    for place in range(len(good)):
        wrong = bytearray(good)
        wrong[place] ^= 0x20
        (dossier / SIGNATURE).write_bytes(wrong)
        assert not verified(dossier).signature_fits


def test_a_dossier_made_anew_by_someone_else_does_not_fit(
    dossier: Path, public: Path, tmp_path: Path
) -> None:
    other = Signer(new_key(tmp_path / "other.pem"))
    (dossier / "dossier.html").write_text("all well")
    (dossier / PUBLIC_KEY).write_bytes(other.public_pem())
    write_sums(dossier)
    (dossier / SIGNATURE).write_bytes(other.sign((dossier / SUMS).read_bytes()))
    assert hil(dossier) == 0  # it is a perfect dossier: of someone else
    assert hil(dossier, "--key", public) == 7


def test_a_signature_that_was_taken_away(dossier: Path, public: Path) -> None:
    (dossier / SIGNATURE).unlink()
    assert hil(dossier) == 7
    assert hil(dossier, "--key", public) == 7


def test_a_signature_without_an_enclosed_key(dossier: Path, public: Path, tmp_path: Path) -> None:
    (dossier / PUBLIC_KEY).unlink()
    write_sums(dossier)
    signer = Signer(tmp_path / "key.pem")
    (dossier / SIGNATURE).write_bytes(signer.sign((dossier / SUMS).read_bytes()))
    assert verified(dossier).signature == "not checked"
    assert verified(dossier, public).signature == "fits the key given"
    other = tmp_path / "elsewhere.pem"
    other.write_bytes(Signer(new_key(tmp_path / "other.pem")).public_pem())
    (dossier / PUBLIC_KEY).write_bytes(other.read_bytes())
    assert verified(dossier, public).why == "ours.pem, which is not the enclosed one"


@pytest.mark.usefixtures("public")
def test_an_altered_enclosed_key_is_no_way_out(dossier: Path) -> None:
    (dossier / PUBLIC_KEY).write_text("-----BEGIN PUBLIC KEY-----\n")
    found = verified(dossier)
    assert not found.signature_fits
    assert found.checked.differences[0].path == PUBLIC_KEY


def test_a_run_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = tmp_path / "night"
    run.mkdir()
    (run / "record.jsonl").write_text("{}\n")
    write_manifest(run, "2026-03-01T22:15:09.123Z")
    assert hil(run) == 0
    assert capsys.readouterr().out.startswith("run night: intact, 1 file\n  seal ")
    (run / "record.jsonl").write_text("{ }\n")
    assert hil(run) == 6


def test_what_is_neither_and_a_run_with_a_key(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="neither a dossier"):
        verified(tmp_path)
    (tmp_path / "record.jsonl").write_text("{}\n")
    with pytest.raises(StoreError, match="a run is not signed"):
        verified(tmp_path, tmp_path / "key.pem")


def _link(place: Path) -> None:
    """To a copy that is, for now, the same to the last byte."""
    copy = place.parent.parent / "copy"
    if place.is_file():
        place.rename(copy)
    place.symlink_to(copy)


def _dangling(place: Path) -> None:
    place.unlink(missing_ok=True)
    place.symlink_to("nowhere")


def _pipe(place: Path) -> None:
    place.unlink(missing_ok=True)
    os.mkfifo(place)


def _folder(place: Path) -> None:
    """A link to a folder of somewhere else."""
    place.unlink(missing_ok=True)
    place.symlink_to("/", target_is_directory=True)


@pytest.mark.parametrize("kind", ["dossier", "run"])
@pytest.mark.parametrize(("name", "word"), [("dossier.html", "altered"), ("more.html", "added")])
@pytest.mark.parametrize("put", [_link, _dangling, _pipe, _folder])
def test_a_link_or_a_device_is_an_alteration(
    put: Callable[[Path], None],
    name: str,
    word: str,
    kind: str,
    dossier: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    if kind == "run":
        (dossier / SUMS).unlink()
        (dossier / "record.jsonl").write_text("{}\n")
        write_manifest(dossier, "2026-03-01T22:15:09.123Z")
    put(dossier / name)
    assert hil(dossier) == 6
    said = capsys.readouterr().out.splitlines()
    assert said[0] == (
        f"{kind} release: NOT intact: {name}: {word}: expected a plain file, found a link or a "
        "device"
    )
    assert len([line for line in said if name in line]) == 1, "told once"


@pytest.mark.parametrize("name", [SUMS, SIGNATURE])
def test_a_link_in_the_place_of_what_is_not_listed(name: str, dossier: Path, public: Path) -> None:
    assert hil(dossier, "--key", public) == 0
    _link(dossier / name)
    found = verified(dossier, public).checked
    assert [(one.path, one.kind) for one in found.differences] == [(name, "altered")]
    assert hil(dossier, "--key", public) == 6


@pytest.mark.parametrize("name", [b"a\nb", b"a\\b", b"\xff"])
def test_an_added_file_of_an_impossible_name_is_told_on_one_line(
    name: bytes, dossier: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path(os.fsdecode(os.fsencode(dossier) + b"/" + name)).write_text("x")
    assert hil(dossier) == 6
    first, *rest = capsys.readouterr().out.splitlines()
    assert ": added: " in first
    assert rest == ["  signature: none: anyone who can write the folder could have made it anew"]
