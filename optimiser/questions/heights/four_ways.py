"""Can a shorter rack be rescued by mounting it lower? The best of every height, four ways.

The rack is moved through a range of heights. At each, the least bump steer that the study's limits
allow is found, with the Ackermann error that goes with it:

    arm fixed       the steering arm stays where it is drawn, its length, height and angle
    arm following   the arm's height is free to follow the rack: within the study's range for it,
                    or, when the study gives none, between the two ball joints; its length and
                    angle as far as the study frees them
    no spacers      the bare rack
    spacers         any length up to `[limits] spacer_max_mm`, or the stock lengths of the study

The rack's fore-aft position is as free as the study leaves it, always.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.asked import Objectives
from optimiser.evaluation.designs import Designs, Range, Stock, allows, ends
from optimiser.linkage.at_rack import describe_arm
from optimiser.questions.heights.optima import Optima, follow_ray, solve_height, solve_heights

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from optimiser.evaluation.designs import Choice, Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array

ENOUGH = 0.1
"""Share of the acceptable bump steer below which it is not pressed for the Ackermann error."""
PRESSES = 5


@dataclass(frozen=True, slots=True)
class Way:
    """One of the four ways."""

    follows: bool
    spacers: bool

    @property
    def arm(self) -> str:
        """What the steering arm does."""
        return "following" if self.follows else "fixed"

    @property
    def name(self) -> str:
        """The way in words."""
        return f"arm {self.arm}, {'spacers' if self.spacers else 'no spacers'}"


WAYS = (Way(False, False), Way(False, True), Way(True, False), Way(True, True))


@dataclass(frozen=True, slots=True)
class WayCurve:
    """One way's best design at each of H heights.

    Attributes:
        way: which.
        optima: least bump steer.
        both: where that has too much Ackermann error but acceptable bump steer: the design whose
            worse ratio of objective to acceptable value is least; elsewhere the same as `optima`.
        both_evaluation: of `both`.
        between: designs with the rack height free as well, from the lowest dips of the curve.
        between_evaluation: of `between`.
    """

    way: Way
    optima: Optima
    both: Designs
    both_evaluation: Evaluation
    between: Designs
    between_evaluation: Evaluation

    @property
    def all_designs(self) -> Designs:
        """Every design of the curve."""
        return Designs.join([self.optima.designs, self.both, self.between])

    @property
    def all_evaluations(self) -> Evaluation:
        """Of `all_designs`."""
        return self.both_evaluation.join(
            [self.optima.evaluation, self.both_evaluation, self.between_evaluation]
        )


@dataclass(frozen=True, slots=True)
class Place:
    """One design of one way and what becomes of it; degrees.

    Attributes:
        way: which.
        design: a batch of one.
        bump_steer_deg: in the study's measure, the largest or the RMS over travel.
        ackermann_error_deg: in the study's measure.
        acceptable: bump steer, and both; each True only within the limits too.
    """

    way: Way
    design: Designs
    bump_steer_deg: float
    ackermann_error_deg: float
    bump_acceptable: bool
    acceptable: bool

    def at(self, name: str) -> float:
        """Value of one variable."""
        return float(self.design.column(name)[0])


@dataclass(frozen=True, slots=True)
class RackHeights:
    """The answer for one rack.

    Attributes:
        problem: the study's, with the objectives that are used here.
        rack: index of the rack.
        heights_mm: (H,).
        spacer_max_mm: longest spacer of the ways that have them.
        curves: in the order of `WAYS`.
    """

    problem: Problem
    rack: int
    heights_mm: Array
    spacer_max_mm: float
    curves: tuple[WayCurve, ...]

    def curve(self, way: Way) -> WayCurve:
        """Curve of one way."""
        return self.curves[WAYS.index(way)]

    def place(self, way: Way) -> Place | None:
        """The best place of one way; None when no height keeps the limits.

        The least bump steer among the places that are acceptable in both objectives, or among all
        places within the limits when none is.
        """
        curve = self.curve(way)
        return _best_place(self.problem, way, curve.all_designs, curve.all_evaluations)

    @property
    def chosen(self) -> Place | None:
        """The place that the verdict is about: the first acceptable one, the bare rack first.

        When none is acceptable, the one with the least bump steer; None when no way keeps the
        limits anywhere.
        """
        ways = sorted(WAYS, key=lambda way: (way.spacers, way.follows))
        places = [place for way in ways if (place := self.place(way)) is not None]
        good = [place for place in places if place.acceptable]
        if good:
            return good[0]
        return min(places, key=lambda place: place.bump_steer_deg, default=None)


def _best_place(problem: Problem, way: Way, designs: Designs, outcome: Evaluation) -> Place | None:
    feasible = np.flatnonzero(outcome.feasible)
    if not len(feasible):
        return None
    values = outcome.objectives[feasible]
    acceptable = (values <= problem.acceptable).all(axis=1)
    if acceptable.any():
        feasible, values = feasible[acceptable], values[acceptable]
    best = int(np.argmin(values[:, 0]))
    bump, ackermann = values[best].tolist()
    row = int(feasible[best])
    return Place(
        way,
        designs.select(slice(row, row + 1)),
        bump,
        ackermann,
        bool(bump <= problem.acceptable[0]),
        bool(acceptable.any()),
    )


def measured_problem(problem: Problem) -> Problem:
    """The problem with bump steer and Ackermann error alone, as built exactly to the drawing."""
    asked = problem.objectives
    plain = Objectives(
        "rms" if asked.bump_steer == "rms" else "largest",
        "rms" if asked.ackermann_error == "rms" else "largest",
    )
    return replace(problem, objectives=plain, loads=None, tolerances=None)


def way_problem(problem: Problem, way: Way, heights_mm: Array, spacer_max_mm: float) -> Problem:
    """The problem of one way: the space is the study's but for rack height, arm and spacers."""
    arm = describe_arm(problem.points)
    space: dict[str, Choice] = dict(problem.space)
    space["rack_height_mm"] = Stock(tuple(heights_mm.tolist()))
    if way.follows:
        space["arm_height_mm"] = following_range(problem)
    else:
        space["arm_length_mm"] = Stock((float(arm.length_mm),))
        space["arm_height_mm"] = Stock((float(arm.height_mm),))
        space["arm_angle_deg"] = Stock((float(np.degrees(arm.angle)),))
    space["spacer_mm"] = _spacers(problem.space["spacer_mm"], way, spacer_max_mm)
    return replace(problem, space=space)


def following_range(problem: Problem) -> Choice:
    """Where the outer joint may go when the arm follows the rack."""
    choice = problem.space["arm_height_mm"]
    if isinstance(choice, Range) or (isinstance(choice, Stock) and len(choice.values) > 1):
        return choice
    ends = sorted(
        float(ball[2])
        for ball in (problem.points.lower_ball_joint, problem.points.upper_ball_joint)
    )
    return Range(*ends)


def _spacers(choice: Choice, way: Way, longest: float) -> Choice:
    if not way.spacers or longest == 0.0:
        return Stock((0.0,))
    if isinstance(choice, Stock) and len(choice.values) > 1:
        return Stock(tuple(sorted({0.0, *choice.values})))
    return Range(0.0, longest)


def solve_rack(
    problem: Problem,
    rack: int,
    heights_mm: Array,
    spacer_max_mm: float,
    watch: Callable[[str], None] = lambda _: None,
) -> RackHeights:
    """The best of every height for one rack, four ways.

    Args:
        problem: the study's.
        rack: which rack.
        heights_mm: (H,), increasing.
        spacer_max_mm: longest spacer, each end.
        watch: told each way as it begins.
    """
    plain = measured_problem(problem)
    solved: list[tuple[Way, Optima]] = []
    curves: list[WayCurve] = []
    for way in WAYS:
        watch(f"{problem.racks[rack].name}: {way.name}")
        mine = way_problem(plain, way, heights_mm, spacer_max_mm)
        # What fewer freedoms reached is where more freedoms begin, if the study allows it there.
        starts = [
            optima.designs
            for other, optima in solved
            if other.follows <= way.follows and other.spacers <= way.spacers
        ]
        starts = [designs for designs in starts if _allowed(mine, designs)]
        optima = solve_heights(mine, rack, heights_mm, starts)
        solved.append((way, optima))
        curves.append(_finish(mine, way, optima, heights_mm))
    spacers = way_problem(plain, WAYS[1], heights_mm, spacer_max_mm).space["spacer_mm"]
    return RackHeights(plain, rack, heights_mm, ends(spacers)[1], tuple(curves))


def _allowed(problem: Problem, designs: Designs) -> bool:
    """Whether all of these designs lie in the problem's space."""
    return all(
        bool(allows(choice, designs.column(name)).all()) for name, choice in problem.space.items()
    )


def _finish(problem: Problem, way: Way, optima: Optima, heights_mm: Array) -> WayCurve:
    """The curve with its balanced designs and the best places between the heights."""
    outcome = optima.evaluation
    rows = _spoilt(problem, outcome)
    both, other = optima.designs, outcome
    if len(rows):
        values = both.values.copy()
        values[rows] = follow_ray(problem, both.select(rows), problem.acceptable).values
        both = Designs(both.rack, values)
        other = problem.evaluate(both)
    low, high = float(heights_mm[0]), float(heights_mm[-1])
    between = solve_height(problem, optima, low, high)
    if len(between) and low < high:
        free = replace(problem, space={**problem.space, "rack_height_mm": Range(low, high)})
        good = problem.evaluate(between)
        spoilt = _spoilt(problem, good)
        order = np.argsort(good.objectives[spoilt, 0], kind="stable")
        starts = [between.select(spoilt[order[:1]])]
        if other.feasible.any():
            ratio = np.max(other.objectives / problem.acceptable, axis=1)
            ratio = np.where(other.feasible, ratio, np.inf)
            starts.append(both.select(np.argsort(ratio, kind="stable")[:1]))
        if not _done(problem, good) and not _done(problem, other):
            between = Designs.join([between, *_pressed(free, Designs.join(starts))])
    return WayCurve(way, optima, both, other, between, problem.evaluate(between))


def _spoilt(problem: Problem, outcome: Evaluation) -> NDArray[np.intp]:
    """Designs within the limits with acceptable bump steer and too much Ackermann error."""
    if not len(outcome.status):
        return np.empty(0, dtype=np.intp)
    bump_is, ackermann_is = (outcome.objectives <= problem.acceptable).T
    return np.flatnonzero(outcome.feasible & bump_is & ~ackermann_is)


def _done(problem: Problem, outcome: Evaluation) -> bool:
    """Whether a design has bump steer to spare and acceptable Ackermann error."""
    return bool(
        (outcome.feasible & (outcome.objectives <= problem.acceptable * (ENOUGH, 1.0)).all(1)).any()
    )


def _pressed(problem: Problem, starts: Designs) -> list[Designs]:
    """Designs with ever less bump steer while the Ackermann error is acceptable.

    Rays lean towards bump steer until the Ackermann error reaches what is acceptable:

        Ackermann |   . ray 1, the two acceptable values
         accepted |- / - - - -  where that leaves room, the next aims at less bump steer, until
                  | / .         there is none left or bump steer is `ENOUGH`
                  |/.
                  +------------ bump steer
    """
    found: list[Designs] = []
    wanted = problem.acceptable
    aim, good, bad = float(wanted[0]), np.empty(0), np.empty(0)
    for _ in range(PRESSES):
        if not len(starts):
            break
        designs = follow_ray(problem, starts, np.array([aim, wanted[1]]))
        outcome = problem.evaluate(designs)
        found.append(designs)
        kept = outcome.objectives[outcome.feasible]
        if not len(kept):
            break
        best = kept[np.argmin(np.max(kept / (aim, wanted[1]), axis=1))]
        if (best <= wanted).all():
            good = best
            starts = designs.select(
                np.flatnonzero(outcome.feasible & (outcome.objectives == best).all(axis=1))[:1]
            )
        else:
            bad = best
        if not len(good) or good[0] <= ENOUGH * wanted[0] or good[1] > 0.99 * wanted[1]:
            break
        if len(bad):
            # The front is convex as a rule: its chord lies on the side of too little.
            slope = (bad[0] - good[0]) / (bad[1] - good[1])
            aim = float(good[0] + slope * (wanted[1] - good[1]))
        else:
            aim = float(good[0] * (good[1] / wanted[1]) ** 2)
    return found
