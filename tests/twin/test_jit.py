"""Compiled code is cached by the content of its sources and works without a place to cache."""

import importlib
import os
import select
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

from hil.twin import jit
from hil.twin.jit import c_function, carray, compiled, moved, pointer
from hil.twin.port import TRANSMIT

COUNT = """
import hil.twin.jit as jit
from hil.twin.jit import compiled
from hil.twin.kernel_heat import copper_ratio
print(jit.cache_folder())
print(round(copper_ratio(100.0, 20.0), 6))
print(sum(copper_ratio.stats.cache_hits.values()))
"""


@compiled
def reach(address: int, offset: int) -> float:
    return carray(moved(pointer(address), offset), 1, np.float64)[0]


@c_function(TRANSMIT)
def double(_data, capacity):
    return 2 * capacity


def test_pointers_reach_into_memory():
    memory = np.array([1.0, 2.0, 3.0])
    assert [reach(memory.ctypes.data, 8 * k) for k in range(3)] == [1, 2, 3]


def test_c_functions_have_an_address_and_the_c_convention():
    assert double.address > 0
    assert double.ctypes(None, 21) == 42


def run(home: Path) -> list[str]:
    environment = os.environ | {"XDG_CACHE_HOME": str(home)}
    environment.pop("NUMBA_CACHE_DIR", None)
    done = subprocess.run(
        [sys.executable, "-c", COUNT],
        capture_output=True,
        text=True,
        check=True,
        env=environment,
        cwd=home,
    )
    return done.stdout.split()


@pytest.mark.skipif(sys.platform == "win32", reason="files are not locked there")
def test_one_process_compiles_at_a_time(tmp_path):
    code = "import hil.twin.jit as jit\nwith jit.compiling: print('in', flush=True); input()"
    environment = os.environ | {"XDG_CACHE_HOME": str(tmp_path)}
    first, second = (
        subprocess.Popen(
            [sys.executable, "-c", code],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environment,
        )
        for _ in range(2)
    )  # fmt: skip
    with first, second:
        inside, _, _ = select.select([first.stdout, second.stdout], [], [], 60.0)
        assert len(inside) == 1
        ahead, behind = (first, second) if inside[0] is first.stdout else (second, first)
        assert ahead.stdout.readline() == "in\n"
        assert select.select([behind.stdout], [], [], 1.0)[0] == []
        ahead.kill()  # who dies keeps nobody waiting
        assert behind.stdout.readline() == "in\n"
        behind.communicate("\n")
        assert behind.returncode == 0


TOGETHER = """
import sys
from hil.twin.jit import compiled, compiling
import side_by_side
print("ready", flush=True)
input()
assert side_by_side.outer(2.0) == 5.0
print(*(sum(one.stats.cache_misses.values()) for one in (side_by_side.outer, side_by_side.inner)))
"""
SIDE_BY_SIDE = """
from hil.twin.jit import compiled

@compiled
def inner(x):
    return x * x

@compiled
def outer(x):
    return inner(x) + 1.0
"""


@pytest.mark.skipif(sys.platform == "win32", reason="files are not locked there")
def test_processes_side_by_side_compile_every_function_once(tmp_path):
    """Else each would have machine code of its own, and the last digits with it."""
    (tmp_path / "side_by_side.py").write_text(SIDE_BY_SIDE)
    environment = os.environ | {"XDG_CACHE_HOME": str(tmp_path), "PYTHONPATH": str(tmp_path)}
    environment.pop("NUMBA_CACHE_DIR", None)
    processes = [
        subprocess.Popen(
            [sys.executable, "-c", TOGETHER],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environment,
        )
        for _ in range(3)
    ]  # fmt: skip
    for one in processes:
        assert one.stdout.readline() == "ready\n"
    for one in processes:  # all at once
        one.stdin.write("\n")
        one.stdin.flush()
    missed = [one.communicate()[0].split() for one in processes]
    assert all(one.returncode == 0 for one in processes)
    assert sum(int(outer) for outer, _inner in missed) == 1
    assert sum(int(inner) for _outer, inner in missed) == 1


def test_the_turn_may_be_taken_again_within_and_is_given_to_other_threads_after():
    order = []

    def other():
        with jit.compiling:
            order.append("other")

    with jit.compiling:
        thread = threading.Thread(target=other)
        thread.start()
        with jit.compiling:
            order.append("within")
        thread.join(0.05)
        order.append("after")
    thread.join()
    assert order == ["within", "after", "other"]


@pytest.mark.parametrize("folder", ["/proc/nowhere", "nowhere/at/all"])
def test_without_a_place_for_the_lock_nobody_waits(monkeypatch, folder):
    monkeypatch.setattr(jit, "cache_folder", lambda: Path(folder))
    with jit.compiling, jit.compiling:
        pass


def test_the_second_process_finds_the_code_of_the_first(tmp_path):
    first, second = run(tmp_path), run(tmp_path)
    assert first[0] == second[0]
    assert first[0].startswith(str(tmp_path / "hil-twin"))
    assert (first[1], second[1]) == ("1.314342", "1.314342")
    assert (first[2], second[2]) == ("0", "1")


def test_without_a_writable_cache_it_still_compiles(tmp_path):
    blocked = tmp_path / "blocked"
    blocked.write_text("a file where the folder should be")
    assert run_without(blocked) == "1.314342"


def run_without(home: Path) -> str:
    environment = os.environ | {"XDG_CACHE_HOME": str(home)}
    environment.pop("NUMBA_CACHE_DIR", None)
    done = subprocess.run(
        [sys.executable, "-c", COUNT],
        capture_output=True,
        text=True,
        check=True,
        env=environment,
        cwd=home.parent,
    )
    return done.stdout.split()[1]


def test_a_copy_of_the_sources_has_a_folder_of_its_own(monkeypatch, tmp_path):
    """Else it would be said of a fresh copy that it was compiled, and it would stand still."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    folders = set()
    for name in ("one", "another"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "jit.py").write_text("the same")
        monkeypatch.setattr(jit, "__file__", str(tmp_path / name / "jit.py"))
        jit.cache_folder.cache_clear()
        folders.add(jit.cache_folder())
    monkeypatch.undo()
    jit.cache_folder.cache_clear()
    assert len(folders) == 2


def test_the_folder_depends_on_the_sources(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    twin = tmp_path / "twin"
    twin.mkdir()
    (twin / "jit.py").write_text("one")
    (twin / "kernel.py").write_text("import hil.twin.jit")
    (twin / "wire.py").write_text("plain")
    monkeypatch.setattr(jit, "__file__", str(twin / "jit.py"))

    def folder() -> Path:
        jit.cache_folder.cache_clear()
        return jit.cache_folder()

    try:
        first = folder()
        (twin / "wire.py").write_text("plain still")
        assert folder() == first
        (twin / "kernel.py").write_text("import hil.twin.jit # changed")
        second = folder()
        assert second != first
        os.utime(first, (0, 0))
        (twin / "kernel.py").write_text("import hil.twin.jit # changed again")
        folder()
        assert not first.exists()  # nobody used it for a month
        assert second.exists()
    finally:
        monkeypatch.undo()
        jit.cache_folder.cache_clear()


@pytest.mark.parametrize("home", ["", "/somewhere/else"])
def test_cache_home_follows_the_environment(monkeypatch, home):
    monkeypatch.setenv("XDG_CACHE_HOME", home)
    expected = Path(home) if home else Path.home() / ".cache"
    assert jit.cache_home() == expected / "hil-twin"


def test_what_was_compiled_before_is_known(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    jit.cache_folder.cache_clear()
    try:
        assert not jit.compiled_before()
        # what is compiled on import is little, and says nothing of the rest
        (jit.cache_folder() / "silent._period-13.py311.1.nbc").write_bytes(b"")
        assert not jit.compiled_before()
        (jit.cache_folder() / "kernel.advance-162.py311.1.nbc").write_bytes(b"")
        assert jit.compiled_before()
    finally:
        jit.cache_folder.cache_clear()


def test_the_function_that_is_compiled_last_is_that_of_the_kernel():
    module, function = jit.LAST_COMPILED.split(".")
    found = getattr(importlib.import_module(f"hil.twin.{module}"), function)
    assert found.py_func.__qualname__ == function  # numba names its files by both
