"""One owner per rig: a lease that names its holder.

    with take(rig, resources, purpose="run") as lease: ...

A rig is what it is wired to: each address (board port, supply, ...) is leased for itself, so that
two rig files that share a supply exclude each other whatever they are called. A lease is a locked
file; the system takes the lock away when its holder dies, so that what a dead process left behind
is recognised and never in the way. Hardware only: a simulated bench belongs to its process.
"""

from __future__ import annotations

import contextlib
import getpass
import hashlib
import json
import os
import platform
import sys
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal

from hil.core.closing import Closing
from hil.core.errors import BenchError
from hil.core.roles import INSTRUMENTS
from hil.plan.instruments import Instrument
from hil.plan.rig import Rig
from hil.ports.clock import Clock, WallClock, utc_now

Purpose = Literal["run", "look"]
#: How long somebody who only looks who is there may keep others waiting, s.
LOOKING = 10.0


class RigInUse(BenchError):
    """Somebody else holds the rig."""


@dataclass(frozen=True, slots=True)
class Holder:
    """Who holds a lease, as written in its file."""

    rig: str
    address: str
    pid: int
    host: str
    user: str
    since: str
    boot: str
    purpose: str

    def __str__(self) -> str:
        return (
            f"process {self.pid} of {self.user} on {self.host} since {self.since} (rig {self.rig})"
        )


def lease_folder() -> Path:
    """Where the leases of this computer are: one place for all its users."""
    given = os.environ.get("HIL_LEASES")
    return Path(given) if given else Path(tempfile.gettempdir()) / "hil-leases"


def addresses(rig: Rig, resources: Mapping[str, str]) -> dict[str, str]:
    """Role -> address of everything that a rig is wired to, each in one spelling."""
    found = {"board": _board(rig, resources.get("board", ""))}
    for role in INSTRUMENTS:
        instrument: Instrument | None = getattr(rig, role, None)
        if instrument is not None:
            name = (resources.get(role) or instrument.resource).upper()
            # TCPIP and TCPIP0 are one interface (VPP-4.3, resource names)
            found[role] = name.replace("TCPIP::", "TCPIP0::", 1).replace("LOCALHOST", "127.0.0.1")
    return found


def _board(rig: Rig, override: str) -> str:
    link = rig.board
    place = override or link.by_id or link.url
    if place:
        path = Path(place)
        return str(path.resolve()) if "://" not in place and path.exists() else place
    usb = link.usb
    assert usb is not None  # the rig file names exactly one of the three
    return f"usb {usb.vendor}:{usb.product} {usb.serial} {usb.location}".strip()


def boot_id() -> str:
    """Tells one start of the system from another; "" where the system does not say."""
    with contextlib.suppress(OSError):
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    return ""


class Lease(Closing):
    """Leases of all addresses of a rig; release it, or leave its context.

    Attributes
    ----------
    stale : holders that had died without releasing what is leased now.
    """

    def __init__(self) -> None:
        self._files: list[int] = []
        self.stale: tuple[Holder, ...] = ()

    @property
    def files(self) -> tuple[int, ...]:
        """File descriptors: a child process that keeps them open keeps the lease alive."""
        return tuple(self._files)

    def release(self, *, keep_for_children: bool = False) -> None:
        """Give the rig back, also on behalf of children; a second call does nothing.

        `keep_for_children`: those that hold it (a guard that is still switching the supply off)
        go on holding it until they end.
        """
        files, self._files = self._files, []
        for file in files:
            if not keep_for_children:
                with contextlib.suppress(OSError):
                    os.ftruncate(file, 0)
                    _unlock(file)
            with contextlib.suppress(OSError):
                os.close(file)

    def close(self) -> None:
        """As `release`."""
        self.release()


def take(
    rig: Rig,
    resources: Mapping[str, str],
    *,
    purpose: Purpose = "run",
    clock: Clock | None = None,
) -> Lease:
    """Lease the rig.

    Fails at once if a run holds it. One who only looks (``hil check``, the choice of a bench) is
    waited for.

    Raises
    ------
    RigInUse
        Naming the holder.
    BenchError
        If leases cannot be kept on this computer.
    """
    clock = clock or WallClock()
    end = clock.now() + LOOKING
    while True:
        lease = Lease()
        stale: list[Holder] = []
        try:
            # Two outputs of one supply are one address.
            wired = {address: role for role, address in addresses(rig, resources).items()}
            for address, role in sorted(wired.items()):
                stale += _lock(lease, rig.rig, role, address, purpose)
        except _Held as held:
            lease.release()
            brief = held.holder is None or held.holder.purpose == "look"
            if brief and clock.now() < end:
                clock.sleep(0.05)
                continue
            raise RigInUse(str(held)) from None
        except BaseException:
            lease.release()
            raise
        lease.stale = tuple({holder.pid: holder for holder in stale}.values())
        return lease


class _Held(Exception):
    """An address is leased; `holder` is None while that is not yet written."""

    def __init__(self, holder: Holder | None, text: str) -> None:
        super().__init__(text)
        self.holder = holder


def _lock(lease: Lease, rig: str, role: str, address: str, purpose: str) -> Iterator[Holder]:
    """Lease one address; yields the dead holder that it was left by, if there is one."""
    file = _open(address)
    text = os.pread(file, 4096, 0) if hasattr(os, "pread") else os.read(file, 4096)
    before = _holder(text)
    if not _try_lock(file):
        os.close(file)  # its content is the holder's
        raise _Held(before, f"the {role} ({address}) is in use: {_who(before)}")
    lease._files.append(file)
    me = Holder(
        rig=rig,
        address=address,
        pid=os.getpid(),
        host=platform.node(),
        user=_user(),
        since=utc_now(),
        boot=boot_id(),
        purpose=purpose,
    )
    os.ftruncate(file, 0)
    os.lseek(file, 0, os.SEEK_SET)
    os.write(file, json.dumps(asdict(me)).encode("utf-8"))
    if before is not None:
        yield before


def _who(holder: Holder | None) -> str:
    if holder is None:
        return "its holder has not said who it is"
    if not _alive(holder):
        return f"{holder} has ended, but its guard is still switching the supply off"
    return f"held by {holder}"


def _alive(holder: Holder) -> bool:
    if holder.boot != boot_id():
        return False
    try:
        os.kill(holder.pid, 0)
    except ProcessLookupError:
        return False
    except OSError:  # another user's process
        return True
    return not _is_zombie(holder.pid)


def _is_zombie(pid: int) -> bool:
    with contextlib.suppress(OSError, IndexError):
        return Path(f"/proc/{pid}/stat").read_text("latin-1").rpartition(")")[2].split()[0] == "Z"
    return False


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a container without a user table
        return f"user {os.getuid()}" if hasattr(os, "getuid") else "unknown"


def _holder(text: bytes) -> Holder | None:
    try:
        return Holder(**json.loads(text))
    except (ValueError, TypeError):  # empty, or being written
        return None


def _open(address: str) -> int:
    folder = lease_folder()
    name = hashlib.sha256(address.encode()).hexdigest()[:16]
    try:
        if not folder.is_dir():
            folder.mkdir(parents=True, exist_ok=True)
            with contextlib.suppress(OSError):
                folder.chmod(0o1777)  # other users must find the leases too
        path = folder / f"{name}.lease"
        # O_CREAT on a file of somebody else in a shared folder is refused by some systems
        try:
            return os.open(path, os.O_RDWR)
        except FileNotFoundError:
            file = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
            with contextlib.suppress(OSError):
                path.chmod(0o666)
            return file
    except OSError as error:
        raise BenchError(f"the lease of {address} cannot be kept in {folder}: {error}") from error


if sys.platform == "win32":
    import msvcrt

    _FAR = 1 << 30  # a byte far behind the content, so that others can read who holds it

    def _try_lock(file: int) -> bool:
        os.lseek(file, _FAR, os.SEEK_SET)
        try:
            msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        finally:
            os.lseek(file, 0, os.SEEK_SET)
        return True

    def _unlock(file: int) -> None:
        os.lseek(file, _FAR, os.SEEK_SET)
        msvcrt.locking(file, msvcrt.LK_UNLCK, 1)

else:
    import fcntl

    def _try_lock(file: int) -> bool:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True

    def _unlock(file: int) -> None:
        fcntl.flock(file, fcntl.LOCK_UN)
