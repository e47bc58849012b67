"""The commands as a user types them: answers, exit codes, refusals, and a quick `--help`."""

from __future__ import annotations

import shlex
import subprocess
import sys

import pandas as pd
import pytest
from small_study import run, run_here, write_small_study

from optimiser.metrics.pose_table import COLUMNS

# Not pydantic: typer itself loads it for a command's arguments.
HEAVY = ("numpy", "scipy", "pandas", "optuna", "matplotlib", "dask", "ezdxf", "jinja2")


@pytest.mark.parametrize("arguments", [["--help"], ["run", "--help"], ["try", "--help"]])
def test_help_loads_nothing_heavy(arguments):
    code = (
        "import sys\n"
        f"sys.argv = ['optimiser', *{arguments!r}]\n"
        "from optimiser.command.cli import main\n"
        "try:\n    main()\nexcept SystemExit as end:\n    assert not end.code, end.code\n"
        f"print('LOADED', [name for name in {HEAVY!r} if name in sys.modules])\n"
    )
    shown = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True
    )
    assert shown.stdout.rstrip().endswith("LOADED []")
    assert "Usage" in shown.stdout


def test_a_process_of_its_own_says_the_same(tmp_path):
    """What the other tests run in their own process, to save the imports, is what a user runs."""
    path = write_small_study(tmp_path)
    for arguments in (("check", path), ("run", "nothing.toml")):
        assert run(*arguments, cwd=tmp_path) == run_here(*arguments, cwd=tmp_path)


def test_new_writes_a_study_that_checks_and_runs(tmp_path):
    code, out, _ = run_here("new", tmp_path / "mine", cwd=tmp_path)
    assert code == 0
    assert str(tmp_path / "mine" / "mine.toml") in out
    code, out, err = run_here("check", tmp_path / "mine" / "mine.toml", cwd=tmp_path)
    assert code == 0, err
    assert "as drawn" in out
    code, out, err = run_here("run", "mine/mine.toml", "--trials", 60, "--workers", 1, cwd=tmp_path)
    assert code == 0, err
    assert (tmp_path / "results" / "mine" / "front.csv").exists()


def test_the_next_command_can_be_typed_as_it_stands(tmp_path):
    code, out, _ = run_here("new", "my 'new' car", cwd=tmp_path)
    assert code == 0
    command = shlex.split(out.splitlines()[-1].removeprefix("now edit them, then: "))
    assert command == ["optimiser", "check", "my 'new' car/my 'new' car.toml"]
    code, _, err = run_here(*command[1:], cwd=tmp_path)
    assert (code, err) == (0, "")


def test_new_never_overwrites(tmp_path):
    run_here("new", tmp_path, cwd=tmp_path)
    before = (tmp_path / f"{tmp_path.name}.toml").read_bytes()
    code, _, err = run_here("new", tmp_path, cwd=tmp_path)
    assert code == 2
    assert "is already there" in err
    assert (tmp_path / f"{tmp_path.name}.toml").read_bytes() == before


def test_check_gives_the_numbers_of_the_car_as_drawn(tmp_path):
    path = write_small_study(tmp_path)
    code, out, _ = run_here("check", path, cwd=tmp_path)
    assert code == 0
    for text in ("bump steer, RMS over travel", "inner-referenced", "toggle margin", "caster"):
        assert text in out


def test_curves_need_only_the_car_and_its_points(tmp_path):
    path = write_small_study(tmp_path)
    text = path.read_text("utf-8")
    points = next(line for line in text.splitlines() if line.startswith("file = "))
    bare = tmp_path / "bare.toml"
    bare.write_text(
        f"[car]\nwheelbase_mm = 2300\nloaded_radius_mm = 280\n[hardpoints]\n{points}\n", "utf-8"
    )
    code, out, err = run_here(
        "curves",
        bare,
        "--travel",
        "-20:20:20",
        "--rack=-300:300:300",
        "--out",
        "c.csv",
        cwd=tmp_path,
    )
    assert (code, err) == (0, ""), out
    table = pd.read_csv(tmp_path / "c.csv")
    assert tuple(table.columns) == COLUMNS
    assert len(table) == 9
    assert list(table["feasible"]) == [False, True, False] * 3
    assert table.loc[~table["feasible"], list(COLUMNS[3:])].isna().all(axis=None)
    assert table.loc[table["feasible"], list(COLUMNS[3:])].notna().all(axis=None)


@pytest.mark.parametrize(
    ("sweep", "problem"),
    [
        ("1:2", "not three finite numbers"),
        ("a:b:c", "not a number"),
        ("5:1:1", "does not run upwards"),
        ("0:10:0", "does not run upwards"),
        ("0:1e5:1e-6", "coarser step"),
        ("nan:1:1", "not three finite numbers"),
    ],
)
def test_a_sweep_that_is_none_is_one_line(tmp_path, sweep, problem):
    path = write_small_study(tmp_path)
    code, out, err = run_here("curves", path, f"--travel={sweep}", cwd=tmp_path)
    assert code == 2
    assert out == ""
    assert problem in err
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    "arguments",
    [
        ["run"],
        ["run", "nothing.toml"],
        ["frobnicate"],
        ["check", "--frob"],
        ["run", "x", "--trials", "0"],
    ],
)
def test_a_wrong_call_is_one_line_and_exit_code_2(tmp_path, arguments):
    code, out, err = run_here(*arguments, cwd=tmp_path)
    assert code == 2
    assert out == ""
    assert err.startswith("optimiser: ")
    assert err.count("\n") == 1
    assert "Traceback" not in err


def test_curves_that_cannot_be_written_are_one_line(tmp_path):
    path = write_small_study(tmp_path)
    code, _, err = run_here("curves", path, "--out", tmp_path, cwd=tmp_path)
    assert code == 2
    assert err == f"optimiser: {tmp_path}: is a folder; give the name of a file in it\n"
    assert err.count("\n") == 1
