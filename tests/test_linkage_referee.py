"""The linkage kernel against two solvers that share no code with it.

`references/multibody.py` builds the same corner in exudyn, a general-purpose multibody
dynamics library; `references/constraints.py` solves six distance equations by Newton's
steps and scipy.
Asked for is agreement within 1e-6 deg; reached, and held to here, is 1e-9 deg.

Where poses end, kernel and referees differ by a hair on purpose.  The kernel refuses a
pose once tie rod and steering arm have lined up (toggle margin 0).  With the wheel held
at its travel the mechanism can still be pushed a little past that, because the wheel
moves up or down as it steers: on the corners here by less than 0.02 mm of rack.
"""

from __future__ import annotations

import numpy as np
import pytest
from references import constraints, corners
from references.answers import REFEREES, answer, grid

from optimiser.linkage.at_rack import Poses, solve_linkage
from optimiser.linkage.attitude import Attitude
from optimiser.linkage.hardpoints import Hardpoints

AGREEMENT_DEG = 1e-9
AGREEMENT_MM = 1e-9
PAST_THE_TOGGLE_MM = 0.02

every_corner = pytest.mark.parametrize("corner", corners.CORNERS)


def kernel(corner: str, travel_mm: np.ndarray, rack_mm: np.ndarray) -> Poses:
    """The kernel's poses of a named corner, shape (n_travel, n_rack)."""
    built = corners.CORNERS[corner]
    return solve_linkage(
        Hardpoints.from_mapping(corners.points_of(corner)),
        np.asarray(travel_mm)[:, None],
        np.asarray(rack_mm)[None, :],
        Attitude(np.radians(built["static_toe_in_deg"]), np.radians(built["static_camber_deg"])),
    )


def assert_same_poses(ours: Poses, said: dict[str, np.ndarray], where: np.ndarray) -> None:
    steer, camber = np.degrees(ours.steer), np.degrees(ours.camber)
    for angle, value in (("steer_deg", steer), ("toe_in_deg", -steer), ("camber_deg", camber)):
        np.testing.assert_allclose(value[where], said[angle][where], rtol=0.0, atol=AGREEMENT_DEG)
    for point in ("outer_joint", "wheel_centre"):
        np.testing.assert_allclose(
            getattr(ours, point)[where], said[point][where], rtol=0.0, atol=AGREEMENT_MM
        )


@every_corner
@pytest.mark.parametrize("referee", REFEREES)
def test_poses_agree_and_the_impossible_ones_are_nan(referee: str, corner: str) -> None:
    said, ours = answer(referee, corner), kernel(corner, *grid(corner))
    np.testing.assert_array_equal(ours.exists, said["feasible"])
    assert_same_poses(ours, said, said["feasible"])
    for missing in (ours.steer, ours.camber, ours.outer_joint, ours.spin_axis):
        assert np.isnan(missing[~said["feasible"]]).all()


def lined_up(points: dict[str, np.ndarray], said: dict[str, np.ndarray], rack: np.ndarray):
    """Where the referee's pose has passed a line-up that it does not have at rest.

    Signed volumes change sign when tie rod and steering arm lie in one plane with the
    steering axis, or the upper arm lies in one plane with the upright and its own axis.
    """

    def volumes(lower, upper, outer, inner) -> tuple[np.ndarray, np.ndarray]:
        hinge = points["upper_front_pivot"] - points["upper_rear_pivot"]
        toggle = np.cross(upper - lower, outer - lower) * (inner - outer)
        over = np.cross(hinge, upper - points["upper_rear_pivot"]) * (upper - lower)
        return toggle.sum(axis=-1), over.sum(axis=-1)

    def carried(name: str) -> np.ndarray:
        return said["wheel_centre"] + said["rotation"] @ (points[name] - points["wheel_centre"])

    names = ("lower_ball_joint", "upper_ball_joint", "outer_joint")
    inner = points["inner_joint"] + rack[:, None] * np.array([0.0, 1.0, 0.0])
    now = volumes(*(carried(name) for name in names), inner)
    rest = volumes(*(points[name] for name in names), points["inner_joint"])
    return (now[0] * rest[0] <= 0.0) | (now[1] * rest[1] <= 0.0)


@pytest.mark.parametrize(
    "corner",
    [
        "toggle",
        "toggle ahead",
        "converging arms",
    ],
)
def test_far_beyond_what_the_linkage_can_do(corner: str) -> None:
    travel, rack = np.linspace(-160.0, 160.0, 9), np.linspace(-200.0, 200.0, 33)
    points, spin = corners.points_of(corner), corners.spin_axis_of(corner)
    said, ours = REFEREES["multibody"](points, spin, travel, rack), kernel(corner, travel, rack)
    expected = said["feasible"] & ~lined_up(points, said, rack)
    assert 0.2 < expected.mean() < 0.8
    np.testing.assert_array_equal(ours.exists, expected)
    assert_same_poses(ours, said, expected)


def rack_end(corner: str, travel: float, limit: float) -> float:
    """The rack displacement at which the kernel's poses end, by sections towards `limit`."""
    ends = np.array([0.0, limit])
    assert not kernel(corner, np.array([travel]), ends[1:]).exists.any()
    while abs(ends[1] - ends[0]) > 1e-6:
        racks = np.linspace(*ends, 34)
        exists = kernel(corner, np.array([travel]), racks[1:-1]).exists[0]
        last = int(exists.sum())
        assert exists[:last].all()  # beyond the end there is nothing
        ends = racks[last : last + 2]
    return float(ends[0])


@pytest.mark.parametrize(
    ("corner", "travel", "towards"),
    [
        ("toggle", -60.0, -1.0),
        ("toggle", -60.0, 1.0),
        ("toggle", 0.0, -1.0),
        ("toggle", 0.0, 1.0),
        ("toggle", 60.0, -1.0),
        ("toggle", 60.0, 1.0),
        ("toggle ahead", -60.0, -1.0),
        ("toggle ahead", -60.0, 1.0),
        ("toggle ahead", 0.0, -1.0),
        ("toggle ahead", 0.0, 1.0),
        ("toggle ahead", 60.0, -1.0),
        ("toggle ahead", 60.0, 1.0),
    ],
)
def test_poses_end_where_the_referee_says(corner: str, travel: float, towards: float) -> None:
    end = rack_end(corner, travel, towards * 130.0)
    rack = towards * np.append(
        np.arange(0.0, abs(end) - 5.0, 10.0), [abs(end) - 1e-4, abs(end) + PAST_THE_TOGGLE_MM]
    )
    said = REFEREES["multibody"](
        corners.points_of(corner), corners.spin_axis_of(corner), np.array([travel]), rack
    )
    np.testing.assert_array_equal(said["feasible"][0], [True] * (rack.size - 1) + [False])
    assert_same_poses(
        kernel(corner, np.array([travel]), rack), said, said["feasible"] & (rack != rack[-2])
    )


def test_random_designs_in_one_batch_against_the_constraint_solve() -> None:
    rng = np.random.default_rng(20240611)
    travel, rack = np.array([-48.0, 9.0, 55.0]), np.array([-33.0, 0.0, 27.0])
    designs = []
    for base in list(corners.CORNERS)[:6]:
        for _ in range(2):
            drawn = corners.points_of(base)
            designs.append({name: at + rng.uniform(-15.0, 15.0, 3) for name, at in drawn.items()})
    toe_in, camber = np.radians(rng.uniform(-1.0, 1.0, (2, len(designs), 1, 1)))
    batch = {name: np.stack([d[name] for d in designs]) for name in designs[0]}
    ours = solve_linkage(
        Hardpoints.from_mapping(batch).with_pose_axes(2),
        travel[:, None],
        rack,
        Attitude(toe_in, camber),
    )
    assert ours.shape == (len(designs), 3, 3)
    assert ours.exists.all()
    for index, points in enumerate(designs):
        toe, lean = float(toe_in[index, 0, 0]), float(camber[index, 0, 0])
        spin = np.array([np.sin(toe) * np.cos(lean), np.cos(toe) * np.cos(lean), -np.sin(lean)])
        said = REFEREES["constraints"](points, spin, travel, rack)
        for angle, value in (("steer_deg", ours.steer), ("camber_deg", ours.camber)):
            np.testing.assert_allclose(
                np.degrees(value[index]), said[angle], rtol=0.0, atol=AGREEMENT_DEG
            )


@pytest.mark.parametrize("corner", ["rear steer", "inclined arm axes", "large caster"])
def test_rates_of_steer_against_differences_of_the_referee(corner: str) -> None:
    travel, rack, step = 31.0, -22.0, 0.5
    offsets = step * np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
    # five-point stencil (f(-2) - 8 f(-1) + 8 f(1) - f(2)) / 12 h, error of order h^4
    weights = np.array([1.0, -8.0, 0.0, 8.0, -1.0]) / (12.0 * step)
    said = REFEREES["multibody"](
        corners.points_of(corner), corners.spin_axis_of(corner), travel + offsets, rack + offsets
    )
    steer = np.radians(said["steer_deg"])
    ours = kernel(corner, np.array([travel]), np.array([rack]))
    assert ours.steer_per_travel[0, 0] == pytest.approx(weights @ steer[:, 2], abs=1e-11)
    assert ours.steer_per_rack[0, 0] == pytest.approx(weights @ steer[2, :], abs=1e-11)


def test_a_pose_is_reached_by_travel_first_where_the_straight_way_is_broken():
    """Invented: on the straight way of both at once wheel and rack lead past a gap.

    The referee floods its grid and gets there too; at three racks, far from any toggle.
    """
    points = {
        "lower_front_pivot": (128.0, 241.0, 173.0),
        "lower_rear_pivot": (-139.0, 234.0, 167.0),
        "lower_ball_joint": (26.0, 650.0, 141.0),
        "upper_front_pivot": (95.0, 421.0, 331.0),
        "upper_rear_pivot": (-97.0, 425.0, 321.0),
        "upper_ball_joint": (2.0, 604.0, 402.0),
        "wheel_centre": (-14.0, 683.0, 307.0),
        "outer_joint": (103.0, 648.0, 187.0),
        "inner_joint": (126.0, 310.0, 229.0),
    }
    travel, rack = np.linspace(0.0, 128.0, 5), np.array([0.0, 50.0, 100.0, 105.0, 110.0])
    arrays = {name: np.array(point) for name, point in points.items()}
    theirs = constraints.solve_corner(arrays, np.array([0.0, 1.0, 0.0]), travel, rack)
    assert theirs["feasible"][-1, 2:].all()
    poses = solve_linkage(Hardpoints.from_mapping(points), 128.0, rack[2:])
    assert np.all(np.degrees(poses.toggle_margin) > 27.0)
    steer = np.degrees(poses.steer)
    np.testing.assert_allclose(steer, theirs["steer_deg"][-1, 2:], rtol=0, atol=AGREEMENT_DEG)
