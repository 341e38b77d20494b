"""A plain pytest session must not notice that the plugins are installed."""

import json
import os
import subprocess
import sys
from pathlib import Path

HEAVY = ("numpy", "scipy", "pandas", "pyarrow", "numba", "pydantic", "pint", "ruamel.yaml",
         "serial", "pyvisa", "pyvisa_py", "plotly", "jinja2", "rich", "junit_xml")  # fmt: skip


def modules_after(folder: Path, *args: str) -> list[str]:
    """Modules that an inner session in a process of its own has loaded."""
    (folder / "conftest.py").write_text(
        "import json, sys\n\n"
        "def pytest_unconfigure(config):\n"
        "    with open('modules.json', 'w') as file:\n"
        "        json.dump(sorted(sys.modules), file)\n"
    )
    environment = {**os.environ, "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}
    names = ("options", "plans", "bench", "evidence", "progress")
    plugins = [part for name in names for part in ("-p", f"hil.plugins.{name}")]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *plugins, *args],
        cwd=folder, env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode in (0, 5), done.stdout + done.stderr
    return json.loads((folder / "modules.json").read_text())


def test_a_plain_session_imports_nothing_heavy(tmp_path: Path) -> None:
    (tmp_path / "test_plain.py").write_text("def test_plain(): pass\n")
    loaded = modules_after(tmp_path)
    assert "hil.plugins.evidence" in loaded
    assert [name for name in HEAVY if name in loaded] == []
    ours = [name for name in loaded if name.startswith("hil.")]
    assert not [name for name in ours if name.split(".")[1] not in ("plugins", "core")]


def test_collecting_a_plan_neither_compiles_nor_opens_anything(tmp_path: Path) -> None:
    rig = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"
    (tmp_path / "t.plan.yaml").write_text(
        f"format: 1\nplan: t\nrig: {rig}\nscenarios:\n"
        "  - {id: s, scenario: start, speed: 1000 rpm, bands: {success: {exactly: 1}}}\n"
    )
    loaded = modules_after(tmp_path, "--collect-only")
    unused = ("numba", "pandas", "pyarrow", "plotly", "serial", "pyvisa")
    assert [name for name in unused if name in loaded] == []


def test_a_run_does_without_what_takes_long_to_load(tmp_path: Path) -> None:
    rig = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"
    (tmp_path / "t.plan.yaml").write_text(
        f"format: 1\nplan: t\nrig: {rig}\nscenarios:\n"
        "  - {id: s, scenario: start, speed: 1000 rpm, bands: {success: {exactly: 1}}}\n"
    )
    loaded = modules_after(tmp_path, "t.plan.yaml", "--hil-bench=twin")
    (run,) = (tmp_path / "runs").iterdir()
    assert (run / "report.html").exists()
    assert (run / "measures.csv").exists()
    unused = ("pandas", "pint", "scipy.optimize", "scipy.stats")
    assert [name for name in unused if name in loaded] == []
