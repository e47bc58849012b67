"""Valid studies at random through every command; `tests/stress/random_studies.py` does hundreds."""

from __future__ import annotations

import pytest
from random_studies import RandomStudy, check_everything
from small_study import nothing_drawn, run_here, write_small_study

from optimiser.folder.read import read_results


@pytest.mark.parametrize(
    ("seed", "word"),
    [(24, "nothing to write"), (57, "nothing within limits"), (162, "not acceptable")],
)
def test_every_command_answers_a_study(tmp_path, seed, word):
    with nothing_drawn():
        assert check_everything(RandomStudy(tmp_path / "one", seed)) == word


def test_quick_without_seeds_is_refused(tmp_path):
    """It would try nothing, and say for ever that the same command begins it."""
    path = write_small_study(tmp_path, trials=10)
    code, _, err = run_here("run", path, "--quick", cwd=tmp_path)
    assert code == 2
    assert "[search]: seeds = false leaves nothing to try with --quick; run without" in err
    assert not (tmp_path / "results").exists()


def test_a_rack_without_a_limit_has_an_empty_cell_and_keeps_it(tmp_path):
    path = write_small_study(tmp_path, trials=20)
    text = path.read_text("utf-8")
    joints = "inner_joint_angle_deg = 25"
    assert joints in text
    path.write_text(text.replace(joints, 'inner_joint_angle_deg = "off"'), "utf-8")
    table = tmp_path / "racks.csv"
    lines = table.read_text("utf-8").splitlines()
    # The last column is the angle that the joints of a rack allow.
    lines = [line.rpartition(",")[0] + "," if line.startswith("Short") else line for line in lines]
    table.write_text("\n".join(lines), "utf-8")
    with nothing_drawn():
        run_here("run", path, "--workers", 1, cwd=tmp_path)
    stored = read_results(tmp_path / "results/small")
    at = stored.result.problem.constraint_names.index("inner_joint_angle_deg")
    limit, cells = stored.result.evaluation.constraints[:, at], stored.trials
    short = stored.result.designs.rack == 0
    assert (limit[short & stored.result.evaluation.assembles] == float("-inf")).all()
    assert (limit[~short & stored.result.evaluation.assembles] > -90.0).all()
    text = (tmp_path / "results/small/trials.csv").read_text("utf-8")
    assert "inf" not in text
    assert len(cells["design"]) == len(limit)
