"""Which drivers and VISA transports are offered, and what a broken plug-in spoils: nothing else."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from hil.bench.findings import Grade
from hil.bench.offered import driver_findings, kind_of, transport_findings, transports
from hil.core.errors import BenchError
from hil.ports.registry import INSTRUMENTS, Entry, Registry, built_in_entries

SHIPPED = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"

TOLD = {
    "Version": "0.8.1",
    "ASRL INSTR": "Available via PySerial (3.5)",
    "TCPIP INSTR": "Available \n         Resource discovery:\n         - VXI-11: ok",
    "USB INSTR": ["Please install PyUSB to use this resource type.", "No module named 'usb'"],
}


def test_transports_with_the_reason_why_one_is_missing() -> None:
    assert dict(transports(TOLD)) == {
        "ASRL INSTR": "",
        "TCPIP INSTR": "",
        "USB INSTR": "Please install PyUSB to use this resource type. No module named 'usb'",
    }


@pytest.mark.parametrize(
    ("resource", "kind"),
    [
        ("TCPIP0::10.0.0.5::5025::SOCKET", "TCPIP SOCKET"),
        ("TCPIP::10.0.0.5::hislip0::INSTR", "TCPIP INSTR"),
        ("TCPIP::10.0.0.5", "TCPIP INSTR"),
        ("ASRL/dev/ttyUSB0::INSTR", "ASRL INSTR"),
        ("USB0::0x1209::0x0001::X::0::RAW", "USB RAW"),
    ],
)
def test_the_transport_of_a_resource(resource, kind) -> None:
    assert kind_of(resource) == kind


def test_a_resource_over_a_missing_transport_is_warned_of(monkeypatch) -> None:
    from pyvisa_py.highlevel import PyVisaLibrary

    monkeypatch.setattr(PyVisaLibrary, "get_debug_info", staticmethod(lambda: TOLD))
    usb, tcp = "USB0::0x1209::0x0001::X::INSTR", "TCPIP::10.0.0.5::INSTR"
    every, missing = transport_findings([usb, tcp])
    assert every.grade is Grade.OK
    assert "ASRL INSTR, TCPIP INSTR. Unavailable: USB INSTR: Please install PyUSB" in every.detail
    assert missing.grade is Grade.WARNING
    assert missing.detail.startswith(f"{usb} needs USB INSTR, unavailable")
    said = "No module named 'usb'"
    assert said in missing.detail
    assert said not in every.detail  # all of it only where it is needed


def test_what_pyvisa_py_says_here_can_be_read() -> None:
    (found,) = transport_findings(["TCPIP::127.0.0.1::5025::SOCKET"])
    assert "TCPIP SOCKET" in found.detail


def test_usb_is_listed_with_what_it_lacks_here() -> None:
    every, *missing = transport_findings(["USB0::1::2::X::INSTR"])
    usable, _, lacking = every.detail.partition(". Unavailable: ")
    assert "TCPIP INSTR" in usable.split(", ")  # HiSLIP and VXI-11
    if "USB INSTR" in usable.split(", "):
        assert missing == []
    else:
        (reason,) = re.findall(r"USB INSTR: ([^;]+)", lacking)
        assert missing[0].grade is Grade.WARNING
        assert f"unavailable: {reason}" in missing[0].detail


def broken() -> object:
    raise ImportError("no module named libbrake")


@pytest.mark.parametrize(("driver", "grade"), [("scpi", Grade.WARNING), ("odd", Grade.FAILED)])
def test_a_broken_driver_fails_only_a_rig_that_asks_for_it(rig, driver, grade) -> None:
    entries = [*built_in_entries(), Entry(INSTRUMENTS, "brake.odd", "package odd", broken)]
    asking = rig.model_copy(update={"brake": rig.brake.model_copy(update={"driver": driver})})
    every, odd = driver_findings(asking, Registry(entries))
    assert "supply.scpi (current-limit, over-voltage-protection)" in every.detail
    assert "brake.odd" not in every.detail
    assert (odd.what, odd.grade) == ("driver brake.odd", grade)
    assert "ImportError: no module named libbrake (from package odd)" in odd.detail
    with pytest.raises(BenchError, match="unavailable: ImportError: no module named libbrake"):
        Registry(entries).get("brake", "odd")


@pytest.fixture
def check(tmp_path):
    """Run ``hil check --twin`` in a process in which a broken package is installed."""
    site = tmp_path / "site"
    told = site / "odd_brake-1.0.dist-info"
    told.mkdir(parents=True)
    (told / "METADATA").write_text("Metadata-Version: 2.1\nName: odd-brake\nVersion: 1.0\n")
    (told / "entry_points.txt").write_text(f"[{INSTRUMENTS}]\nbrake.odd = odd_brake:DESCRIPTOR\n")
    (site / "odd_brake.py").write_text("raise RuntimeError('its library is not there')\n")

    def run(text: str) -> subprocess.CompletedProcess[str]:
        file = tmp_path / "rig.yaml"
        file.write_text(f"based-on: {SHIPPED}\nrig: odd\n{text}")
        path = os.pathsep.join([str(site), str(SHIPPED.parents[2])])
        return subprocess.run(
            [sys.executable, "-c", "from hil.cli.main import main; main()", "check", str(file),
             "--twin"],
            env={**os.environ, "PYTHONPATH": path},
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )  # fmt: skip

    return run


def test_a_broken_package_is_reported_and_the_rig_is_fine_without_it(check) -> None:
    done = check("")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "WARNING  driver brake.odd" in done.stdout
    text = " ".join(done.stdout.split())
    assert "RuntimeError: its library is not there (from package odd" in text
    assert "OK supply limits" in text


def test_a_broken_package_fails_the_rig_that_asks_for_it(check) -> None:
    done = check("brake: {driver: odd}\n")
    assert done.returncode == 3
    assert "FAILED   driver brake.odd" in done.stdout
    assert "FAILED   bench" in done.stdout
    assert "Traceback" not in done.stdout + done.stderr
