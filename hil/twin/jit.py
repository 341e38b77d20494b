"""Typed doors to numba: decorators that mypy can follow, and the few pointer operations needed.

Compiled code is cached under a folder named by the content of every source file of the twin.
numba itself looks only at the file of the outermost function, and would go on using old machine
code after a change in a function that it calls.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import sys
import threading
import time
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any, TypeVar, cast

import numba
from llvmlite import ir  # type: ignore[import-untyped]  # ships no types
from numba import types
from numba.core import cgutils
from numba.core import config as _config
from numba.extending import intrinsic as _intrinsic

if sys.platform != "win32":
    import fcntl

Function = TypeVar("Function", bound=Callable[..., Any])

#: Reassociation and fused multiply-add are welcome; NaN and infinity must keep their meaning,
#: because a phase without a shunt reads NaN and a limit that does not exist is infinite.
FAST_MATH = {"contract", "reassoc", "arcp", "nsz", "afn"}

#: numba fills its settings module at run time, out of sight of the type checker.
config: Any = _config
_library: Any = numba

#: In compiled code, memory behind a pointer as an array: ``carray(pointer, shape, dtype)``.
carray: Any = _library.carray

#: Module and function of `hil.twin.kernel` that takes all the others in.
LAST_COMPILED = "kernel.advance"

_STALE = 30 * 86400.0  # s; machine code of sources nobody has used for so long is thrown away


def cache_home() -> Path:
    """Folder for everything compiled by the twin, in the user's cache; not created here."""
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "hil-twin"


@cache
def cache_folder() -> Path:
    """Folder of the machine code of exactly these sources, where they are.

    Counted are the sources that mention this module, and those that lay out what they work on:
    every part of the kernel and of the reference firmware. A copy of them elsewhere has a folder
    of its own, since numba finds no code of another place again.
    """
    here = Path(__file__).parent
    digest = hashlib.sha256(os.fsencode(here.resolve()))
    for source in sorted(here.rglob("*.py")):
        content = source.read_bytes()
        layout = source.name.startswith("kernel") or source.parent.name == "reference"
        if layout or b"hil.twin.jit" in content or source.name == "jit.py":
            digest.update(source.relative_to(here).as_posix().encode() + content)
    folder = cache_home() / f"code-{digest.hexdigest()[:16]}"
    with contextlib.suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        os.utime(folder)
        for old in cache_home().glob("code-*"):
            if time.time() - old.stat().st_mtime > _STALE:
                shutil.rmtree(old, ignore_errors=True)
    return folder


def compiled_before() -> bool:
    """Whether machine code of exactly these sources is kept from an earlier use.

    The loop of the kernel counts, which is compiled last and calls all the rest; small parts are
    compiled by whoever imports them.
    """
    return any(cache_folder().rglob(f"{LAST_COMPILED}-*.nbc"))


class _Turn:
    """Had by one process at a time, and by one thread of it, which may take it again within."""

    def __init__(self) -> None:
        self._thread = threading.RLock()
        self._depth = 0
        self._held = contextlib.ExitStack()

    def __enter__(self) -> None:
        self._thread.acquire()
        if self._depth == 0 and sys.platform != "win32":
            # Where nothing can be kept, or files cannot be locked, nobody waits.
            with contextlib.suppress(OSError):
                file = self._held.enter_context((cache_folder() / "compiling").open("ab"))
                fcntl.flock(file, fcntl.LOCK_EX)
        self._depth += 1

    def __exit__(self, *_: object) -> None:
        self._depth -= 1
        if self._depth == 0:
            self._held.close()
        self._thread.release()


#: Whose turn it is to compile. Of a function that calls another, numba may make slightly different
#: code when that one was found in the cache: were each process to compile for itself, results would
#: differ in the last digit. So every function is compiled once, and found by all others.
compiling = _Turn()


@contextlib.contextmanager
def _caching() -> Iterator[bool]:
    """Point numba's cache at `cache_folder`; without a writable one, compile in every process."""
    folder = cache_folder()
    if config.CACHE_DIR or not os.access(folder, os.W_OK):
        yield bool(config.CACHE_DIR)
        return
    config.CACHE_DIR = str(folder)
    try:
        yield True
    finally:
        config.CACHE_DIR = ""


def _compile(function: Function, **more: Any) -> Function:
    with _caching() as caching:
        decorate = numba.njit(
            cache=caching,
            nogil=True,
            error_model="numpy",
            fastmath=FAST_MATH,
            boundscheck=False,
            **more,
        )
        dispatcher = decorate(function)
    if caching:
        dispatcher.compile = _in_turn(dispatcher.compile)
    return cast(Function, dispatcher)


def _in_turn(compile_for: Callable[[Any], Any]) -> Callable[[Any], Any]:
    """What looks into the cache, and compiles and keeps what is not there, in one turn."""

    def wait(signature: Any) -> Any:
        with compiling:
            return compile_for(signature)

    return wait


def compiled(function: Function) -> Function:
    """Compile on first call, cached, without holding the interpreter lock."""
    return _compile(function)


def spliced(function: Function) -> Function:
    """A part of a `compiled` function that becomes one with it: where even a call would cost."""
    return _compile(function, inline="always")


def inlined(function: Function) -> Function:
    """A part of a `compiled` function, written apart so that it can be read and tested alone."""
    return compiled(function)


def c_function(signature: Any) -> Callable[[Function], Any]:
    """Compile to a function with the C calling convention; its address is ``.address``."""

    def decorate(function: Function) -> Any:
        with _caching() as caching, compiling:
            return numba.cfunc(signature, cache=caching, error_model="numpy", fastmath=FAST_MATH)(
                function
            )

    return decorate


def intrinsic(function: Function) -> Any:
    """`numba.extending.intrinsic`, typed."""
    return _intrinsic(function)


@intrinsic
def pointer(_context: Any, address: Any) -> Any:
    """``pointer(address)``: an address held in an int64, as an untyped pointer."""

    def generate(_ctx: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.inttoptr(arguments[0], cgutils.voidptr_t)

    return types.voidptr(types.int64), generate if isinstance(address, types.Integer) else None


@intrinsic
def moved(_context: Any, start: Any, _offset: Any) -> Any:
    """``moved(start, offset)``: a pointer `offset` bytes beyond `start`."""

    def generate(ctx: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        offset = ctx.cast(builder, arguments[1], signature.args[1], types.int64)
        base = builder.ptrtoint(arguments[0], ir.IntType(64))
        return builder.inttoptr(builder.add(base, offset), cgutils.voidptr_t)

    return types.voidptr(start, types.int64), generate
