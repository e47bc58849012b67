"""Ctrl-C, SIGTERM, a closed terminal: the first asks a run to stop, a second Ctrl-C ends it.

A signal that the process was started to ignore stays ignored: under `nohup` a run outlives its
terminal, and behind `&` in a script it is not stopped by the Ctrl-C that was meant for others.
"""

from __future__ import annotations

import contextlib
import os
import signal
import threading
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from types import FrameType

_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP")
_NOTE = (
    b"\noptimiser: stopping after the designs at hand, then writing what there is; "
    b"Ctrl-C again ends at once\n"
)


class StopFlag:
    """False until one of the signals arrives, as long as the `with` block lasts.

    Outside the main thread, which alone receives signals, it stays False.
    """

    def __init__(self) -> None:
        self._set = False
        self._before: dict[int, object] = {}

    def __call__(self) -> bool:
        """Whether the run is asked to stop."""
        return self._set

    def __enter__(self) -> Self:
        if threading.current_thread() is threading.main_thread():
            for name in _SIGNALS:
                number = getattr(signal, name, None)
                if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
                    self._before[number] = signal.signal(number, self._hear)
        return self

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)  # type: ignore[arg-type]  # what signal() gave
        self._before.clear()

    def settle(self) -> None:
        """Hear no signal from here to the end of the process.

        Called before the last folder is marked as finished: one that came between the mark and
        the end would otherwise give the exit code of a run that was cut short.
        """
        for number in self._before:
            signal.signal(number, signal.SIG_IGN)
        self._before.clear()

    def _hear(self, number: int, frame: FrameType | None) -> None:
        if self._set and number == signal.SIGINT:
            raise KeyboardInterrupt
        if not self._set:
            # Not print: the signal may have come in the middle of one.
            with contextlib.suppress(OSError):
                os.write(2, _NOTE)
        self._set = True
