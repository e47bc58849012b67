"""The public functions, imported when they are asked for, and what the README shows of them."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_study import still_text

import optimiser

ROOT = Path(__file__).resolve().parent.parent
NAMES = (
    "Attitude",
    "ackermann_error",
    "bump_steer",
    "ideal_inner_joint",
    "read_results",
    "read_study",
    "run_study",
    "solve_linkage",
)


def readme_blocks():
    """Python in the README; each must run by itself."""
    text = (ROOT / "README.md").read_text("utf-8")
    return re.findall(r"^```python\n(.*?)^```", text, flags=re.DOTALL | re.MULTILINE)


@pytest.mark.parametrize("name", NAMES)
def test_public_functions(name):
    assert callable(getattr(optimiser, name))
    assert name in dir(optimiser)


def test_other_names_are_refused_as_python_does():
    with pytest.raises(AttributeError, match="module 'optimiser' has no attribute 'bump_stear'"):
        _ = optimiser.bump_stear


def test_the_package_itself_imports_nothing():
    code = (
        "import sys; before = set(sys.modules); import optimiser; dir(optimiser)\n"
        "print(sorted({name.split('.')[0] for name in set(sys.modules) - before}))"
    )
    run = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    loaded = run.stdout
    for heavy in ("numpy", "pandas", "scipy", "matplotlib", "optuna", "pydantic"):
        assert f"'{heavy}'" not in loaded
    assert "'optimiser'" in loaded


@pytest.mark.parametrize("code", readme_blocks())
def test_examples_run(code, tmp_path, monkeypatch):
    shutil.copytree(ROOT / "studies", tmp_path / "studies")
    demo = tmp_path / "studies" / "demo.toml"
    # All seven racks and what moves are the main command's to run.
    text = still_text().replace("[racks]", '[racks]\nuse = ["Finch"]')
    demo.write_text(text, "utf-8")
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    exec(compile(code, "example", "exec"), names)
    assert isinstance(names["toe"], np.ndarray)
    assert isinstance(names["best"], pd.DataFrame)
    assert len(names["result"].trials) >= 60


def test_the_readme_has_an_example():
    assert any("run_study(" in block for block in readme_blocks())
