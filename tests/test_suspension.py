"""Character of a corner and departures from the drawn one, against referees that share no code."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from adapt_cases import FIVE, invented, moving_demo
from references import corners
from references.answers import REFEREES

from optimiser.evaluation.designs import Designs
from optimiser.evaluation.moves import KEPT
from optimiser.linkage.at_rack import solve_linkage
from optimiser.linkage.attitude import Attitude
from optimiser.linkage.hardpoints import Hardpoints
from optimiser.metrics.suspension import character
from optimiser.questions.adapt.asked import least_change, suspension_of

RADIUS = 281.0
STEP_MM = 0.5
CORNERS = ("front steer", "inclined arm axes", "large caster")


def unit(vector: np.ndarray) -> np.ndarray:
    return vector / np.linalg.norm(vector)


class Refereed:
    """Numbers of a corner from a referee's poses: rotations and wheel centres, nothing of ours."""

    def __init__(self, solve, points, spin, radius, travel) -> None:
        self.points, self.spin, self.radius = points, spin, radius
        travels = np.unique(np.concatenate([travel, [-STEP_MM, 0.0, STEP_MM]]))
        self.racks = np.array([-1.0, 0.0, 1.0])
        self.at = {float(t): row for row, t in enumerate(travels)}
        self.found = solve(points, spin, travels, self.racks)

    def contact(self, travel: float) -> np.ndarray:
        """Lowest point of the leaning wheel, the rack at centre."""
        spin = self.turned(travel, self.spin)
        return self.centre(travel) + self.radius * unit(spin[2] * spin - [0.0, 0.0, 1.0])

    def centre(self, travel: float, rack: int = 1) -> np.ndarray:
        return self.found["wheel_centre"][self.at[travel], rack]

    def turned(self, travel: float, vector: np.ndarray, rack: int = 1) -> np.ndarray:
        return self.found["rotation"][self.at[travel], rack] @ vector

    def curves(self, travel: np.ndarray) -> dict[str, np.ndarray]:
        axis = self.points["upper_ball_joint"] - self.points["lower_ball_joint"]
        now = np.array([self.turned(t, axis) for t in travel])
        spins = np.array([self.turned(t, self.spin) for t in travel])
        return {
            "camber": -np.degrees(np.arcsin(spins[:, 2])),
            "caster": np.degrees(np.arctan2(-now[:, 0], now[:, 2])),
            "kingpin_inclination": np.degrees(np.arctan2(-now[:, 1], now[:, 2])),
            "track_change_mm": np.array([(self.contact(t) - self.contact(0.0))[1] for t in travel]),
        }

    def numbers(self) -> dict[str, float]:
        low, high = self.contact(-STEP_MM), self.contact(STEP_MM)
        rest = self.contact(0.0)
        held = [self.steer_held(t, rest) for t in (-STEP_MM, STEP_MM)]
        along = held[1] - held[0]
        ground = self.points["lower_ball_joint"] + (
            (rest[2] - self.points["lower_ball_joint"][2])
            / (self.points["upper_ball_joint"] - self.points["lower_ball_joint"])[2]
        ) * (self.points["upper_ball_joint"] - self.points["lower_ball_joint"])
        across = unit(np.array([self.spin[0], self.spin[1], 0.0]))
        ahead = np.array([across[1], -across[0], 0.0])
        return {
            "roll_centre_mm": (high - low)[1] / (2.0 * STEP_MM) * rest[1],
            "anti_dive": np.degrees(np.arctan(along[0] / along[2])),
            "scrub_radius_mm": (rest - ground) @ across,
            "trail_mm": (ground - rest) @ ahead,
        }

    def steer_held(self, travel: float, rest: np.ndarray) -> np.ndarray:
        """The tyre's point at the ground carried with the upright, the steer angle as at rest."""
        steer = self.found["steer_deg"][self.at[travel]] - self.found["steer_deg"][self.at[0.0], 1]
        arm = rest - self.points["wheel_centre"]
        at = [self.centre(travel, n) + self.turned(travel, arm, n) for n in range(3)]
        # Through three racks a parabola in the steer angle, read where it is that at rest.
        return np.array([np.polyval(np.polyfit(steer, c, 2), 0.0) for c in np.transpose(at)])


@cache
def said(referee: str, corner: str) -> tuple[dict, dict, np.ndarray]:
    points, spin = corners.points_of(corner), corners.spin_axis_of(corner)
    travel = np.linspace(-40.0, 40.0, 5)
    found = Refereed(REFEREES[referee], points, spin, RADIUS, travel)
    return found.curves(travel), found.numbers(), travel


@pytest.mark.parametrize("corner", CORNERS)
@pytest.mark.parametrize("referee", REFEREES)
def test_character_agrees_with_the_referees(referee: str, corner: str) -> None:
    curves, numbers, travel = said(referee, corner)
    built = corners.CORNERS[corner]
    attitude = Attitude(
        np.radians(built["static_toe_in_deg"]), np.radians(built["static_camber_deg"]), RADIUS
    )
    poses = solve_linkage(Hardpoints.from_mapping(corners.points_of(corner)), travel, 0.0, attitude)
    ours = character(poses, 2, RADIUS)
    for name, curve in curves.items():
        mine = getattr(ours, name)
        mine = mine if name.endswith("_mm") else np.degrees(mine)
        np.testing.assert_allclose(mine, curve, atol=1e-7, err_msg=name)
    for name, value in numbers.items():
        mine = float(getattr(ours, name))
        mine = mine if name.endswith("_mm") else np.degrees(mine)
        # Theirs are differences over half a millimetre of travel either way.
        assert mine == pytest.approx(value, abs=2e-3), name


def refereed_departures(problem, before: dict, after: dict) -> dict[str, float]:
    attitude = problem.car.attitude
    travel = problem.travel.grid()
    both = [
        Refereed(
            REFEREES["constraints"], points, attitude.spin_axis, attitude.loaded_radius_mm, travel
        )
        for points in (before, after)
    ]
    drawn, changed = ({**one.curves(travel), **one.numbers()} for one in both)
    return {name: float(np.max(np.abs(changed[name] - drawn[name]))) for name in drawn}


@pytest.mark.parametrize("name", ["inclined arm axes", "converging arms"])
def test_every_departure_is_what_a_referee_finds(tmp_path, name: str) -> None:
    assert name in FIVE
    problem = least_change(invented(tmp_path, name).moving_problem())
    suspension = suspension_of(problem)
    rng = np.random.default_rng(5)
    plain = problem.designs([0], {"rack_height_mm": [problem.points.inner_joint[2] + 7.0]})
    values = plain.values.copy()
    values[0, 6:] = 0.3 * suspension.room_mm * rng.uniform(-1.0, 1.0, len(suspension.columns))
    design = Designs(plain.rack, values)
    outcome = problem.evaluate(design)
    after = dict(problem.corners(design)[0].select(0).items())
    theirs = refereed_departures(problem, dict(problem.points.items()), after)
    for quantity, key in KEPT.items():
        part = key.removesuffix("_deg")
        value = theirs[part] if part in theirs else theirs[key]
        assert float(outcome.metrics[quantity][0]) == pytest.approx(value, abs=4e-3), quantity
        assert value > 1e-3, quantity


def test_at_rest_the_wheel_stays_and_the_arm_is_about_the_moved_axis(tmp_path) -> None:
    text = "\n[suspension.may_move]\nlower_ball_joint = {outboard = 10, forward = 10, up = 5}\n"
    problem = moving_demo(tmp_path, text).moving_problem()
    plain = problem.designs([0], _values(problem))
    values = plain.values.copy()
    values[0, 6:] = 4.0, -6.0, 3.0
    moved, _ = problem.corners(Designs(plain.rack, values))
    still, _ = problem.corners(plain)
    shift = (moved.lower_ball_joint - still.lower_ball_joint)[0]
    np.testing.assert_allclose(shift, [4.0, -6.0, 3.0], atol=1e-12)
    np.testing.assert_array_equal(moved.wheel_centre, still.wheel_centre)
    axis = unit((moved.upper_ball_joint - moved.lower_ball_joint)[0])
    arm = moved.outer_joint[0] - moved.lower_ball_joint[0]
    assert np.linalg.norm(arm - (arm @ axis) * axis) == pytest.approx(110.0, abs=1e-9)
    assert moved.outer_joint[0, 2] == pytest.approx(220.0, abs=1e-9)


def test_with_the_arm_as_drawn_the_joint_keeps_its_place(tmp_path) -> None:
    lines = ("arm_length_mm = ", "arm_height_mm = ", "arm_angle_deg = ")
    study = moving_demo(tmp_path, "\n[suspension.may_move]\nlower_ball_joint = {up = 5}\n")
    kept = [line for line in study.text.splitlines() if not line.startswith(lines)]
    study.path.write_text("\n".join(kept), "utf-8")
    from optimiser.study.read import read_study

    problem = read_study(study.path).moving_problem()
    assert suspension_of(problem).joint_stays
    plain = problem.designs(
        [0],
        {"rack_height_mm": [200.0], "rack_fore_aft_mm": [100.0], "spacer_mm": [0.0]},
    )
    values = plain.values.copy()
    values[0, 6] = 5.0
    moved, _ = problem.corners(Designs(plain.rack, values))
    np.testing.assert_array_equal(moved.outer_joint[0], problem.points.outer_joint)
    assert moved.lower_ball_joint[0, 2] == problem.points.lower_ball_joint[2] + 5.0


def _values(problem) -> dict[str, list[float]]:
    return {
        "rack_height_mm": [200.0],
        "rack_fore_aft_mm": [100.0],
        "spacer_mm": [0.0],
        "arm_length_mm": [110.0],
        "arm_height_mm": [220.0],
        "arm_angle_deg": [5.0],
    }
