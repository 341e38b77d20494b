"""A pytest plugin (``-p ci.disk``) that writes down what a run asks of the disk, or fills it up.

``HIL_DISK_ROOT`` is the folder that is watched. ``HIL_DISK_ACKS`` gets a line for every entry of
the record once `RunFolder.append` has returned, over a file that is not below the root.
``HIL_DISK_LOG`` gets every operation below the root, for `ci.power_loss`. ``HIL_DISK_ROOM`` is how
many bytes fit on the disk: from there on writing fails as on a full one.
"""

from __future__ import annotations

import errno
import io
import os
import pickle
from collections.abc import Callable
from pathlib import Path
from typing import Any, ClassVar

#: Name of the operation and what it applies to; see `ci.power_loss.Disk`.
Operation = tuple[Any, ...]

_open, _os = io.open, {name: getattr(os, name) for name in (
    "open", "close", "fsync", "replace", "unlink", "mkdir",
)}  # fmt: skip


class Layer:
    """What is in force in this process."""

    def __init__(self, root: Path, room: int | None = None) -> None:
        self.root = str(root.absolute())
        self.log: list[Operation] = []
        self.room = room
        self.inodes: dict[str, int] = {}
        self._count = 0
        self._folders: dict[int, str] = {}

    def inside(self, path: object) -> str:
        """The absolute path if it is watched, else ""."""
        if not isinstance(path, str | os.PathLike):
            return ""
        absolute = str(Path(path).absolute())
        return absolute if absolute.startswith(self.root + os.sep) else ""

    def add(self, *operation: Any) -> None:
        """Write an operation down."""
        self.log.append(operation)

    def inode(self, path: str, *, new: bool) -> int:
        """The number of the file at `path`."""
        if new or path not in self.inodes:
            self._count += 1
            self.inodes[path] = self._count
            self.add("create" if new else "found", path, self._count)
        return self.inodes[path]

    def take(self, size: int) -> int:
        """How many of `size` bytes still fit; raises when none does."""
        if self.room is None or size == 0:
            return size
        if self.room <= 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        taken = min(size, self.room)
        self.room -= taken
        return taken

    # -- what stands in the place of the system's functions -------------------------------------

    def open(self, file: Any, mode: str = "r", *args: Any, **more: Any) -> Any:
        """As `io.open`; files below the root are unbuffered and watched."""
        path = self.inside(file)
        if not path or not set(mode) & set("wxa+"):
            return _open(file, mode, *args, **more)
        if "b" not in mode:
            raise AssertionError(f"{path}: opened as text, where this layer cannot see it")
        return File(self, path, mode)

    def os_open(self, path: Any, flags: int, *args: Any, **more: Any) -> int:
        """As `os.open`."""
        number: int = _os["open"](path, flags, *args, **more)
        absolute = str(Path(path).absolute())
        if self.inside(path) or absolute == self.root:
            self._folders[number] = absolute
        return number

    def close(self, number: int) -> None:
        """As `os.close`."""
        self._folders.pop(number, None)
        _os["close"](number)

    def fsync(self, number: Any) -> None:
        """As `os.fsync`."""
        if isinstance(number, int):
            if number in self._folders:
                self.add("sync-folder", self._folders[number])
            elif number in File.watched:
                if self.room is not None and self.room <= 0:
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
                self.add("sync", File.watched[number])
                return  # the loss of power is simulated; the real disk may take its time
        _os["fsync"](number)

    def replace(self, source: Any, target: Any, **more: Any) -> None:
        """As `os.replace`."""
        _os["replace"](source, target, **more)
        old, new = self.inside(source), self.inside(target)
        if new:
            self.inodes[new] = self.inodes.pop(old)
            self.add("rename", old, new)

    def unlink(self, path: Any, **more: Any) -> None:
        """As `os.unlink`."""
        _os["unlink"](path, **more)
        if inside := self.inside(path):
            self.inodes.pop(inside, None)
            self.add("unlink", inside)

    def mkdir(self, path: Any, *args: Any, **more: Any) -> None:
        """As `os.mkdir`."""
        _os["mkdir"](path, *args, **more)
        if inside := self.inside(path):
            self.add("mkdir", inside)

    def install(self) -> None:
        """From now on all of this process goes through the layer."""
        io.open = self.open
        for name in _os:
            setattr(os, name, self.os_open if name == "open" else getattr(self, name))

    @staticmethod
    def remove() -> None:
        """Give the system's functions back."""
        io.open = _open
        for name, function in _os.items():
            setattr(os, name, function)


class File(io.FileIO):
    """A file that tells the layer what is written to it."""

    #: Descriptor -> number of the file, for those that are open.
    watched: ClassVar[dict[int, int]] = {}

    def __init__(self, layer: Layer, path: str, mode: str) -> None:
        there = Path(path).exists()
        super().__init__(path, mode.replace("b", ""))
        self._layer = layer
        self._inode = layer.inode(path, new=not there)
        self.watched[self.fileno()] = self._inode
        if there and "w" in mode:
            layer.add("truncate", self._inode, 0)

    def write(self, data: Any) -> int:
        """As a full disk allows."""
        content = bytes(data)[: self._layer.take(len(data))]
        at = self.tell()
        written = super().write(content)
        self._layer.add("write", self._inode, at, content)
        return written

    def truncate(self, size: int | None = None) -> int:
        """Room on the disk comes back."""
        size = self.tell() if size is None else size
        before = os.fstat(self.fileno()).st_size
        done = super().truncate(size)
        if self._layer.room is not None:
            self._layer.room += max(0, before - size)
        self._layer.add("truncate", self._inode, size)
        return done

    def close(self) -> None:
        """Forget its descriptor too."""
        if not self.closed:
            self.watched.pop(self.fileno(), None)
        super().close()


def acknowledging(append: Callable[..., None], say: Callable[[Any], None]) -> Callable[..., None]:
    """`RunFolder.append` that says what it has taken once it has returned."""

    def appended(folder: Any, entry: Any) -> None:
        append(folder, entry)
        say(entry)

    return appended


def pytest_configure() -> None:
    """Put the layer in force, as the environment says."""
    from hil.store.codec import encode
    from hil.store.folder import RunFolder

    given = os.environ
    acks = _os["open"](given["HIL_DISK_ACKS"], os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    layer = None
    if given.get("HIL_DISK_LOG") or given.get("HIL_DISK_ROOM"):
        room = given.get("HIL_DISK_ROOM")
        layer = Layer(Path(given["HIL_DISK_ROOT"]), int(room) if room else None)

    def say(entry: Any) -> None:
        line = encode(entry)
        os.write(acks, line.encode("ascii") + b"\n")
        if layer is not None:
            layer.add("acknowledged", line)

    RunFolder.append = acknowledging(RunFolder.append, say)  # type: ignore[method-assign]
    if layer is not None:
        layer.install()
        _kept.append(layer)


_kept: list[Layer] = []


def pytest_unconfigure() -> None:
    """Write the operations down."""
    for layer in _kept:
        layer.remove()
        if file := os.environ.get("HIL_DISK_LOG"):
            Path(file).write_bytes(pickle.dumps(layer.log))
