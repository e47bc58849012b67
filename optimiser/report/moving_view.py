"""Data of the drawing that moves: poses over wheel travel and rack, which a page interpolates.

Between the nodes of the grid every point is interpolated in both directions. A joint on an arm of
length r whose ends lie a chord c apart is then out by no more than c^2 / (8 r): with travel steps
of 10 mm and rack steps of 5 mm that is below 0.1 mm on arms of 150 mm. On short steering arms and
towards toggle it is more: there the steps are halved until what is between them is near enough.

Distances between parts are not interpolated: past an edge, or around a thin tube, they bend too
sharply for that. They are given in poses half as far apart, and the page shows the nearest one's.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from optimiser.answer.closest_by_pose import closest_by_pose
from optimiser.evaluation.clearance.keep_outs import keep_outs
from optimiser.evaluation.quantities import quantity
from optimiser.linkage.at_rack import solve_linkage
from optimiser.linkage.steering_arm import arm_foot

if TYPE_CHECKING:
    from optimiser.answer.closest_by_pose import Closest
    from optimiser.answer.run_result import Chosen
    from optimiser.linkage.attitude import Attitude
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array

TRAVEL_STEP_MM, RACK_STEP_MM = 10.0, 5.0
_OFF_MM, _OFF_DEG = 0.08, 0.04
"""What a point and toe may be off in the middle of a step."""
_HALVINGS = 5
_MM_DIGITS, _DEG_DIGITS = 2, 4
_MARGIN_MM = 60.0
_FEWEST_RACKS = 3
_VIEWS = {"above": (1, 0), "behind": (1, 2), "left": (0, 2)}
"""What is across and what is up in each view; both of these point the other way on the page."""


def moving_data(chosen: Chosen) -> dict[str, Any] | None:
    """What the page needs, JSON-able; None when the design has no pose at rest.

    `travel` (T,) and `rack` (R,) are the grid. Of `cars`, the chosen one and the drawn one, each
    point is a flat list over T, R and x, y, z of the left corner, None where no pose is; the right
    one is its mirror image at the opposite rack displacement. `toe` is toe-in in degrees, T by R.
    `near` is what `_near` gives.
    """
    problem, end = chosen.problem, chosen.steering_end_mm
    if not (chosen.outcome.assembles[0] and np.isfinite(end)):
        return None
    grid = problem.travel.grid()
    travel, rack = _nodes(grid[0], grid[-1], TRAVEL_STEP_MM), _nodes(-end, end, RACK_STEP_MM)
    attitude = problem.car.attitude
    drawn = {"chosen": chosen.points, "drawn": problem.points}
    near = _near(chosen, _halved(travel), _halved(rack))
    travel, rack = _near_enough(list(drawn.values()), attitude, travel, rack)
    cars = {name: _car(points, chosen, travel, rack) for name, points in drawn.items()}
    per_turn = chosen.rack.travel_per_turn_mm
    return {
        "travel": travel.tolist(),
        "rack": np.round(rack, _MM_DIGITS).tolist(),
        "turn_deg_per_mm": None if per_turn is None else 360.0 / per_turn,
        "cars": cars,
        "spacer": float(chosen.design.column("spacer_mm")[0]),
        "wheel": [attitude.loaded_radius_mm, 0.5 * (problem.car.tyre_width_mm or 0.0)],
        "room": {
            view: [np.round(shape.outline(*axes), 1).tolist() for shape in keep_outs(problem.room)]
            for view, axes in _VIEWS.items()
        },
        "boxes": _boxes(chosen, cars["chosen"]["toe"]),
        "near": near,
    }


def _halved(nodes: Array) -> Array:
    """The nodes and the middles between them."""
    return np.interp(np.arange(2 * len(nodes) - 1), 2 * np.arange(len(nodes)), nodes)


def _near_enough(
    corners: list[Hardpoints], attitude: Attitude, travel: Array, rack: Array
) -> tuple[Array, Array]:
    """Nodes with steps halved where a straight line between them is out by too much."""
    for _ in range(_HALVINGS):
        bends = [_bends(points, attitude, travel, rack) for points in corners]
        of_travel, of_rack = (np.any(both, axis=0) for both in zip(*bends, strict=True))
        if not (of_travel.any() or of_rack.any()):
            break
        travel, rack = _split(travel, of_travel), _split(rack, of_rack)
    return travel, rack


def _bends(
    points: Hardpoints, attitude: Attitude, travel: Array, rack: Array
) -> tuple[Array, Array]:
    """Which steps of travel, and of rack, are too long for a straight line (bool)."""
    poses = solve_linkage(points, _halved(travel)[:, None], _halved(rack), attitude)
    places = (poses.lower_ball_joint, poses.upper_ball_joint, poses.outer_joint, poses.wheel_centre)
    at = np.stack(places, axis=-2) / _OFF_MM
    toe = np.degrees(poses.steer)[..., None, None] / _OFF_DEG

    def out(values: Array) -> Array:
        """Of each step (first axis) the greatest distance from the line, in what it may be."""
        off = values[1::2] - 0.5 * (values[:-1:2] + values[2::2])
        size = np.sqrt(np.sum(off**2, axis=-1))
        return np.asarray(np.where(np.isfinite(size), size, 0.0).max(axis=(1, 2)))

    def either(of: Array, toe: Array) -> Array:
        return np.asarray(np.maximum(out(of), out(toe)) > 1.0)

    return either(at, toe), either(np.swapaxes(at, 0, 1), np.swapaxes(toe, 0, 1))


def _split(nodes: Array, where: Array) -> Array:
    """Nodes with the middles of some steps among them."""
    middles = 0.5 * (nodes[1:] + nodes[:-1])
    return np.sort(np.concatenate([nodes, middles[where]]))


def _near(chosen: Chosen, travel: Array, rack: Array) -> dict[str, Any] | None:
    """What is closest in each pose, both wheels counted; None where nothing is measured.

    `travel` and `rack` are the poses; of each of `kinds` (steering, tyre) `pair` has an index in
    `names` for each pose, -1 where `none` says what there is, and `gap` its distance. `same` is
    what never changes.
    """
    found = closest_by_pose(chosen.problem, chosen.design, travel, rack)
    if found is None:
        return None
    both = (found.steering, "moving parts"), (found.tyre, "the tyres")
    kinds = [_kind(each, of, found.far_mm) for each, of in both if each is not None]
    digits = quantity("clearance_mm").digits
    if not kinds and found.same is None:
        return None
    return {
        "travel": np.round(travel, _MM_DIGITS).tolist(),
        "rack": np.round(rack, _MM_DIGITS).tolist(),
        "kinds": kinds,
        "same": None if found.same is None else [found.same[0], round(found.same[1], digits)],
    }


def _kind(closest: Closest, of: str, far_mm: float) -> dict[str, Any]:
    return {
        "none": f"nothing within {far_mm:g} mm of {of}",
        "names": list(closest.names),
        "pair": closest.pair.ravel().tolist(),
        "gap": _plain(closest.gap_mm, quantity("clearance_mm").digits),
    }


def _nodes(low: float, high: float, step: float) -> Array:
    """Evenly spaced nodes no further apart than a step, with 0 among them where it is inside."""
    if low >= 0.0 or high <= 0.0:
        return np.linspace(low, high, max(2, 1 + int(np.ceil((high - low) / step))))
    down = np.linspace(low, 0.0, 1 + int(np.ceil(-low / step)))
    up = np.linspace(0.0, high, 1 + int(np.ceil(high / step)))
    return np.concatenate([down[:-1], up])


def _car(points: Hardpoints, chosen: Chosen, travel: Array, rack: Array) -> dict[str, Any]:
    poses = solve_linkage(points, travel[:, None], rack, chosen.problem.car.attitude)
    axis = points.upper_ball_joint - points.lower_ball_joint
    foot = float(np.dot(arm_foot(points) - points.lower_ball_joint, axis) / np.dot(axis, axis))
    moving = {
        "lower": poses.lower_ball_joint,
        "upper": poses.upper_ball_joint,
        "outer": poses.outer_joint,
        "centre": poses.wheel_centre,
        # A point of the wheel's axis: as a point it can be interpolated like the others.
        "axis": poses.wheel_centre + 100.0 * poses.spin_axis,
    }
    fixed = {
        "lower_front": points.lower_front_pivot,
        "lower_rear": points.lower_rear_pivot,
        "upper_front": points.upper_front_pivot,
        "upper_rear": points.upper_rear_pivot,
        "inner": points.inner_joint,
    }
    return {
        "fixed": {name: _plain(point) for name, point in fixed.items()},
        "foot": foot,
        "moving": {name: _plain(where) for name, where in moving.items()},
        "toe": _plain(-np.degrees(poses.steer), _DEG_DIGITS),
    }


def _plain(values: Array, digits: int = _MM_DIGITS) -> list[float | None]:
    """A flat list, None where there is no number."""
    flat = np.round(np.asarray(values, float), digits).ravel().tolist()
    return [value if np.isfinite(value) else None for value in flat]


def _boxes(chosen: Chosen, toe_deg: list[float | None]) -> dict[str, list[float]]:
    """What each view shows: left, top, width and height on the page, mm; whole wheels at lock."""
    attitude, points = chosen.problem.car.attitude, chosen.points
    radius, wide = attitude.loaded_radius_mm, 0.5 * (chosen.problem.car.tyre_width_mm or 0.0)
    grid = chosen.problem.travel.grid()
    most = np.radians(min(90.0, max((abs(toe) for toe in toe_deg if toe is not None), default=0.0)))
    across = float(points.wheel_centre[1]) + wide + radius * float(np.sin(most)) + _MARGIN_MM
    ahead = float(points.wheel_centre[0])
    pivots = np.stack(
        [
            getattr(points, f"{arm}_{end}_pivot")
            for arm in ("lower", "upper")
            for end in ("front", "rear")
        ]
        + [points.inner_joint]
    )
    front = max(ahead + radius, float(pivots[:, 0].max())) + _MARGIN_MM
    rear = min(ahead - radius, float(pivots[:, 0].min())) - _MARGIN_MM
    top = float(points.wheel_centre[2]) + radius + grid[-1] + _MARGIN_MM
    bottom = float(points.wheel_centre[2]) - radius + grid[0] - _MARGIN_MM
    tall = top - bottom
    return {
        "above": [-across, -front, 2.0 * across, front - rear],
        "behind": [-across, -top, 2.0 * across, tall],
        "left": [-front, -top, front - rear, tall],
    }
