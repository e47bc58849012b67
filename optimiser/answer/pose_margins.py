"""What is left of every limit of one design in any pose, each pose by itself."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.clearance.metrics import told_apart_mm
from optimiser.evaluation.clearance.parts import obstacles
from optimiser.evaluation.quantities import is_of_tyre, is_pair, pair_words, quantity
from optimiser.linkage.at_rack import Poses, solve_linkage
from optimiser.metrics.joints import inner_joint_angle, outer_joint_misalignment

if TYPE_CHECKING:
    from collections.abc import Collection

    from numpy.typing import NDArray

    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.driven import Driven
    from optimiser.evaluation.problem import Problem
    from optimiser.evaluation.solved import Solved
    from optimiser.linkage.racks import Side
    from optimiser.linkage.vectors import Array

LINKAGE = "the linkage's end"
_BLOCK = 2048


@dataclass(frozen=True, slots=True)
class PoseMargins:
    """One design, its pinion housing where it was turned to.

    Attributes:
        problem: with the design's rack alone.
        design: a batch of one.
        solved: its poses of the search.
        end_mm: where the rack ends, either way.
        driven: its column; None without one.
    """

    problem: Problem
    design: Designs
    solved: Solved
    end_mm: float
    driven: Driven | None

    @classmethod
    def of(cls, problem: Problem, design: Designs) -> PoseMargins | None:
        """Of a batch of one; None where it does not stand at rest."""
        solved = problem.solve(design)
        if not solved.rest.exists[0, 0]:
            return None
        index = int(design.rack[0])
        rack = problem.racks[index]
        driven = problem.drive(design, solved)
        if problem.has_pairs and not solved.reason[0] and rack.pinion_angle_deg is None:
            angle = problem.clearances(design, solved).get("pinion_angle_deg", np.full(1, np.nan))
            if np.isfinite(angle[0]):
                own = float(angle[0])
                if (
                    problem.rolls or problem.bolting.rolls_deg
                ):  # what this roll brings to that angle
                    off = own - float(problem.roll_deg(design)[0])
                    own = -off if problem.hands[index].turn_end_for_end else off
                rack = replace(rack, pinion_angle_deg=own)
        mine = replace(problem, racks=(rack,))
        one = replace(design, rack=np.zeros(1, dtype=np.intp))
        return cls(mine, one, solved, rack.travel_each_way_mm, driven)

    def steer(self, travel_mm: float, rack_mm: float) -> float:
        """Angle of the left wheel, radians; NaN where the linkage does not get there."""
        return float(self.poses(np.array([travel_mm]), np.array([rack_mm])).steer[0])

    def reaches(self, travel_mm: Array, rack_mm: Array) -> NDArray[np.bool_]:
        """Whether the linkage gets to poses, in a hurry: of some near its end it says no."""
        points, attitude = self.solved.points.select(0), self.problem.car.attitude
        return solve_linkage(points, travel_mm, rack_mm, attitude, thorough=False).exists

    @property
    def symmetric(self) -> bool:
        """Whether the right side of the car is the mirror image of the left, as far as is known."""
        one_sided = obstacles(self.problem.room.still).single.any()
        return not one_sided and self.driven is None and self._pinion_side is None

    @property
    def _pinion_side(self) -> Side | None:
        return self.problem.hands[0].pinion_side

    def left(
        self,
        travel_mm: Array,
        rack_mm: Array,
        names: list[str] | None = None,
        side: Side | None = None,
    ) -> tuple[list[str], Array]:
        """Limits in words, and what is left of each in poses of the left wheel, (limits, n).

        In millimetres or degrees; infinite where a distance is not told apart, and where the pose
        does not exist but for `LINKAGE`.

        Args:
            travel_mm: wheel travel, (n,).
            rack_mm: rack displacement, positive to the left, (n,).
            names: limits to have; by default those that are near anywhere.
            side: as of `pairs`.
        """
        parts = [
            self._left(travel_mm[start : start + _BLOCK], rack_mm[start : start + _BLOCK], side)
            for start in range(0, len(rack_mm), _BLOCK)
        ]
        if names is None:
            names = list(dict.fromkeys(name for part in parts for name in part))
        blank = [np.full(len(part[LINKAGE]), np.inf) for part in parts]
        rows = [
            np.concatenate([part.get(name, far) for part, far in zip(parts, blank, strict=True)])
            if parts
            else np.zeros(0)
            for name in names
        ]
        return names, np.stack(rows) if rows else np.zeros((0, len(rack_mm)))

    def pairs(
        self,
        poses: Poses,
        *,
        side: Side | None = None,
        only: Collection[str] = (),
        told_mm: float = 0.0,
    ) -> dict[str, Array]:
        """Distance (n,) of each pair of parts that comes near, by column, in n poses that exist.

        Args:
            poses: of the left corner, (n,).
            side: corner that is measured: the left one in these poses, or the right one in their
                mirror images; None: both, each before what either of them may meet.
            only: columns that are given wherever they are.
            told_mm: as of `Problem.clearances`.
        """
        problem = replace(self.problem, room=replace(self.problem.room, side=side))
        alone = _each_alone(self.solved, poses)
        designs = self.design.select(np.zeros(len(alone.reason), dtype=np.intp))
        driven = None if self.driven is None else self.driven.select(designs.rack)
        found = problem.clearances(
            designs, alone, driven, poses_between=False, only=only, told_mm=told_mm
        )
        return {
            name: values
            for name, values in found.items()
            if is_pair(name) and not _elsewhere(name, side, self._pinion_side)
        }

    def poses(self, travel_mm: Array, rack_mm: Array) -> Poses:
        """The left corner at such wheel travel and rack displacement, (n,)."""
        points, attitude = self.solved.points.select(0), self.problem.car.attitude
        return solve_linkage(points, travel_mm, rack_mm, attitude)

    def _left(self, travel_mm: Array, rack_mm: Array, side: Side | None) -> dict[str, Array]:
        problem, limits = self.problem, self.problem.limits
        poses = self.poses(travel_mm, rack_mm)
        there = poses.exists
        found: dict[str, Array] = {}
        if limits.toggle_margin is not None:
            toggle = poses.toggle_margin - limits.toggle_margin
            found[quantity("toggle_margin_deg").words] = np.degrees(toggle)
        most = float(problem.inner_joint_limits_deg[0])
        if np.isfinite(most):
            angle = np.degrees(inner_joint_angle(poses))
            found[quantity("inner_joint_angle_deg").words] = most - angle
        if limits.outer_joint_angle is not None:
            rest = picked(self.solved.rest, (0, slice(None)))
            outer = outer_joint_misalignment(poses, rest, problem.car.outer_bolt).max(axis=0)
            words = quantity("outer_joint_angle_deg").words
            found[words] = np.degrees(limits.outer_joint_angle - outer)
        found |= self._clearances(poses, side)
        found = {name: np.where(there, values, np.inf) for name, values in found.items()}
        return found | {LINKAGE: np.where(there, np.inf, -np.inf)}

    def distances(self, travel_mm: Array, rack_mm: Array) -> dict[str, Array]:
        """Clearance of each pair that comes near in any pose (n,), by its column; else infinite."""
        return self._distances(self.poses(travel_mm, rack_mm), None)

    def _distances(self, poses: Poses, side: Side | None) -> dict[str, Array]:
        problem, rows = self.problem, np.flatnonzero(poses.exists)
        if not (problem.has_pairs or problem.has_tyre) or not len(rows):
            return {}
        far = told_apart_mm(problem.clearance_wanted_mm)
        found: dict[str, Array] = {}
        for name, values in self.pairs(picked(poses, (rows,)), side=side).items():
            if (values < far).any():
                found[name] = np.full(len(poses.exists), np.inf)
                found[name][rows] = np.where(values < far, values, np.inf)
        return found

    def wanted_mm(self, name: str) -> float | None:
        """The clearance that a pair has to keep; None where no limit is on it."""
        limits = self.problem.limits
        asked = [limits.tyre_clearance_mm if is_of_tyre(name) else limits.clearance_mm]
        asked += [bound.least for bound in limits.bounds if bound.name == name]
        return max((each for each in asked if each is not None), default=None)

    def _clearances(self, poses: Poses, side: Side | None) -> dict[str, Array]:
        """What is left of each clearance that comes near, by the pair in words."""
        found = {}
        for name, values in self._distances(poses, side).items():
            if (wanted := self.wanted_mm(name)) is not None:
                found[pair_words(name)] = values - wanted
        return found


def _elsewhere(name: str, side: Side | None, pinion_side: Side | None) -> bool:
    """Whether a pair is of a pinion housing that is on the other side of the car."""
    part = name.removeprefix("clearance_").removeprefix("tyre_")
    return (
        side is not None and part.startswith("pinion_housing") and pinion_side not in (None, side)
    )


def picked(poses: Poses, index: tuple[object, ...]) -> Poses:
    """Poses of another batch shape: `index` goes along the axes after the components."""
    return Poses(**{name: getattr(poses, name)[(..., *index)] for name in Poses.__slots__})


def _each_alone(solved: Solved, poses: Poses) -> Solved:
    """Poses (n,) of one design as so many designs of one pose each."""
    count = len(poses.exists)
    same = np.zeros(count, dtype=np.intp)
    return replace(
        solved,
        points=solved.points.select(same),
        rest=picked(solved.rest, (same, slice(None))),
        envelope=picked(poses, (slice(None), None)),
        envelope_travel_mm=np.zeros(1),
        envelope_share=np.zeros(1),
        track_growth_mm=solved.track_growth_mm[same],
        reason=np.full(count, "", dtype=object),
    )
