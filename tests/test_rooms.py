"""The rooms of the package: imports point downward only, and heavy libraries stay upstairs."""

import ast
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import grimp
import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "optimiser"
HEAVY = ("optuna", "pandas", "matplotlib")
# The refinement, which is more than one file: its steps are what calls scipy.
SCIPY_OPTIMISERS_ONLY_IN = {
    "optimiser.search.refine",
    "optimiser.search.linear_steps",
    "optimiser.search.least_distance",
}


def rooms() -> list[list[str]]:
    """The rooms of each line of the import contract, from the top down."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    contracts = settings["tool"]["importlinter"]["contracts"]
    (contract,) = (c for c in contracts if c["id"] == "rooms")
    return [layer.split(" | ") for layer in contract["layers"]]


def modules_of(room: str) -> list[str]:
    """Dotted names of all modules of a room."""
    files = sorted((PACKAGE / room).rglob("*.py"))
    names = [".".join(path.relative_to(ROOT).with_suffix("").parts) for path in files]
    return [name.removesuffix(".__init__") for name in names]


def lower_modules() -> list[str]:
    """Names of the modules of the evaluation and of every room below it."""
    lines = rooms()
    return [m for line in lines[lines.index(["evaluation"]) :] for r in line for m in modules_of(r)]


def imported_names(source: str) -> set[str]:
    """Every dotted name that the source imports, at any depth of the code."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found.update(f"{node.module}.{alias.name}" for alias in node.names)
    return found


def uses_scipy_optimisers(source: str) -> bool:
    """Whether the source imports scipy.optimize, or all of scipy, through which it is reached."""
    return any(
        name in ("scipy", "scipy.*") or f"{name}.".startswith("scipy.optimize.")
        for name in imported_names(source)
    )


def test_every_folder_of_the_package_is_a_room_of_the_contract():
    folders = {path.name for path in PACKAGE.iterdir() if (path / "__init__.py").exists()}
    assert sorted(room for line in rooms() for room in line) == sorted(folders)


def test_the_map_for_developers_names_every_room_in_the_order_of_the_contract():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text[text.index("| room | files |") : text.index("Nothing from `evaluation` down")]
    rows = [re.findall(r"`([\w/]+)`", row.split("|")[1]) for row in table.splitlines()[2:] if row]
    assert [name for (name,) in rows] == [room for line in rooms() for room in line]


def test_every_room_says_what_it_is_for_and_what_it_may_not_know():
    for line in rooms():
        for room in line:
            source = (PACKAGE / room / "__init__.py").read_text("utf-8")
            text = ast.get_docstring(ast.parse(source)) or ""
            assert "may not know" in text or (room == "command" and text), room


def test_every_dependency_beyond_the_first_six_has_its_reason():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    lists = [project["dependencies"], *project["optional-dependencies"].values()]
    named = {re.match(r"[\w-]+", item).group() for items in lists for item in items}
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = text[text.index("| package | extra |") : text.index("## Benchmarks")].splitlines()[2:]
    explained = {name for row in rows if row for name in row.split("|")[1].strip().split(", ")}
    built_on = {"numpy", "scipy", "pandas", "optuna", "matplotlib", "pytest"}
    assert explained == named - built_on - {project["name"]}


def test_import_contracts_are_kept():
    command = "import sys; from importlinter.cli import lint_imports_command as main; main()"
    run = subprocess.run(
        [sys.executable, "-c", command, "--no-cache", "--no-logo"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stdout + run.stderr
    assert "8 kept, 0 broken" in run.stdout


@pytest.mark.parametrize("heavy", HEAVY)
def test_no_lower_module_reaches_a_heavy_library(heavy):
    graph = grimp.build_graph("optimiser", include_external_packages=True, cache_dir=None)
    assert lower_modules()
    if heavy not in graph.modules:
        return
    chains = {m: graph.find_shortest_chain(m, heavy, as_packages=True) for m in lower_modules()}
    assert not {module: chain for module, chain in chains.items() if chain}


def test_importing_every_lower_module_loads_no_heavy_library():
    # Unlike the import graph this sees through third-party packages too.
    code = (
        "import importlib, sys\n"
        f"for name in {lower_modules()!r}: importlib.import_module(name)\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules])"
    )
    run = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert (run.returncode, run.stdout.strip()) == (0, "[]"), run.stderr


def test_only_refine_imports_scipy_optimisers():
    users = set()
    for path in sorted(PACKAGE.rglob("*.py")):
        if uses_scipy_optimisers(path.read_text(encoding="utf-8")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            users.add(".".join(parts))
    assert users <= SCIPY_OPTIMISERS_ONLY_IN


@pytest.mark.parametrize(
    ("source", "expected"),
    [
        ("import scipy.optimize", True),
        ("from scipy.optimize import least_squares", True),
        ("def f():\n    from scipy import optimize", True),
        ("from scipy.optimize._lsq import x", True),
        ("import scipy", True),
        ("from scipy.stats import qmc", False),
        ("import numpy as np", False),
    ],
)
def test_the_check_for_scipy_optimisers_can_fail(source, expected):
    assert uses_scipy_optimisers(source) is expected
