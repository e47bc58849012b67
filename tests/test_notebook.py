"""The public functions, imported when they are asked for, and what the README shows of them."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

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
EXAMPLE = """\
import numpy as np
from optimiser import (
    ackermann_error, bump_steer, ideal_inner_joint, read_results, read_study, run_study,
    solve_linkage,
)

study = read_study("studies/demo.toml")
travel = study.travel.grid()                             # mm, droop negative
toe = bump_steer(study.points, travel).toe_change        # radians, one for each travel
print(f"as drawn: {np.degrees(toe).min():+.3f} to {np.degrees(toe).max():+.3f} deg")

poses = solve_linkage(study.points, travel[:, None], np.array([-40.0, 0.0, 40.0]))
print(np.degrees(poses.steer).round(2)[0])               # fully drooped, at three rack positions

lock = ackermann_error(study.points, study.car.attitude, wheelbase_mm=2250.0,
                       inner_lock=np.radians(34.0), target=0.6)
print(f"Ackermann error as drawn: {np.degrees(lock.largest):.2f} deg")

joint = ideal_inner_joint(study.points, study.points.outer_joint, 108.0, travel)
print(f"for this arm: rack at {joint.rack_height_mm:.1f} mm, {joint.spacing_mm:.1f} mm long")

outcome = run_study(study, trials=60)                    # into results/demo
result = read_results(outcome.folder)                    # later, from the files alone
best = result.trials.query("status == 'ok'").sort_values("bump_steer_deg")
print(best[["rack", "rack_height_mm", "spacer_mm", "bump_steer_deg"]].head())
"""


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


@pytest.mark.parametrize("code", dict.fromkeys([EXAMPLE, *readme_blocks()]))
def test_examples_run(code, tmp_path, monkeypatch):
    shutil.copytree(ROOT / "studies", tmp_path / "studies")
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    exec(compile(code, "example", "exec"), names)
    if code == EXAMPLE:
        assert isinstance(names["toe"], np.ndarray)
        assert isinstance(names["best"], pd.DataFrame)
        assert len(names["result"].trials) >= 60 * 7
