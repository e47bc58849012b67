"""Moves of the suspension as variables of the search: what is written, read back and exported."""

from __future__ import annotations

import numpy as np
import pytest
from adapt_cases import PIVOTS, moving_demo
from small_study import run_here, run_undrawn

from optimiser.evaluation.designs import VARIABLES
from optimiser.folder.read import read_results
from optimiser.questions.adapt.asked import Tightened, least_change
from optimiser.questions.adapt.starts import find_starts
from optimiser.questions.adapt.ways import Search, everything, solve_all

SEARCHED = (
    ("[search]", '[objectives]\nalso = ["moved_mm"]\n\n[search]'),
    ("trials = 1500 ", "trials = 60\npopulation = 20 "),
    ('catalogue = "demo_racks.csv"', 'catalogue = "demo_racks.csv"\nuse = ["Stork"]'),
    ('name = "pedal box"\nkind = "box"\nfrom_mm = [660, -190, 140]\nto_mm = [810, 190, 330]\n', ""),
    (
        'name = "front anti-roll bar"\nkind = "capsule"\nfrom_mm = [655, -330, 30]\n'
        "to_mm = [655, 330, 30]\nradius_mm = 10\n",
        "",
    ),
    ("[[keep_out]]\n", ""),
    ("[[keep_out]]\n", ""),
    ("[wheel]\nrim_inside_radius_mm = 170\nrim_inner_width_mm = 130\n", ""),
    ("tube_diameter_mm = 22\n", ""),
    ("[tolerance]\nbracket_mm = 1.0\nspacer_mm = 0.2\narm_mm = 0.5\nhardpoints_mm = 0.5\n"
     "toe_deg = 0.05\n", ""),
)  # fmt: skip


@pytest.fixture(scope="module")
def searched(tmp_path_factory):
    folder = tmp_path_factory.mktemp("searched")
    study = moving_demo(folder, PIVOTS, *SEARCHED)
    run_undrawn(study, folder / "results")
    return study, folder, read_results(folder / "results" / "mine")


def test_the_front_has_change_in_it_down_to_the_least(searched) -> None:
    study, _, stored = searched
    result = stored.result
    assert result.problem.objectives.names == (
        "bump_steer_deg", "ackermann_error_deg", "moved_mm",
    )  # fmt: skip
    good = result.evaluation.feasible & (result.problem.ratios(result.evaluation) <= 1.0).all(
        axis=1
    )
    least = float(result.evaluation.objectives[good, 2].min())
    problem = study.problem()
    search = Search(Tightened(least_change(problem)))
    solve_all(search, find_starts(problem, 0))
    assert least == pytest.approx(search.least(everything(problem)).moved_mm, abs=0.02)
    assert len(np.unique(result.evaluation.objectives[result.front, 2].round(1))) > 10


def test_moves_are_columns_and_come_back(searched) -> None:
    study, _, stored = searched
    names = study.problem().suspension.names
    for name in names:
        assert np.abs(stored.columns[name]).max() <= 25.0
        assert np.abs(stored.columns[name]).max() > 0.0
    designs = stored.result.designs
    assert designs.values.shape[1] == len(VARIABLES) + len(names)
    rows = np.flatnonzero(stored.result.evaluation.assembles)[:5]
    again = stored.problem.evaluate(designs.select(rows))
    np.testing.assert_allclose(
        again.objectives, stored.result.evaluation.objectives[rows], rtol=0.0, atol=1e-9
    )


def test_the_answer_the_points_and_cad_say_what_is_moved(searched) -> None:
    study, folder, stored = searched
    winner = stored.result.chosen(stored.result.winner)
    moved = [n for n, at in winner.points.items() if not np.allclose(at, getattr(study.points, n))]
    moved = [name for name in moved if name not in ("outer_joint", "inner_joint")]
    assert moved
    for to, mark in (("csv", "MOVED {}:"), ("step", "moved: elsewhere than drawn")):
        code, _, err = run_here("export", "results/mine", "--to", to, cwd=folder)
        assert code == 0, err
        files = (folder / "results" / "mine" / "export").glob(f"*.{to}")
        text = "\n".join(path.read_text("utf-8") for path in files)
        for name in moved:
            assert mark.format(name) in text
    assert text.count("moved: elsewhere than drawn") == 2 * len(moved)


def test_a_typed_place_keeps_the_moves(searched) -> None:
    _, folder, stored = searched
    code, out, err = run_here(
        "pick", "results/mine", "--no-pictures", "--at", "rack_height_mm=230", cwd=folder
    )
    assert code in (0, 1), err
    change = float(stored.result.chosen(stored.result.winner).metric("moved_mm"))
    assert f"change of the suspension: {change:.2f} mm (the same)" in out
