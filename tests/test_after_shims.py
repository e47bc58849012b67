"""Built and shimmed: what cars keep to once their racks are shimmed by readings of their toe."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from small_study import ROOT
from tolerance_cases import NONE, ONLY_BRACKET, conditions, corner

from optimiser.answer.exactness import built_to_tolerances, shimmed_percentile
from optimiser.folder.read import read_results
from optimiser.metrics.tolerance import (
    Tolerances,
    bump_after_shims,
    percentile,
    tolerance_spread,
)
from optimiser.metrics.tolerance.shims import Shimming
from optimiser.report.answer_words import shimmed_words
from optimiser.study.problem_parts import tolerances_of
from optimiser.study.read import read_study, with_overrides

NOISE = float(np.radians(0.02))
QUIET = float(np.radians(1e-5))
ONLY_HEIGHT = Tolerances(1.0, **ONLY_BRACKET, samples=64)


def best_height():
    """The corner with its rack where bump steer is about least."""
    points = corner()
    return replace(points, inner_joint=points.inner_joint - [0.0, 0.0, 6.25])


def test_a_rack_off_its_height_is_put_back():
    """Only the brackets are off: with readings all but exact and shims of 0.05 mm hardly anything
    is left but what the car as drawn has, and what fore-aft and sideways do."""
    at, points = conditions(), best_height()
    fine = Shimming(QUIET, stock_mm=tuple(0.05 * k for k in range(1, 61)))
    drawn = tolerance_spread(points, NONE, at).bump_steer[0]
    before = tolerance_spread(points, ONLY_HEIGHT, at).bump_steer
    after = bump_after_shims(points, ONLY_HEIGHT, fine, at)
    assert before.max() > 2.0 * drawn
    assert after.max() < 1.15 * drawn
    assert (after < before + 0.05 * drawn).all()


def test_coarser_shims_and_noise_leave_more():
    at, points = conditions(), best_height()
    kinds = [
        Shimming(QUIET, stock_mm=(0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)),
        Shimming(NOISE),
        Shimming(5.0 * NOISE),
    ]
    means = [bump_after_shims(points, ONLY_HEIGHT, kind, at).mean() for kind in kinds]
    assert means[0] < means[1] < means[2]


def test_the_lever_is_counted():
    """Brackets inside the joints only make the steps of the shims coarser."""
    at, points = conditions(), best_height()
    wide, narrow = (
        bump_after_shims(points, ONLY_HEIGHT, Shimming(NOISE, spacing), at).mean()
        for spacing in (None, 0.5 * 2.0 * float(points.inner_joint[1]))
    )
    before = tolerance_spread(points, ONLY_HEIGHT, at).bump_steer.mean()
    assert wide <= narrow * 1.05
    assert narrow < 0.7 * before


def test_nothing_off_needs_no_shim():
    at, points = conditions(), best_height()
    none = replace(NONE, samples=16)
    exact = tolerance_spread(points, none, at).bump_steer
    # No deviation is possible, so that readings are their noise alone, and nothing is moved much.
    after = bump_after_shims(points, none, Shimming(NOISE), at)
    assert (after <= exact + 1e-9).all()


def test_packs_come_in_pairs_none_first():
    pairs = Shimming(NOISE, stock_mm=(2.0, 0.5)).pairs()
    assert len(pairs) == len({tuple(pair) for pair in pairs.tolist()}) == 25
    assert set(pairs.ravel().tolist()) == {-2.0, -0.5, 0.0, 0.5, 2.0}
    assert pairs[0].tolist() == [0.0, 0.0]
    assert (np.diff(np.abs(pairs).sum(axis=-1)) >= 0.0).all()


@pytest.mark.parametrize("share", [0.3, 0.1, 0.05])
def test_brackets_close_together_do_not_make_it_worse(share):
    """A pack of half a millimetre lifts a joint there by up to 5 mm: rounded each by itself, packs
    made 95 of 100 cars worse than they were built."""
    at, points = conditions(), best_height()
    before = tolerance_spread(points, ONLY_HEIGHT, at).bump_steer
    spacing = share * 2.0 * float(points.inner_joint[1])
    after = bump_after_shims(points, ONLY_HEIGHT, Shimming(NOISE, spacing), at)
    assert percentile(after) < percentile(before)
    assert after.mean() < before.mean()
    assert np.mean(after > before + NOISE) < 0.05


def test_the_study_asks_and_the_answer_says_both():
    study = read_study(ROOT / "studies" / "demo.toml")
    assert tolerances_of(study.file).shimming is None
    asked = with_overrides(
        study,
        {
            "tolerance": {"shimmed": True},
            "measuring": {"toe_plus_minus_deg": 0.03, "bracket_spacing_mm": 324.0},
        },
        "here",
    )
    shimming = tolerances_of(asked.file).shimming
    assert shimming.noise == pytest.approx(np.radians(0.03))
    assert shimming.brackets_mm == 324.0
    stored = read_results(ROOT / "results" / "example" / "demo")
    points = stored.result.chosen(stored.result.winner).points
    assert shimmed_percentile(stored.problem, points) is None
    assert built_to_tolerances(stored.problem, points).shimmed is None
    built = built_to_tolerances(asked.problem(), points)
    assert built.shimmed.value_deg < 0.6 * built.percentiles[0].value_deg
    words = shimmed_words(stored.problem, built.shimmed)
    assert built.shimmed.text in words
    assert words.endswith("which is acceptable.")
