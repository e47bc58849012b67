"""A lock on a file that dies with the process that holds it, so that none is ever left behind."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from filelock import lock_descriptor

if TYPE_CHECKING:
    from pathlib import Path
    from typing import IO

_POLL_SECONDS = 0.05


def try_lock(stream: IO[bytes]) -> bool:
    """Take the lock of an open file; False when another process holds it."""
    return lock_descriptor(stream.fileno(), blocking=False)


def wait_for_lock(stream: IO[bytes], seconds: float) -> bool:
    """`try_lock`, again and again for so long."""
    ends = time.monotonic() + seconds
    while not try_lock(stream):
        if time.monotonic() >= ends:
            return False
        time.sleep(_POLL_SECONDS)
    return True


def is_held(path: Path) -> bool | None:
    """Whether a process has the lock of a file just now; None where that cannot be told.

    Nothing is written, but for a moment the lock is taken: whoever wants it has to wait that long.
    """
    try:
        with path.open("rb+") as stream:
            return not try_lock(stream)
    except FileNotFoundError:
        return False
    except OSError:
        return None
