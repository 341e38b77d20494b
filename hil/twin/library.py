"""Control firmware as a shared library: compiled where sources are given, loaded once per board.

Loading runs the library in this process: if it crashes, so does everything. `hil.twin.isolated`
loads it in a process of its own.
"""

from __future__ import annotations

import _ctypes
import contextlib
import ctypes
import hashlib
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from hil.core.errors import PlanError
from hil.twin.jit import cache_home
from hil.twin.port import VERSION, FirmwareBinding, new_block

#: Where the project's own ``firmware_port.h`` lies.
INCLUDE = Path(__file__).parent / "include"

_FUNCTIONS = ("port_version", "port_reset", "port_period", "port_receive", "port_transmit")
_COMPILERS = ("cc", "gcc", "clang")
_FLAGS = ("-std=c11", "-O2", "-fPIC", "-Wall", "-Wextra")


class _Handle:
    """A loaded library; it goes when the last binding does."""

    def __init__(self, image: Path) -> None:
        self.library = ctypes.CDLL(str(image), mode=os.RTLD_NOW | os.RTLD_LOCAL)

    def __del__(self) -> None:
        library = getattr(self, "library", None)
        if library is not None:
            _ctypes.dlclose(library._handle)


@contextlib.contextmanager
def private_copy(path: Path) -> Iterator[Path]:
    """A copy of a library to load it from; once loaded, it needs its file no longer.

    Raises
    ------
    PlanError
        If there is no such file, or it cannot be read.
    """
    if not path.is_file():
        raise PlanError("firmware library not found", file=str(path))
    handle, name = tempfile.mkstemp(prefix="firmware-", suffix=path.suffix or ".so")
    os.close(handle)
    try:
        try:
            shutil.copyfile(path, name)
        except OSError as problem:
            raise PlanError(f"cannot be read: {problem.strerror}", file=str(path)) from problem
        yield Path(name)
    finally:
        Path(name).unlink(missing_ok=True)


def load(path: Path | str, name: str = "", *, image: Path | None = None) -> FirmwareBinding:
    """Load a shared library as the firmware of one board.

    A copy of the file is loaded, so that each board has its own globals.

    Parameters
    ----------
    path : the library. name : what to call it in messages; the file name by default.
    image : a copy of it that nobody else loads; by default one is made.

    Raises
    ------
    PlanError
        If the file is missing or no library, lacks a function of the port, or was built for
        another version of it.
    """
    path = Path(path)
    if image is None:
        with private_copy(path) as copy:
            return load(path, name, image=copy)
    shown = name or str(path)
    try:
        handle = _Handle(image)
    except OSError as problem:
        said = str(problem).replace(str(image), name or path.name)
        raise PlanError(f"cannot be loaded as a library: {said}", file=shown) from problem
    library = handle.library
    missing = [one for one in _FUNCTIONS if not hasattr(library, one)]
    if missing:
        raise PlanError(
            f"firmware library lacks {', '.join(missing)}; firmware_port.h names the functions"
            " that it must export",
            file=shown,
        )
    library.port_version.restype = ctypes.c_int
    library.port_version.argtypes = ()
    found = int(library.port_version())
    if found != VERSION:
        raise PlanError(
            f"firmware library was built for port version {found}, expected {VERSION}",
            file=shown,
        )
    library.port_reset.restype = None
    library.port_reset.argtypes = (ctypes.c_double,)
    resets = None
    if hasattr(library, "port_resets"):
        library.port_resets.restype = ctypes.c_int
        library.port_resets.argtypes = ()
        resets = library.port_resets
    return FirmwareBinding(
        name=name or path.name,
        period=_address(library.port_period),
        receive=_address(library.port_receive),
        transmit=_address(library.port_transmit),
        block=new_block(),
        reset=library.port_reset,
        resets=resets,
        keep=(handle,),
    )


def _address(function: Any) -> int:
    return int(ctypes.cast(function, ctypes.c_void_p).value or 0)


def compiler() -> str | None:
    """Path of the system's C compiler (``$CC`` first), None if there is none."""
    for one in (os.environ.get("CC", ""), *_COMPILERS):
        found = shutil.which(one) if one else None
        if found:
            return found
    return None


def build(
    sources: Sequence[Path | str],
    *,
    include: Sequence[Path | str] = (),
    defines: Mapping[str, str] | None = None,
    flags: Sequence[str] = (),
    folder: Path | None = None,
) -> Path:
    """Compile C sources to a shared library, or find the one compiled earlier from the same.

    The result is kept under a name made from the preprocessed sources, so a change in any header
    counts, from the flags and from the compiler.

    Parameters
    ----------
    sources : C files. include : folders to search for headers, before the project's own.
    defines : macro name -> value, ``""`` for none. flags : added last.
    folder : where libraries are kept; the user's cache by default.

    Returns
    -------
    Path of the library, for `load`.

    Raises
    ------
    PlanError
        If there is no compiler, a source is missing, or they do not compile; then with what the
        compiler printed.
    """
    command = compiler()
    if command is None:
        raise PlanError("firmware sources need a C compiler (cc, gcc or clang); none was found")
    files = [Path(one) for one in sources]
    if not files:
        raise PlanError("no firmware sources are named")
    for one in files:
        if not one.is_file():
            raise PlanError("firmware source not found", file=str(one))
    macros = [f"-D{key}={value}" if value else f"-D{key}" for key, value in (defines or {}).items()]
    options = [*_FLAGS, *(f"-I{one}" for one in (*include, INCLUDE)), *macros, *flags]
    digest = hashlib.sha256(_run([command, "--version"], files))
    digest.update("\0".join([*_FLAGS, *macros, *flags]).encode())
    for one in files:
        digest.update(b"\0" + _run([command, *options, "-E", "-P", str(one)], files))
    folder = folder or cache_home() / "firmware"
    folder.mkdir(parents=True, exist_ok=True)
    library = folder / f"{digest.hexdigest()[:24]}.so"
    if not library.exists():
        handle, partial = tempfile.mkstemp(dir=folder, suffix=".partial")
        os.close(handle)
        try:
            _run([command, *options, "-shared", *map(str, files), "-lm", "-o", partial], files)
            Path(partial).replace(library)
        finally:
            Path(partial).unlink(missing_ok=True)
    return library


def _run(command: list[str], files: Sequence[Path]) -> bytes:
    """What the compiler prints, as it prints it; its complaints become the message."""
    try:
        done = subprocess.run(command, capture_output=True, check=False, timeout=300)
    except (OSError, subprocess.TimeoutExpired) as problem:
        raise PlanError(f"{command[0]} did not run: {problem}") from problem
    if done.returncode != 0:
        names = ", ".join(one.name for one in files)
        # It quotes lines of the sources, in whatever encoding they are.
        said = done.stderr.decode("utf-8", "replace").rstrip()
        raise PlanError(f"firmware does not compile ({names}):\n{said}")
    return done.stdout
