"""How large the program is: modules, rooms, lengths of files and functions.

    python tests/benchmarks/structure.py [FOLDER]

A function's length is in lines, its docstring not counted. Nothing is imported or run.
"""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import numpy as np

FOLDER = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parents[2] / "optimiser"
Function = ast.FunctionDef | ast.AsyncFunctionDef


def length(node: Function) -> int:
    """Lines of a function without its docstring."""
    lines = (node.end_lineno or node.lineno) - node.lineno + 1
    first = node.body[0]
    if ast.get_docstring(node, clean=False) is not None:
        lines -= (first.end_lineno or first.lineno) - first.lineno + 1
    return lines


def summary(values: list[int]) -> str:
    """Median, 90th percentile and greatest."""
    return f"{np.median(values):.0f} / {np.percentile(values, 90):.0f} / {max(values)}"


paths = sorted(FOLDER.rglob("*.py"))
sources = {path: path.read_text("utf-8") for path in paths}
modules = [path for path in paths if path.name != "__init__.py"]
functions = [
    node
    for source in sources.values()
    for node in ast.walk(ast.parse(source))
    if isinstance(node, Function)
]
rooms = [path for path in FOLDER.iterdir() if (path / "__init__.py").exists()]
print(f"modules: {len(modules)}, rooms: {len(rooms)}, functions: {len(functions)}")
print(
    "lines of a module, median / p90 / max:",
    summary([len(sources[m].splitlines()) for m in modules]),
)
print("lines of a function, median / p90 / max:", summary([length(node) for node in functions]))
