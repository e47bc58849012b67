"""Which rack wins: price among those as good within a tenth, and what is said of it."""

import json
from dataclasses import replace

import numpy as np
import pytest
from small_study import preferring

from optimiser.answer.choosing import how_chosen, how_nearest
from optimiser.answer.rack_table import RackRow
from optimiser.answer.run_result import RunResult, UnitResult
from optimiser.command.run_screen import rack_table
from optimiser.evaluation.designs import Designs, Evaluation
from optimiser.folder.choose import row_by
from optimiser.folder.read import read_results
from optimiser.jobs import batch
from optimiser.report.answer_words import answer_of
from optimiser.report.figures import run_figures


def made_of(stored, racks, prefer="cheapest"):
    """A result with designs of given racks: (name, price, mass, [(bump, error), ...], wrong hand).

    One degree is acceptable of either, so that ratios are the degrees.
    """
    asked = stored.problem
    steering = replace(
        asked.steering,
        acceptable_bump_steer=float(np.radians(1.0)),
        acceptable_ackermann_error=float(np.radians(1.0)),
    )
    side = "ahead" if asked.arm_ahead else "behind"
    catalogue = tuple(
        replace(
            asked.racks[0],
            name=name,
            price=price,
            made_for=side,
            pinion_side="right" if wrong else "left",
        )
        for name, price, _, _, wrong in racks
    )
    car = replace(asked.car, drive_side="left")
    problem = replace(asked, steering=steering, racks=catalogue, car=car, tolerances=None)
    row = int(np.flatnonzero(stored.result.evaluation.feasible)[0])
    units = []
    for index, (_, price, mass, values, _) in enumerate(racks):
        count, objectives = len(values), np.array(values, float)
        one = stored.result.evaluation.select(np.full(count, row))
        metrics = one.metrics | {
            "bump_steer_deg": objectives[:, 0],
            "ackermann_error_deg": objectives[:, 1],
            "price": np.full(count, np.nan if price is None else price),
            "mass_kg": np.full(count, np.nan if mass is None else mass),
        }
        place = stored.result.designs.select(np.full(count, row))
        designs = Designs(np.full(count, index), place.values)
        outcome = Evaluation(objectives, one.constraints, metrics, one.status)
        units.append(
            UnitResult(index, 1, designs, outcome, np.full(count, "search", object), "", {})
        )
    result = RunResult(preferring(stored.study, prefer), problem, tuple(units))
    vars(result)["comparison"] = [_row(result, index) for index in range(len(racks))]
    return result


def _row(result, index):
    """What the comparison says of a rack, without the sweeps and remedies that take time."""
    best = result.best_of(result.rack_fronts[index])
    ratio = result.evaluation.judged[best].max()
    wrong = result.problem.wrong_hand[index]
    verdict = "within limits, not acceptable"
    if ratio <= 1.0:
        verdict = "acceptable, but of the wrong hand" if wrong else "acceptable"
    numbers = dict.fromkeys(
        ("bump_steer_deg", "ackermann_error_deg", "rack_height_mm", "rack_fore_aft_mm",
         "spacer_mm", "arm_length_mm"), 0.2
    )  # fmt: skip
    rack = result.problem.racks[index]
    return RackRow(rack, verdict, best, "", result.problem.hands[index], numbers)


def winner(result):
    return result.problem.racks[int(result.designs.rack[result.winner])].name


BEST = ("best", 390.0, 5.0, [(0.20, 0.20)], False)


# --- the rule ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ratio", "chosen"), [(0.20, "other"), (0.2999, "other"), (0.3001, "best"), (0.9, "best")]
)
def test_the_cheaper_rack_wins_when_it_is_as_good_within_a_tenth(stored, ratio, chosen):
    result = made_of(stored, [BEST, ("other", 140.0, 9.0, [(ratio, 0.1)], False)])
    assert winner(result) == chosen
    assert result.acceptable


def test_within_a_tenth_but_not_acceptable_does_not_win(stored):
    best = ("best", 390.0, 5.0, [(0.95, 0.95)], False)
    for ratio, chosen in ((1.0, "other"), (1.001, "best")):
        result = made_of(stored, [best, ("other", 1.0, 1.0, [(ratio, 0.1)], False)])
        assert winner(result) == chosen


def test_racks_without_a_price_come_last_then_the_lighter_then_the_better(stored):
    free = ("no price", None, 1.0, [(0.2, 0.2)], False)
    assert winner(made_of(stored, [free, BEST])) == "best"
    alike = ("lighter", 390.0, 4.0, [(0.25, 0.25)], False)
    assert winner(made_of(stored, [BEST, alike])) == "lighter"
    unknown = ("no mass", 390.0, None, [(0.19, 0.19)], False)
    assert winner(made_of(stored, [unknown, BEST])) == "best"
    better = ("better", 390.0, 5.0, [(0.1999, 0.1)], False)
    assert winner(made_of(stored, [BEST, better])) == "better"


def test_within_a_rack_nothing_is_given_up(stored):
    """The rack's own compromise is taken, not any of its designs that would also do."""
    other = ("other", 140.0, 9.0, [(0.29, 0.05), (0.21, 0.21), (0.05, 0.29)], False)
    result = made_of(stored, [BEST, other])
    assert result.evaluation.judged[result.winner].tolist() == [0.21, 0.21]


def test_a_rack_of_the_wrong_hand_stands_back_however_cheap(stored):
    wrong = ("wrong", 1.0, 1.0, [(0.1, 0.1)], True)
    result = made_of(stored, [wrong, BEST])
    assert winner(result) == "best"
    assert result.acceptable
    alone = made_of(stored, [wrong, ("dear", 9.0, 1.0, [(0.1, 0.1)], True)])
    assert winner(alone) == "wrong"
    assert not alone.acceptable


def test_the_best_can_be_preferred(stored):
    racks = [BEST, ("other", 140.0, 9.0, [(0.22, 0.22)], False)]
    assert winner(made_of(stored, racks, "best")) == "best"
    assert winner(made_of(stored, racks)) == "other"
    result = made_of(stored, racks)
    assert row_by(result, "best")[0] == result.best == 0
    assert row_by(result, "cheapest")[0] == 1


def test_without_an_acceptable_rack_price_does_not_count(stored):
    result = made_of(
        stored,
        [("near", 390.0, 5.0, [(1.1, 0.2)], False), ("far", 140.0, 5.0, [(1.15, 0.2)], False)],
    )
    assert winner(result) == "near"
    assert not result.acceptable


# --- what is said --------------------------------------------------------------------------------


def test_the_cheapest_is_named_only_where_it_was_not_chosen(stored):
    other = ("other", 140.0, 9.0, [(0.22, 0.22)], False)
    chosen = answer_of(made_of(stored, [BEST, other]))
    assert chosen.headline == "other, price 140"
    (line,) = chosen.others
    assert line.startswith("The best rack is best, 390 against 140: 0.200 deg bump steer")
    assert "--by best" in line
    assert chosen.how == how_chosen(stored.problem, "cheapest")
    alone = answer_of(made_of(stored, [other]))
    assert alone.others == ()
    worth = answer_of(made_of(stored, [BEST, ("other", 140.0, 9.0, [(0.5, 0.5)], False)]))
    (line,) = worth.others
    assert line.startswith("The cheapest acceptable rack is other, 140 against 390")
    assert line.endswith("lower by more than a tenth of what you accept.")
    best = answer_of(made_of(stored, [BEST, other], "best"))
    (line,) = best.others
    assert line.startswith("The cheapest acceptable rack is other, 140 against 390")
    assert line.endswith("may decide: optimiser pick, --by cheapest.")
    assert best.how == how_chosen(stored.problem, "best")


def test_without_an_acceptable_rack_that_is_said_first_and_nothing_is_chosen(stored):
    near = ("near", 390.0, 5.0, [(1.1, 0.2)], False)
    wrong = ("wrong", 1.0, 5.0, [(0.2, 0.2)], True)
    result = made_of(stored, [near, wrong])
    first, second, *rest = answer_of(result).sentences()
    assert first == "No rack is acceptable."
    assert second.startswith("The nearest is near, price 390, with its inner joints")
    assert "Acceptable but of the wrong hand: wrong." in rest
    assert rest[-1] == how_nearest(stored.problem)
    assert not any("Chosen" in line for line in (first, second, *rest))
    marks = list(rack_table(result).columns[-1].cells)
    assert marks == ["not enough, nearest", "wrong hand"]
    assert rack_table(made_of(stored, [BEST])).columns[-1]._cells == ["yes, CHOSEN"]
    assert not any(result.racks()["chosen"])
    ringed = [text.get_text() for text in run_figures(result)["front"].axes[0].texts]
    assert "nearest" in ringed
    assert "chosen" not in ringed
    assert result.chosen(result.winner).title.endswith(", NOT ACCEPTABLE")
    assert "NOT ACCEPTABLE" not in made_of(stored, [BEST]).chosen(0).title


# --- older results -------------------------------------------------------------------------------


def test_a_result_from_before_the_key_was_chosen_by_the_best(copy):
    path = copy / "run.json"
    record = json.loads(path.read_text("utf-8"))
    assert record["study"]["search"].pop("prefer") == "cheapest"
    del record["date"]
    path.write_text(json.dumps(record), "utf-8")
    old = read_results(copy)
    assert old.result.prefer == "best"
    assert old.result.winner == old.result.best


def test_a_run_cut_off_before_the_key_came_goes_on(stored):
    """The default does not enter the hash of the question; another choice does."""
    options = batch.RunOptions()
    plain = list(batch._question(stored.study, options))
    assert not any(b"prefer" in part for part in plain)
    best = list(batch._question(preferring(stored.study, "best"), options))
    assert any(b'"prefer": "best"' in part for part in best)
