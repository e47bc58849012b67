"""Output that ends nothing: what a terminal, a pipe or a log cannot take is left out.

A terminal is closed, the reader of a pipe ends, the disk of a log fills up, at any moment of a
night. The results are in files; what is said on the way is not worth the run.
"""

from __future__ import annotations

import contextlib
import os
import sys
from typing import TYPE_CHECKING, Any, Literal, TextIO, cast

if TYPE_CHECKING:
    from collections.abc import Iterator


class _Unfailing:
    """A text stream, or none at all, that leaves out what it cannot write."""

    def __init__(self, stream: TextIO | None) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        if self._stream is not None:
            with contextlib.suppress(OSError, ValueError):  # ValueError: it was closed
                self._stream.write(text)
        return len(text)

    def flush(self) -> None:
        if self._stream is not None:
            with contextlib.suppress(OSError, ValueError):
                self._stream.flush()

    def isatty(self) -> bool:
        with contextlib.suppress(OSError, ValueError):
            return self._stream is not None and self._stream.isatty()
        return False

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


@contextlib.contextmanager
def unfailing(*names: Literal["stdout", "stderr"]) -> Iterator[None]:
    """Standard output, error or both never raise as long as the block lasts.

    What still waits in a buffer at its end and cannot be written goes nowhere, so that it cannot
    change the exit code of the process either.
    """
    before: dict[str, TextIO | None] = {name: getattr(sys, name) for name in names}
    for name, stream in before.items():
        setattr(sys, name, cast("TextIO", _Unfailing(stream)))
    try:
        yield
    finally:
        for name, stream in before.items():
            setattr(sys, name, stream)
            if stream is not None:
                _empty(stream)


def _empty(stream: TextIO) -> None:
    try:
        stream.flush()
    except (OSError, ValueError):
        with contextlib.suppress(OSError, ValueError):
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, stream.fileno())
            os.close(nowhere)


def take_standard_numbers() -> None:
    """Open what was closed of descriptors 0, 1 and 2, before a file of ours takes its number.

    A line to standard error would otherwise land in that file. Python has no stream at all for
    one that was closed when it started: that gets one too.
    """
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)
        if getattr(sys, name) is None:
            mode = "r" if number == 0 else "w"
            setattr(sys, name, os.fdopen(number, mode, encoding="utf-8", closefd=False))
