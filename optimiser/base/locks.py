"""A lock on a file that dies with the process that holds it, so that none is ever left behind."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from typing import IO

_POLL_SECONDS = 0.05

if sys.platform == "win32":
    import msvcrt

    def try_lock(stream: IO[bytes]) -> bool:
        """Take the lock of an open file; False when another process holds it."""
        stream.seek(0)
        try:
            msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:
    import fcntl

    def try_lock(stream: IO[bytes]) -> bool:
        """Take the lock of an open file; False when another process holds it."""
        try:
            fcntl.flock(stream.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True


def wait_for_lock(stream: IO[bytes], seconds: float) -> bool:
    """`try_lock`, again and again for so long."""
    ends = time.monotonic() + seconds
    while not try_lock(stream):
        if time.monotonic() >= ends:
            return False
        time.sleep(_POLL_SECONDS)
    return True
