"""One design swept over its whole travel and rack, every pose solved, to check the search's few.

The search judges joints and toggle in a few dozen poses, and clearance in more that are blended
from these; here it is hundreds, all of them solved by the kernel.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.pose_margins import PoseMargins
from optimiser.evaluation.clearance.metrics import unchecked_parts
from optimiser.evaluation.quantities import is_of_tyre, is_pair, pair_words, quantity
from optimiser.evaluation.quantity import rounded, told_apart
from optimiser.linkage.at_rack import solve_linkage
from optimiser.metrics.joints import inner_joint_angle, outer_joint_misalignment

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.problem import Problem
    from optimiser.evaluation.solved import Solved

TRAVELS, RACKS = 25, 33
NEAR_LIMIT_DEG = 2.0
_MISSED_MM = 1.5
"""What a pair may come closer between the poses of the sweep than in any of them."""
_HALVINGS = 5
_AROUND = np.array([(t, r) for t in (-1.0, 0.0, 1.0) for r in (-1.0, 0.0, 1.0)])


@dataclass(frozen=True, slots=True)
class WholeSweep:
    """Extremes of one design over `TRAVELS` x `RACKS` poses; None where nothing is known.

    Attributes:
        clearance_mm: least clearance, of what has a known size.
        closest: the pair of parts that comes so close, in words.
        tyre_mm: least clearance of the tyre.
        tyre_closest: what it comes so close to, in words.
        inner_joint_angle_deg: greatest angle of the tie rods to the bar.
        outer_joint_angle_deg: greatest misalignment of the outer joints.
        toggle_margin_deg: least toggle margin.
        missing: poses that do not exist.
    """

    clearance_mm: float | None
    closest: str
    tyre_mm: float | None
    tyre_closest: str
    inner_joint_angle_deg: float
    outer_joint_angle_deg: float
    toggle_margin_deg: float
    missing: int


def sweep_whole(problem: Problem, design: Designs) -> WholeSweep | None:
    """Sweep a batch of one; None when it cannot assemble."""
    solved = problem.solve(design)
    if solved.reason[0]:
        return None
    swept = on_grid(problem, solved, TRAVELS, RACKS)
    there = np.flatnonzero(swept.envelope.exists[0])
    poses = swept.envelope.select(there)
    swept = replace(
        swept,
        envelope=poses,
        envelope_travel_mm=swept.envelope_travel_mm[there],
        envelope_share=swept.envelope_share[there],
    )
    outer = outer_joint_misalignment(poses, solved.rest, problem.car.outer_bolt)
    pairs = swept_pairs(problem, design, swept)
    of_tyre = {name: value for name, value in pairs.items() if is_of_tyre(name)}
    clearance, closest = _nearest({n: v for n, v in pairs.items() if n not in of_tyre})
    tyre, tyre_closest = _nearest(of_tyre)
    return WholeSweep(
        clearance_mm=clearance,
        closest=closest,
        tyre_mm=tyre,
        tyre_closest=tyre_closest,
        inner_joint_angle_deg=float(np.degrees(np.max(inner_joint_angle(poses)))),
        outer_joint_angle_deg=float(np.degrees(np.max(outer))),
        toggle_margin_deg=float(np.degrees(np.min(poses.toggle_margin))),
        missing=TRAVELS * RACKS - len(there),
    )


def swept_pairs(problem: Problem, design: Designs, swept: Solved) -> dict[str, float]:
    """Least clearance of each pair of a batch of one over the poses of a sweep.

    Of studies with parts that move or a tyre in poses between these too, where it is near a limit.
    """
    if not (problem.has_pairs or problem.has_tyre):
        return {}
    driven = problem.drive(design, problem.solve(design))
    metrics = problem.clearances(design, swept, driven, poses_between=False)
    pairs = {
        name: float(values[0])
        for name, values in metrics.items()
        if is_pair(name) and np.isfinite(values[0])
    }
    return _looked_into(problem, design, swept, pairs) if problem.room.closest_only else pairs


def _looked_into(
    problem: Problem, design: Designs, swept: Solved, pairs: dict[str, float]
) -> dict[str, float]:
    """Pairs whose least may be less between the poses of a sweep, where that could break a limit.

    From the pose of the least a pattern search, whose steps are halved, goes downhill.
    """
    margins = PoseMargins.of(problem, design)
    if margins is None:
        return pairs
    near = [
        name
        for name, value in pairs.items()
        if (wanted := margins.wanted_mm(name)) is not None and value < wanted + _MISSED_MM
    ]
    if not near:
        return pairs
    end, grid = float(swept.steering_end_mm[0]), problem.travel.grid()
    low, high = np.array([grid[0], -end]), np.array([grid[-1], end])
    where = np.stack([swept.envelope_travel_mm, end * swept.envelope_share], axis=-1)
    found = margins.distances(*where.T)
    near = [name for name in near if name in found]
    if not near:
        return pairs
    at = where[[int(np.argmin(found[name])) for name in near]]
    least = np.array([found[name].min() for name in near])
    step = (high - low) / (TRAVELS - 1, RACKS - 1)
    for _ in range(_HALVINGS):
        step = 0.5 * step
        there = np.clip(at[:, None] + _AROUND * step, low, high)
        found = margins.distances(*there.reshape(-1, 2).T)
        for row, name in enumerate(near):
            values = found.get(name, np.full(there[..., 0].size, np.inf)).reshape(len(near), -1)
            best = int(np.argmin(values[row]))
            if values[row, best] < least[row]:
                least[row], at[row] = values[row, best], there[row, best]
    return pairs | {
        name: min(pairs[name], float(value)) for name, value in zip(near, least, strict=True)
    }


def _nearest(pairs: dict[str, float]) -> tuple[float | None, str]:
    """The least of some clearances, and whose it is in words."""
    if not pairs:
        return None, ""
    nearest = min(pairs, key=lambda name: pairs[name])
    return pairs[nearest], pair_words(nearest)


def on_grid(problem: Problem, solved: Solved, travels: int, racks: int) -> Solved:
    """Solved designs in so many wheel travels and rack displacements, even from end to end."""
    grid = problem.travel.grid()
    travel, share = (
        axis.ravel()
        for axis in np.meshgrid(
            np.linspace(grid[0], grid[-1], travels), np.linspace(-1.0, 1.0, racks), indexing="ij"
        )
    )
    poses = solve_linkage(
        solved.points.with_pose_axes(1),
        travel,
        solved.steering_end_mm[:, None] * share,
        problem.car.attitude,
    )
    return replace(solved, envelope=poses, envelope_travel_mm=travel, envelope_share=share)


# --- what a builder has to know ------------------------------------------------------------------


def sweep_notes(problem: Problem, design: Designs, sweep: WholeSweep) -> Iterator[str]:
    """Sentences on joints near their limits, clearance of the whole sweep, and what is unknown."""
    rack = problem.racks[int(design.rack[0])]
    yield from _joint(
        "its inner joints",
        sweep.inner_joint_angle_deg,
        float(problem.inner_joint_limits_deg[int(design.rack[0])]),
    )
    outer = problem.limits.outer_joint_angle
    yield from _joint(
        "its outer joints",
        sweep.outer_joint_angle_deg,
        np.inf if outer is None else float(np.degrees(outer)),
    )
    limits = problem.limits
    for one, value, closest, wanted in (
        ("clearance", sweep.clearance_mm, sweep.closest, limits.clearance_mm),
        ("clearance of the tyre", sweep.tyre_mm, sweep.tyre_closest, limits.tyre_clearance_mm),
    ):
        if value is not None and wanted is not None and value < wanted:
            yield (
                f"over its whole sweep of {TRAVELS * RACKS - sweep.missing} poses its least {one} "
                f"is {quantity('clearance_mm').against(value, wanted)}, {closest}, "
                f"against {wanted:g} mm wanted"
            )
    unchecked = unchecked_parts(rack, problem.room)
    if unchecked:
        yield (f"clearance does not count its {', '.join(unchecked)}: their size is not given")
    if sweep.missing:
        yield (
            f"{sweep.missing} of {TRAVELS * RACKS} poses of its sweep do not exist: fit stops that "
            "keep it from them"
        )


def _joint(name: str, angle: float, limit: float) -> Iterator[str]:
    if not np.isfinite(limit):
        yield (
            f"{name} reach {angle:.1f} deg, and no limit of theirs is known: take it from the "
            "part's data"
        )
    elif angle > limit:
        yield (
            f"{name} reach {told_apart(angle, limit, 1)} deg, {rounded(angle - limit, 1)} beyond "
            f"their limit of {limit:g}: they would bind and break"
        )
    elif angle > limit - NEAR_LIMIT_DEG:
        yield (
            f"{name} reach {told_apart(angle, limit, 1)} deg, {rounded(limit - angle, 1)} short of "
            f"their limit of {limit:g}"
        )
