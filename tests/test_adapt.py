"""The least change of the suspension: known answers, a general solver, and brute force."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

import numpy as np
import pytest
from adapt_cases import FIVE, bare, invented, moving_demo, slsqp
from references.multibody import solve_corner

from optimiser.evaluation.designs import Designs, Stock
from optimiser.evaluation.moves import Keep
from optimiser.questions.adapt.asked import (
    Tightened,
    follow_least,
    is_band,
    least_change,
    suspension_of,
)
from optimiser.questions.adapt.rack import NOTHING, WAYS, Way, answer_rack
from optimiser.questions.adapt.relaxed import Cure
from optimiser.questions.adapt.rounding import rounded
from optimiser.questions.adapt.starts import find_starts
from optimiser.questions.adapt.ways import ALL, ONE, TWO, Search, everything, solve_all, solve_ways
from optimiser.questions.adapt.words import cure_words, drawn_words
from optimiser.study.read import read_study

SPARROW, HERON, FINCH, STORK = 0, 1, 3, 4
CLOSE_MM, CLOSE_SHARE = 0.02, 0.01


def close(first: float, second: float) -> bool:
    return abs(first - second) <= max(CLOSE_MM, CLOSE_SHARE * second)


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    return moving_demo(tmp_path_factory.mktemp("demo"))


@pytest.fixture(scope="module")
def stork(demo):
    return answer_rack(bare(demo), STORK)


# --- known answers -------------------------------------------------------------------------------


def test_a_car_that_is_acceptable_as_drawn_moves_by_nothing(demo) -> None:
    answer = answer_rack(bare(demo), FINCH)
    assert answer.recommended is answer.ways[NOTHING]
    assert list(answer.ways) == list(WAYS)
    for way in answer.ways.values():
        assert way.acceptable
        assert way.moved_mm == 0.0
        assert not way.design.values[:, 6:].any()


def test_the_search_itself_finds_that_nothing_need_move(demo) -> None:
    problem = bare(demo)
    search = Search(Tightened(least_change(problem)))
    solve_all(search, find_starts(problem, FINCH))
    assert search.least(everything(problem)).moved_mm < 1e-6


def badly_drawn(folder):
    """The demo with its tie rod drawn 60 mm too high inboard: 6.5 deg of bump steer."""
    path = moving_demo(folder).path
    points = next(folder.glob("*hardpoints.csv"))
    text = points.read_text("utf-8")
    assert "inner_joint,742,-290,109" in text
    points.write_text(text.replace("-290,109", "-290,169"), "utf-8")
    return read_study(path).moving_problem().without_clearance


def test_a_badly_drawn_tie_rod_makes_nobody_move_what_is_acceptable(tmp_path) -> None:
    """The cure of the rod's own bump steer is none of what the bands are for."""
    answer = answer_rack(badly_drawn(tmp_path), FINCH)
    nothing = answer.ways[NOTHING]
    assert nothing.outcome.metrics["camber_departure_deg"][0] > 0.25
    assert answer.recommended is nothing
    assert nothing.moved_mm == 0.0


def test_that_a_drawn_tie_rod_stands_in_the_way_is_said(tmp_path) -> None:
    problem = badly_drawn(tmp_path)
    asked = least_change(problem)
    design = find_starts(problem, HERON).drawn.select(slice(0, 1))
    outcome = asked.evaluate(design)
    way = Way(NOTHING, (), design, outcome, False)
    text = " ".join(drawn_words(asked, way))
    assert "rack's travel" in text
    assert "departure of camber" not in text
    assert re.search(r"drawn tie rod has 6\.5\d* deg of bump steer", text)
    assert "camber by 0." in text
    assert "(0.25 kept)" in text


@pytest.mark.parametrize(
    ("point", "direction", "off"),
    [("lower_rear_pivot", 2, 6.0), ("upper_front_pivot", 1, -5.0), ("lower_front_pivot", 2, -4.0)],
)
def test_a_displaced_pivot_is_cured_by_at_most_its_displacement(
    demo, point: str, direction: int, off: float
) -> None:
    problem = bare(demo)
    good = answer_rack(problem, FINCH).ways[NOTHING].design
    space = {name: Stock((float(good.column(name)[0]),)) for name in problem.space}
    shift = np.zeros(3)
    shift[direction] = off
    moved = replace(problem.points, **{point: getattr(problem.points, point) + shift})
    suspension = suspension_of(problem)
    box = [0.0, 0.0, 0.0]
    box[direction] = abs(off)
    mover = replace(suspension.movers[0], name=point, box_mm=tuple(box))
    car = replace(
        problem,
        points=moved,
        space=space,
        suspension=replace(suspension, movers=(mover,), keep=Keep(*[None] * 8)),
    )
    answer = answer_rack(car, FINCH)
    assert not answer.ways[NOTHING].acceptable
    assert 0.0 < answer.ways[ALL].moved_mm <= abs(off) + 1e-3
    assert answer.ways[ONE].moved_mm == pytest.approx(answer.ways[ALL].moved_mm, abs=1e-9)


# --- a general solver ----------------------------------------------------------------------------


@pytest.mark.parametrize("name", FIVE)
def test_a_general_solver_comes_to_the_same_change(tmp_path, name: str) -> None:
    problem = invented(tmp_path, name).moving_problem()
    starts = find_starts(problem, 0)
    search = Search(Tightened(least_change(problem)))
    found = solve_ways(search, starts)
    assert 1.0 < found[ALL].moved_mm <= found[TWO].moved_mm <= found[ONE].moved_mm
    # From the first start from which it converges at all; on some it does not.
    for row in range(len(starts.moved)):
        theirs, converged, _ = slsqp(problem, starts.moved.select(np.array([row])), attempts=1)
        if converged:
            break
    assert converged == 1
    assert close(found[ALL].moved_mm, theirs)
    # Every start of ours comes to the same, and none of them to less.
    whole = everything(problem)
    ends = [t.objectives[0, -1] for subset, t in search.ends if subset == whole and t.feasible[0]]
    assert len(ends) >= 10
    assert max(ends) == pytest.approx(found[ALL].moved_mm, abs=0.01)


def test_a_file_in_inches_is_the_same_car(tmp_path) -> None:
    study = invented(tmp_path, "rear steer")
    assert study.file.hardpoints.unit == "in"
    assert study.points.wheel_centre[1] == pytest.approx(683.0, abs=1e-9)


# --- ways, whole millimetres, room ---------------------------------------------------------------


def test_fewer_entries_change_more_and_none_is_better_than_all(stork) -> None:
    one, two, whole = (stork.ways[name].moved_mm for name in (ONE, TWO, ALL))
    assert whole <= two <= one
    assert stork.ways[ALL].acceptable
    owner = suspension_of(stork.problem).owner
    for name, most in ((ONE, 1), (TWO, 2)):
        moved = stork.ways[name].design.values[0, 6:] != 0.0
        assert 1 <= len(set(owner[moved].tolist())) <= most


def test_the_change_is_the_root_of_the_sum_over_points(stork) -> None:
    problem, way = stork.problem, stork.ways[ALL]
    points = problem.corners(way.design)[0].select(0)
    square = sum(
        float(np.sum((getattr(points, name) - getattr(problem.points, name)) ** 2))
        for name, _ in points.items()
        if name.startswith(("lower", "upper"))
    )
    assert way.moved_mm == pytest.approx(np.sqrt(square), rel=1e-12)
    np.testing.assert_array_equal(points.wheel_centre, problem.points.wheel_centre)


def test_moved_corners_do_what_is_said_by_the_multibody_referee(stork) -> None:
    """exudyn knows nothing of moves: bump steer of every way, over a grid and a finer one."""
    problem = stork.problem
    attitude, travel = problem.car.attitude, problem.travel.grid()
    toe, camber = float(attitude.toe_in), float(attitude.camber)
    spin = [np.sin(toe) * np.cos(camber), np.cos(toe) * np.cos(camber), -np.sin(camber)]
    finer = np.linspace(travel[0], travel[-1], 49)
    for way in stork.ways.values():
        points = dict(problem.corners(way.design)[0].select(0).items())
        change = {}
        for name, grid in (("study", travel), ("finer", finer)):
            found = solve_corner(points, np.array(spin), grid, np.array([0.0]))["toe_in_deg"][:, 0]
            change[name] = float(np.abs(found - found[np.argmin(np.abs(grid))]).max())
        said = problem.evaluate(way.design).metrics["bump_steer_deg"][0]
        assert change["study"] == pytest.approx(said, abs=1e-7)
        assert (change["finer"] <= 0.1) == way.acceptable


def test_no_smaller_whole_moves_are_acceptable(demo) -> None:
    problem = bare(demo)
    search = Search(Tightened(least_change(problem)))
    solve_all(search, find_starts(problem, STORK))
    upper = search.least((1,))
    assert not upper.there
    found = solve_ways(search, find_starts(problem, STORK))
    whole = rounded(search, found[ONE])
    assert whole.there
    moved = whole.design.values[0, 6:]
    np.testing.assert_array_equal(moved, np.round(moved))
    assert found[ONE].moved_mm <= whole.moved_mm
    # Every pair of whole moves of that entry with less change, and of what else is free the best.
    free = np.flatnonzero(search.free_of(whole.subset))
    reach = int(whole.moved_mm)
    smaller = []
    for pair in itertools.product(range(-reach, reach + 1), repeat=len(free)):
        moves = np.zeros(len(suspension_of(problem).columns))
        moves[free] = pair
        change = float(suspension_of(problem).moved_mm(moves))
        if found[ONE].moved_mm - 1.5 <= change < whole.moved_mm - 1e-6:
            smaller.append(moves)
    assert len(smaller) >= 2
    values = np.repeat(whole.design.values, len(smaller), axis=0)
    values[:, 6:] = smaller
    designs = Designs(np.repeat(whole.design.rack, len(smaller)), values)
    model = search.model
    start = model.table(model.scaled(designs), designs)
    low, high = np.zeros(start.scaled.shape), np.ones(start.scaled.shape)
    low[:, search.move_columns] = high[:, search.move_columns] = start.scaled[
        :, search.move_columns
    ]
    ends = follow_least(model, start, (low, high), steps=12)
    assert not ends.feasible.any()


def test_with_room_a_point_may_be_off_in_any_direction(stork) -> None:
    way = stork.ways[f"{ALL}, with room"]
    problem = stork.problem
    assert way.acceptable
    assert way.moved_mm > stork.ways[ALL].moved_mm
    rng = np.random.default_rng(3)
    points, growth = problem.corners(way.design)
    names = ("lower_front_pivot", "lower_rear_pivot", "upper_front_pivot", "upper_rear_pivot")
    kept = np.array([not is_band(name) for name in problem.constraint_names])
    tight = stork.ways[ALL]
    broken = 0
    for design, must in ((way.design, True), (tight.design, False)):
        points, growth = problem.corners(design)
        for name in names:
            ways = rng.normal(size=(12, 3))
            ways /= np.linalg.norm(ways, axis=1, keepdims=True)
            many = Designs(np.repeat(design.rack, 12), np.repeat(design.values, 12, axis=0))
            parts = {n: np.repeat(np.atleast_2d(v), 12, axis=0) for n, v in points.items()}
            parts[name] = parts[name] + ways
            off = type(points).from_mapping(parts)
            each_way = np.full(12, problem.racks[STORK].travel_each_way_mm)
            solved = problem.solve_corners(off, np.repeat(growth, 12), each_way)
            limits = problem.judge(many, solved).constraints[:, kept]
            if must:
                assert (limits <= 1e-3).all()
            broken += int((limits > 0.0).any())
    assert broken >= 4


def test_the_recommended_way_is_the_fewest_entries_that_do_not_cost_half_as_much_again(
    stork,
) -> None:
    one, whole = stork.ways[ONE].moved_mm, stork.ways[ALL].moved_mm
    expected = ONE if one <= 1.5 * whole else TWO
    assert stork.recommended.name == expected
    dear = replace(stork.ways[ONE], acceptable=False)
    assert replace(stork, ways={**stork.ways, ONE: dear}).recommended.name == TWO


def test_cost_makes_a_point_stay(tmp_path_factory) -> None:
    moves = []
    for cost in (1, 4):
        folder = tmp_path_factory.mktemp("cost")
        text = (
            "\n[suspension.may_move]\nlower_pivots = {outboard = 25, up = 15}\n"
            f"upper_pivots = {{outboard = 25, up = 15, cost = {cost}}}\n"
        )
        study = moving_demo(folder, text)
        problem = bare(study)
        search = Search(Tightened(least_change(problem)))
        solve_all(search, find_starts(problem, STORK))
        moves.append(search.least(everything(problem)))
    upper = [np.abs(one.design.values[0, 8:]).max() for one in moves]
    assert upper[1] < 0.5 * upper[0]
    assert moves[1].moved_mm > moves[0].moved_mm


# --- nothing helps -------------------------------------------------------------------------------


def test_what_alone_would_do_does_and_a_little_less_does_not(demo) -> None:
    """Boxes too small: how wide one of them, or what is accepted, would have to be."""
    problem = bare(demo)
    suspension = suspension_of(problem)
    small = tuple(replace(mover, box_mm=(0.0, 6.0, 3.0)) for mover in suspension.movers)
    narrow = replace(problem, suspension=replace(suspension, movers=small))
    answer = answer_rack(narrow, STORK)
    assert answer.recommended is None
    assert [way for way in answer.ways.values() if way.acceptable] == []
    cures = {cure.name: cure for cure in answer.cures}
    box, bump = cures["lower_pivots outboard"], cures["bump_steer_deg"]
    assert (box.now, bump.now) == (6.0, pytest.approx(0.1))
    assert box.box
    assert not bump.box
    for factor, good in ((1.01, True), (0.99, False)):
        wide = replace(small[0], box_mm=(0.0, factor * box.least, 3.0))
        boxes = replace(problem, suspension=replace(suspension, movers=(wide, small[1])))
        accepted = replace(
            narrow,
            steering=replace(
                narrow.steering, acceptable_bump_steer=float(np.radians(factor * bump.least))
            ),
        )
        for again in (boxes, accepted):
            search = Search(Tightened(least_change(again)))
            solve_all(search, find_starts(again, STORK))
            assert search.least(everything(again)).there is good


def test_a_rack_of_too_little_travel_is_told_what_it_would_take(demo) -> None:
    answer = answer_rack(bare(demo), HERON)
    assert answer.recommended is None
    cure = next(one for one in answer.cures if one.name == "rack_travel_mm")
    assert cure.now == 44.0
    assert 44.5 < cure.least < 49.0


def test_parts_that_overlap_whatever_moves_are_named_and_no_negative_limit_is_advised(demo) -> None:
    # Of many pairs told apart the two come in words, of few by the column.
    for pair in ("tie rod to part 2", "clearance_tie_rod_part_2_mm"):
        text = cure_words(
            demo.moving_problem(), Cure("clearance_mm", False, 5.0, -3.21, 8.21, pair)
        )
        assert (
            "(tie rod to part 2), which at the best overlap by 3.3 mm where 5 mm are wanted" in text
        )
        assert "of -3" not in text
