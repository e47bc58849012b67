"""Chooses a steering rack and places the inner tie-rod joints of a double-wishbone front end.

In a notebook: `from optimiser import read_study, run_study, read_results, solve_linkage,
bump_steer, ackermann_error, ideal_inner_joint, Attitude`. Each is imported when it is first asked
for.
"""

import importlib
from typing import Any

__version__ = "0.1.0"

_HOMES = {
    "Attitude": "linkage.attitude",
    "ackermann_error": "metrics.kinematic",
    "bump_steer": "metrics.kinematic",
    "ideal_inner_joint": "metrics.ideal",
    "read_results": "folder.read",
    "read_study": "study.read",
    "run_study": "jobs.start",
    "solve_linkage": "linkage.at_rack",
}


def __getattr__(name: str) -> Any:
    """A public name from its room; the package itself imports nothing."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f"optimiser.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOMES])
