"""One writer a run folder: a lock on its record that the system takes away when the writer dies."""

from __future__ import annotations

import errno
import os
import sys

#: What a file system answers that holds the lock for somebody else; anything else it answers
#: means that it knows no locks.
_HELD = {errno.EAGAIN, errno.EACCES, errno.EDEADLK}

if sys.platform == "win32":
    import msvcrt

    _FAR = 1 << 30  # a byte far behind the content, so that others can read it

    def _lock(file: int) -> None:
        place = os.lseek(file, 0, os.SEEK_CUR)
        os.lseek(file, _FAR, os.SEEK_SET)
        try:
            msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
        finally:
            os.lseek(file, place, os.SEEK_SET)

else:
    import fcntl

    def _lock(file: int) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


def lock(file: int) -> bool:
    """Lock an open file until it is closed or its process dies; False if another has it locked.

    True also where the file system knows no locks: a share without them must not stop a night.
    """
    try:
        _lock(file)
    except OSError as problem:
        return problem.errno not in _HELD
    return True
