"""The kernel against the same scheme written in C: same digits, and no slower."""

import ctypes
import math
import subprocess
import time
from pathlib import Path

import numpy as np
import pytest

from hil.twin import kernel, library
from hil.twin.drive import Drive
from hil.twin.kernel_memory import CONSTANTS, LINE_BUFFER, SHAFT_LOG, STATE
from hil.twin.load import LoadParameters
from hil.twin.parameters import BridgeParameters, DriveParameters, SensingParameters

SOURCE = Path(__file__).parent / "kernel.c"
KINDS = {"f8": "double", "i8": "int64_t", "u8": "uint64_t", "u1": "uint8_t"}


def structure(name: str, dtype: np.dtype) -> str:
    lines = []
    for field in sorted(dtype.names or (), key=lambda one: dtype.fields[one][1]):
        kind = dtype.fields[field][0]
        size = f"[{kind.shape[0]}]" if kind.shape else ""
        lines.append(f"    {KINDS[kind.base.str[1:]]} {field}{size};")
    check = f'_Static_assert(sizeof({name}) == {dtype.itemsize}, "layout of {name}");'
    return "typedef struct {\n" + "\n".join(lines) + f"\n}} {name};\n{check}\n"


def built(folder: Path):
    """``advance(constants, state, periods)`` of the C version, compiled in `folder`."""
    (folder / "records.h").write_text(
        f"#define SHAFT_LOG {SHAFT_LOG}\n#define LINE_BUFFER {LINE_BUFFER}\n"
        + structure("constants", CONSTANTS)
        + structure("state", STATE)
    )
    # what the Python compiler is allowed, this one is allowed too
    freedom = (
        "-O3 -march=native -ffp-contract=fast -fno-math-errno -fno-trapping-math"
        " -fno-signed-zeros -fassociative-math -freciprocal-math"
    )
    command = [
        library.compiler() or "cc",
        "-std=c11",
        "-Wall",
        "-Wextra",
        *freedom.split(),
        "-shared",
        "-fPIC",
    ]
    command += [f"-I{folder}", f"-I{library.INCLUDE}", str(SOURCE), "-lm"]
    done = subprocess.run(
        [*command, "-o", str(folder / "kernel.so")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    function = ctypes.CDLL(str(folder / "kernel.so")).advance
    function.argtypes = [ctypes.c_void_p, ctypes.c_void_p, ctypes.c_int64]
    function.restype = ctypes.c_int64
    return function


@pytest.fixture(scope="module")
def in_c(tmp_path_factory):
    """As `built`."""
    if library.compiler() is None:
        pytest.skip("no C compiler on this machine")
    return built(tmp_path_factory.mktemp("c"))


RIGS = {
    "synchronous": (DriveParameters(load=LoadParameters(mean=0.02, pulsation=0.008)), 1, 1),
    "asynchronous": (DriveParameters(sensing=SensingParameters(phase_shunts=True)), 2, 1),
    "both legs switched": (DriveParameters(), 1, 2),
    "slow amplifiers, sampled late": (
        DriveParameters(
            sensing=SensingParameters(amplifier_hz=2e5, sampling_delay=2e-6, phase_shunts=True)
        ),
        1,
        1,
    ),
    "dead time": (DriveParameters(bridge=BridgeParameters(dead_time=1e-6, output_delay=1)), 1, 1),
}


@pytest.mark.parametrize("name", RIGS)
def test_same_digits(name, in_c, scripted):
    rig, high, low = RIGS[name]
    ends = []
    for advance in (kernel.advance, in_c):
        firmware = scripted()
        drive = Drive(rig, firmware, seed=5)
        drive.set_supply(24.0, 10.0, True)
        drive.feed(b"some bytes to echo")
        for duty, direction, brake in (
            (0.4, 1, 0.0),
            (0.8, 1, 0.02),
            (0.3, -1, 0.0),
            (0.5, 1, 1.0),
        ):
            firmware.commutate(duty, direction, high=high, low=low)
            drive.set_brake(brake)
            advance(*drive._addresses, 1003)
        firmware.coast()
        advance(*drive._addresses, 1003)
        ends.append(drive)
    first, second = (one._state for one in ends)
    assert first["steps"] == pytest.approx(second["steps"], rel=0.002)
    for field in ("link", "angle", "e_supply", "e_copper", "e_switch", "e_load", "winding_t"):
        assert first[field] == pytest.approx(second[field], rel=2e-3), field
    assert np.allclose(first["log_speed"][:40], second["log_speed"][:40], rtol=1e-6, atol=1e-6)
    assert first["tx"].tobytes() == second["tx"].tobytes()


def test_speed_is_of_the_order_of_c(in_c, scripted):
    """Best of several in one run; a loose bound, because other work may share the cores."""
    rates = []
    for advance in (kernel.advance, in_c):
        drive = Drive(RIGS["synchronous"][0], scripted().commutate(0.6), seed=5)
        drive.set_supply(24.0, 10.0, True)
        advance(*drive._addresses, 2000)
        best = math.inf
        for _ in range(5):
            start = time.thread_time()
            advance(*drive._addresses, 5000)
            best = min(best, time.thread_time() - start)
        rates.append(0.25 / best)
    ratio = rates[0] / rates[1]
    print(f"numba {rates[0]:.0f}, C {rates[1]:.0f} simulated seconds per second, ratio {ratio:.2f}")
    assert ratio > 0.6
