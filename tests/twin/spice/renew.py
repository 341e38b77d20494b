"""Run the netlist and store its waveform and the picture beside it.

``python tests/twin/spice/renew.py``, after an intended change of the circuit.
"""

from __future__ import annotations

import importlib.util
import sys
import tempfile
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent


def module(name: str, path: Path) -> Any:
    """A Python file as a module."""
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise ImportError(path)
    loaded = importlib.util.module_from_spec(spec)
    sys.modules[name] = loaded
    spec.loader.exec_module(loaded)
    return loaded


def main() -> None:
    """Note the schedule in closed loop, run ngspice on it, store both, draw."""
    circuit = module("circuit", HERE / "circuit.py")
    overlay = module("overlay", HERE / "overlay.py")
    # under the name pytest gives it: the cache of machine code looks modules up by name
    firmwares = module("tests.twin.conftest", HERE.parent / "conftest.py")
    commutations = circuit.note_commutations(firmwares.new_scripted())
    with tempfile.TemporaryDirectory() as folder:
        truth = circuit.by_ngspice(commutations, Path(folder), tmax=0.5e-6)
    circuit.store(commutations, truth)
    found = circuit.by_kernel(commutations, firmwares.new_scripted())
    curves = [("ngspice", "#c44", "", truth), ("simulated drive", "#14c", "4 3", found)]
    overlay.draw(HERE / "overlay.svg", curves, "Start and braking")
    print(
        f"speed differs by {circuit.speed_difference(found, truth):.3%}, "
        f"RMS current {circuit.rms(found):.4f} A and {circuit.rms(truth):.4f} A, "
        f"DC-link peak {found.link_peak:.4f} V and {truth.link_peak:.4f} V"
    )


if __name__ == "__main__":
    main()
