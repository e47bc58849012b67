"""Every number of a row of `racks.csv` worked out again from the study's own files.

Nothing of the package under test is imported. The study is read as plain TOML and CSV, the poses
are those of `references.constraints`, and each formula is written here from its definition: roots
by scipy, derivatives by splines, peaks by fine sampling. A design's six variables come from its row
of `trials.csv`, and so does the least of each objective of a rack.
"""

from __future__ import annotations

import csv
import tomllib
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from references import clear, constraints
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq
from scipy.spatial.transform import Rotation

if TYPE_CHECKING:
    from pathlib import Path

STEEL_KG_M3 = 7850.0
MIRROR = np.array([1.0, -1.0, 1.0])


def rows_of(path: Path) -> list[dict[str, str]]:
    """Rows of a CSV file whose notes begin with '#'."""
    lines = [line for line in path.read_text("utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def value(text: str | None) -> float:
    return float(text) if text else np.nan


def unit(vector: np.ndarray) -> np.ndarray:
    return vector / np.linalg.norm(vector, axis=-1, keepdims=True)


def angle(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Degrees between directions (..., 3)."""
    sine = np.linalg.norm(np.cross(a, b), axis=-1)
    return np.degrees(np.arctan2(sine, np.sum(a * b, axis=-1)))


# --- the study -----------------------------------------------------------------------------------


class Study:
    """A study file and what it names, in body axes."""

    def __init__(self, path: Path) -> None:
        self.file = tomllib.loads(path.read_text("utf-8"))
        frame = self.file["frame"]
        self.turn = np.array([self._axis(frame[name]) for name in ("forward", "left", "up")])
        self.origin = np.array(frame["ground_origin_mm"], float)
        points = rows_of(path.parent / self.file["hardpoints"]["file"])
        self.points = {
            row["name"]: self.body([float(row[f"{a}_mm"]) for a in "xyz"]) for row in points
        }
        racks = rows_of(path.parent / self.file["racks"]["catalogue"])
        self.racks = {row["name"]: row for row in racks}
        car = self.file["car"]
        toe, camber = np.radians(car["static_toe_in_deg"]), np.radians(car["static_camber_deg"])
        self.spin = np.array(
            [np.sin(toe) * np.cos(camber), np.cos(toe) * np.cos(camber), -np.sin(camber)]
        )

    @staticmethod
    def _axis(word: str) -> np.ndarray:
        return (-1.0 if word[0] == "-" else 1.0) * np.eye(3)["xyz".index(word[-1])]

    def body(self, cad) -> np.ndarray:
        return self.turn @ (np.array(cad, float) - self.origin)

    def table(self, name: str) -> dict:
        return self.file.get(name, {})


# --- one design ----------------------------------------------------------------------------------


@dataclass
class Swept:
    """The left corner over a grid of wheel travel and rack displacement: points (T, R, 3)."""

    lower: np.ndarray
    upper: np.ndarray
    outer: np.ndarray
    inner: np.ndarray
    wheel: np.ndarray
    spin: np.ndarray
    rotation: np.ndarray
    steer: np.ndarray

    @property
    def rod(self) -> np.ndarray:
        return self.outer - self.inner

    @property
    def axis(self) -> np.ndarray:
        return self.upper - self.lower


class Row:
    """The numbers of one rack in one study, of the design whose variables are given."""

    def __init__(self, study: Study, rack: str, variables: dict[str, float]) -> None:
        self.study, self.rack, self.at = study, study.racks[rack], variables
        self.travel = value(self.rack["travel_mm"])
        steering, travel = study.table("steering"), study.table("travel")
        self.lock = np.radians(steering["inner_lock_deg"])
        self.keeps_rods = steering.get("keep_tie_rods", False)
        step = travel.get("step_mm", 5.0)
        up = np.linspace(0.0, travel["bump_mm"], round(travel["bump_mm"] / step) + 1)
        down = np.linspace(0.0, -travel["droop_mm"], round(travel["droop_mm"] / step) + 1)
        self.grid = np.concatenate([down[:0:-1], up])
        self.growth = 0.0
        self.points = self._points()

    def _points(self) -> dict[str, np.ndarray]:
        points, at = dict(self.study.points), self.at
        axis = unit(points["upper_ball_joint"] - points["lower_ball_joint"])
        ahead = unit(np.array([1.0, 0.0, 0.0]) - axis[0] * axis)
        outboard = np.cross(axis, ahead)
        drawn = points["outer_joint"] - points["lower_ball_joint"]
        side = np.sign(drawn @ ahead)
        length, turn = at["arm_length_mm"], np.radians(at["arm_angle_deg"])

        # Ahead of the axis, outboard of it, and above the ground by what is wanted.
        lower = points["lower_ball_joint"]
        wanted = [side * length * np.cos(turn), length * np.sin(turn)]
        wanted = [wanted[0] + lower @ ahead, wanted[1] + lower @ outboard, at["arm_height_mm"]]
        outer = np.linalg.solve([ahead, outboard, [0.0, 0.0, 1.0]], wanted)
        half = 0.5 * value(self.rack["inner_joint_spacing_mm"]) + at["spacer_mm"]
        points["outer_joint"] = outer
        points["inner_joint"] = np.array([at["rack_fore_aft_mm"], half, at["rack_height_mm"]])
        self.side = side
        rod = value(self.rack.get("tie_rod_length_mm"))
        self.own_growth = self._growth(points, rod)
        if self.keeps_rods:
            self.growth = self.own_growth
            shift = np.array([0.0, 0.5 * self.growth, 0.0])
            inner = points["inner_joint"]
            points = {name: point + shift for name, point in points.items()}
            points["inner_joint"] = inner
        return points

    def _growth(self, points: dict[str, np.ndarray], rod: float) -> float:
        """Twice the way out at which the nearest length that the rod can have fits."""
        apart = points["outer_joint"] - points["inner_joint"]
        reach = value(self.rack.get("tie_rod_adjustment_mm"))
        reach = 0.0 if np.isnan(reach) else reach
        drawn = np.linalg.norm(apart)
        if np.isnan(rod) or abs(drawn - rod) <= reach:
            return np.nan if np.isnan(rod) else 0.0
        rod += np.sign(drawn - rod) * reach
        across = np.hypot(apart[0], apart[2])
        out = brentq(lambda y: np.hypot(across, apart[1] + y) - rod, -apart[1], 900.0, xtol=1e-12)
        return 2.0 * out

    def sweep(self, travel, rack) -> Swept:
        found = constraints.solve_corner(
            self.points, self.study.spin, np.atleast_1d(travel), np.atleast_1d(rack)
        )
        turn, centre = found["rotation"], found["wheel_centre"]

        def of(name: str) -> np.ndarray:
            return centre + turn @ (self.points[name] - self.points["wheel_centre"])

        inner = np.zeros_like(centre) + self.points["inner_joint"]
        inner[..., 1] += np.atleast_1d(rack)
        return Swept(
            of("lower_ball_joint"),
            of("upper_ball_joint"),
            of("outer_joint"),
            inner,
            centre,
            turn @ self.study.spin,
            turn,
            np.radians(found["steer_deg"]),
        )

    # --- curves ---

    @cached_property
    def turned(self) -> tuple[CubicSpline, CubicSpline]:
        """Steer of the left and the right wheel from straight ahead over rack displacement."""
        reach = 0.5 * self.travel * 1.1
        rack = np.linspace(-reach, reach, 161)
        steer = self.sweep(0.0, rack).steer[0]
        there = np.isfinite(steer)
        left = CubicSpline(rack[there], steer[there] - steer[80])
        return left, CubicSpline(-rack[there][::-1], -(steer[there] - steer[80])[::-1])

    @cached_property
    def needed(self) -> float:
        """Signed rack displacement at which the left wheel is the inner one at the lock."""
        left, _ = self.turned
        way = np.sign(left(1.0))
        return brentq(lambda r: left(r) - self.lock, 0.0, way * left.x[-1], xtol=1e-12)

    @cached_property
    def end(self) -> float:
        stops = self.study.table("steering").get("stops", "rack")
        return min(0.5 * self.travel, abs(self.needed)) if stops == "lock" else 0.5 * self.travel

    # --- the ground ---

    @cached_property
    def ground(self) -> tuple[np.ndarray, np.ndarray]:
        """Contact point, and where the steering axis meets the ground there."""
        p, spin = self.points, self.study.spin
        down = unit(np.array([0.0, 0.0, -1.0]) + spin[2] * spin)
        contact = p["wheel_centre"] + self.study.table("car")["loaded_radius_mm"] * down
        axis = p["upper_ball_joint"] - p["lower_ball_joint"]
        share = (contact[2] - p["lower_ball_joint"][2]) / axis[2]
        return contact, p["lower_ball_joint"] + share * axis

    # --- the numbers ---

    def numbers(self) -> dict[str, float]:
        """By the columns of `racks.csv`; NaN where that has to be blank."""
        names = ("spacer_mm", "rack_height_mm", "rack_fore_aft_mm", "arm_length_mm")
        found = {name: self.at[name] for name in (*names, "arm_height_mm")}
        rod = self.points["outer_joint"] - self.points["inner_joint"]
        found["tie_rod_length_mm"] = float(np.linalg.norm(rod))
        found["track_growth_mm"] = self.growth
        if not self.keeps_rods:
            found["own_rods_track_growth_mm"] = self.own_growth
        found |= self._steer() | self._gearing() | self._joints() | self._effort() | self._bought()
        return found | clear.clearances(self)

    def _steer(self) -> dict[str, float]:
        toe = -np.degrees(self.sweep(self.grid, 0.0).steer[:, 0])
        left, right = self.turned
        rack = self.needed * np.linspace(0.0, 1.0, 2001)
        inner, outer = left(rack), right(rack)
        track = 2.0 * self.ground[1][1]
        ratio = track / self.study.table("car")["wheelbase_mm"]
        with np.errstate(divide="ignore"):
            pure = np.arctan(1.0 / (1.0 / np.tan(inner) + ratio))
        target = self.study.table("steering").get("ackermann_target", 1.0)
        error = outer - (inner - target * (inner - np.nan_to_num(pure)))
        return {
            "bump_steer_deg": float(np.max(np.abs(toe - toe[self.grid == 0.0]))),
            "ackermann_error_deg": float(np.degrees(np.max(np.abs(error)))),
            "rack_needed_mm": abs(self.needed),
            "share_of_travel": 2.0 * abs(self.needed) / self.travel,
            "toe_per_rack_mm_deg": float(np.degrees(abs(left(0.0, 1)))),
        }

    def _gearing(self) -> dict[str, float]:
        left, right = self.turned
        end = np.sign(self.needed) * self.end
        inner, outer = float(left(end)), float(right(end))
        contact, axle = self.ground
        heading = unit(np.array([self.study.spin[1], -self.study.spin[0]]))
        outboard = np.array([-heading[1], heading[0]])
        scrub = float((contact - axle)[:2] @ outboard)
        car = self.study.table("car")
        offset = scrub + 0.5 * car.get("tyre_width_mm", 0.0)
        circle = 2.0 * (car["wheelbase_mm"] / np.sin(outer) + offset) / 1000.0
        per_turn = self.travel / value(self.rack.get("turns"))
        at = np.linspace(-self.end, self.end, 49)
        both = 0.5 * np.abs(left(at, 1) + right(at, 1))
        local = 2.0 * np.pi / per_turn / both
        return {
            "inner_lock_reached_deg": float(np.degrees(inner)),
            "outer_lock_reached_deg": float(np.degrees(outer)),
            "turning_circle_m": circle,
            "turns_lock_to_lock": 2.0 * self.end / per_turn,
            "overall_ratio_at_centre": float(local[24]),
            "overall_ratio_mean": 2.0 * np.pi * self.end / per_turn / (0.5 * (inner + outer)),
            "overall_ratio_spread": float(local.max() - local.min()),
        }

    @cached_property
    def extremes(self) -> list[Swept]:
        """The poses over which joints are judged: the travel, and its ends with the rack turned."""
        ends = self.end * np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
        return [
            self.sweep(self.grid, 0.0),
            self.sweep([self.grid[0], 0.0, self.grid[-1]], ends),
        ]

    def _joints(self) -> dict[str, float]:
        p = self.points
        rod = p["outer_joint"] - p["inner_joint"]
        axis = p["upper_ball_joint"] - p["lower_ball_joint"]
        bolts = {
            "steering axis": axis,
            "vertical": np.array([0.0, 0.0, 1.0]),
            "square to rod": axis - (axis @ unit(rod)) * unit(rod),
        }
        said = self.study.table("arms").get("outer_bolt")
        if isinstance(said, list):
            bolts = {"said": self.study.turn @ np.array(said, float)}
        elif said is not None:
            bolts = {said: bolts[said]}
        margin, inner, swing, outer = [], [], [], []
        for some in self.extremes:
            plane = unit(np.cross(some.axis, some.outer - some.lower))
            margin.append(np.abs(90.0 - angle(some.rod, plane)))
            inner.append(angle(some.rod, np.array([0.0, 1.0, 0.0])))
            swing.append(angle(some.rod, rod))
            for bolt in bolts.values():
                outer.append(np.abs(90.0 - angle(some.rod, some.rotation @ bolt)))
        return {
            "toggle_margin_deg": min(float(part.min()) for part in margin),
            "inner_joint_angle_deg": max(float(part.max()) for part in inner),
            "inner_joint_swing_deg": max(float(part.max()) for part in swing),
            "outer_joint_angle_deg": max(float(part.max()) for part in outer),
        }

    # --- effort and strength ---

    def _effort(self) -> dict[str, float]:
        loads, car = self.study.table("loads"), self.study.table("car")
        if not loads or "front_axle_load_n" not in car:
            return {}
        weight = 0.5 * car["front_axle_load_n"]
        pressure = loads["tyre_pressure_kpa"] * 1e3
        gough = loads.get("friction", 0.7) / 3.0 * np.sqrt(weight**3 / pressure) * 1e3  # N mm
        left, right = self.turned
        rack = self.needed * np.arange(1, 13) / 12.0
        held = [np.array([self._standing(r) for r in way * rack]) for way in (1.0, -1.0)]
        rubber = gough * np.abs([rates[:, 0] for rates in held])
        lift = -weight * np.array([held[0][:, 1], -held[1][:, 1]])
        force = (rubber + np.abs(lift)) / np.array([rates[:, 2] for rates in held])
        on_bar = rubber.sum(axis=0) + np.abs(lift.sum(axis=0))
        lateral = loads.get("lateral_load_n")
        if lateral is not None:
            heading = unit(np.array([self.study.spin[1], -self.study.spin[0]]))
            trail = loads.get("trail_mm", float((self.ground[1] - self.ground[0])[:2] @ heading))
            outer = loads.get("outer_share", 1.0)
            shares = np.array([[1.0 - outer], [outer]])
            rates = np.abs([left(rack, 1), right(rack, 1)])
            slopes = []
            for at in (rack, -rack):
                rods = self.sweep(0.0, np.concatenate([[0.0], at])).rod[0, 1:]
                slopes.append(np.abs(unit(rods)[:, 1]))
            force = np.maximum(force, np.abs(lateral * trail * shares * rates / np.array(slopes)))
        greatest, bar = float(force.max()), float(on_bar.max())
        per_turn = self.travel / value(self.rack.get("turns"))
        torque = bar * per_turn / (2.0 * np.pi * loads.get("efficiency", 0.9)) / 1e3
        rim = torque * 1e3 / (0.5 * loads.get("steering_wheel_diameter_mm", 350.0))
        found = {
            "tie_rod_force_n": greatest,
            "rack_force_n": bar,
            "steering_wheel_torque_nm": torque,
            "rim_force_n": rim,
            "caster_lift_n": float(lift.sum(axis=0)[-1] * np.sign(self.needed)),
        }
        if self.study.table("tie_rod"):
            found["buckling_reserve"] = self._strength() / greatest
        return found

    def _standing(self, rack: float) -> tuple[float, float, float]:
        """Of the left wheel of a standing car, its arms as at rest: steer and height of the contact
        point for each mm of rack, by differences, and the part of the rod along the bar."""
        points, step = self.points, 1e-2
        lower, outer = points["lower_ball_joint"], points["outer_joint"]
        axis = unit(points["upper_ball_joint"] - lower)
        rod = np.linalg.norm(outer - points["inner_joint"])
        radius = self.study.table("car")["loaded_radius_mm"]

        def turned(at: float) -> tuple[float, float, float]:
            inner = points["inner_joint"] + np.array([0.0, at, 0.0])

            def gap(turn: np.ndarray | float) -> np.ndarray:
                turns = Rotation.from_rotvec(np.multiply.outer(turn, axis))
                return np.linalg.norm(lower + turns.apply(outer - lower) - inner, axis=-1) - rod

            # The root that goes on from rest: the nearest one to no turn at all.
            way = np.linspace(0.0, 1.2, 241) * np.sign(at * self.needed + 1e-300)
            change = np.flatnonzero(np.diff(np.sign(gap(way))) != 0)[0]
            turn = brentq(gap, way[change], way[change + 1], xtol=1e-15)
            rotation = Rotation.from_rotvec(turn * axis)
            spin = rotation.apply(self.study.spin)
            wheel = lower + rotation.apply(points["wheel_centre"] - lower)
            height = wheel[2] - radius * np.hypot(spin[0], spin[1])
            part = (lower + rotation.apply(outer - lower) - inner)[1] / rod
            return float(np.arctan2(-spin[0], spin[1])), float(height), abs(float(part))

        up, down = turned(rack + step), turned(rack - step)
        rates = [(a - b) / (2.0 * step) for a, b in zip(up[:2], down[:2], strict=True)]
        return rates[0], rates[1], turned(rack)[2]

    def _strength(self) -> float:
        length = float(np.linalg.norm(self.points["outer_joint"] - self.points["inner_joint"]))
        weakest = _column(self.study.table("tie_rod"), length)
        bar = self.study.table("spacer")
        if not bar:
            return weakest
        half = 0.5 * self.travel
        housing = value(self.rack.get("housing_length_mm"))
        if np.isfinite(housing):
            half = max(half, 0.5 * (value(self.rack["inner_joint_spacing_mm"]) - housing))
        out = half + 0.5 * self.travel + self.at["spacer_mm"]
        lean = np.radians(self._joints()["inner_joint_angle_deg"])
        return min(weakest, _cantilever(bar, out, length, lean))

    def _bought(self) -> dict[str, float]:
        rod, bar = self.study.table("tie_rod"), self.study.table("spacer")
        length = float(np.linalg.norm(self.points["outer_joint"] - self.points["inner_joint"]))
        each = value(self.rack.get("tie_rod_mass_kg"))
        if np.isnan(each):
            each = _weight(rod, length)
        mass = value(self.rack.get("mass_kg")) + 2.0 * each
        mass += 2.0 * _weight(bar, self.at["spacer_mm"])
        return {"mass_kg": mass, "price": value(self.rack.get("price"))}


# --- rods ----------------------------------------------------------------------------------------


def _section(table: dict) -> tuple[float, float, float, float]:
    """Area, second moment, Young's modulus and yield strength of a rod or tube; N and mm."""
    outside = table["diameter_mm"]
    inside = outside - 2.0 * table["wall_mm"] if "wall_mm" in table else 0.0
    area = np.pi * (outside**2 - inside**2) / 4.0
    moment = np.pi * (outside**4 - inside**4) / 64.0
    return area, moment, table.get("e_gpa", 205.0) * 1e3, table.get("yield_mpa", 250.0)


def _weight(table: dict, length: float) -> float:
    if not table:
        return 0.0
    return _section(table)[0] * length * table.get("density_kg_m3", STEEL_KG_M3) * 1e-9


def _column(table: dict, length: float) -> float:
    """Euler's load, or Johnson's parabola that touches it at half the yield strength."""
    area, moment, modulus, strength = _section(table)
    euler = np.pi**2 * modulus * moment / length**2
    if euler <= 0.5 * strength * area:
        return euler
    return strength * area * (1.0 - strength * area / (4.0 * euler))


def _cantilever(table: dict, out: float, rod: float, lean: float) -> float:
    """Force at which bar and spacer, bent by the leaning rod, yield or sway; see the package."""
    area, moment, modulus, strength = _section(table)
    root = brentq(lambda b: np.tan(b) - b * (1.0 + rod / out), 1e-9, np.pi / 2.0 - 1e-9)
    sway = modulus * moment * (root / out) ** 2

    def stress(force: float) -> float:
        bend = np.sin(lean) * out * 0.5 * table["diameter_mm"] / moment
        return force * (np.cos(lean) / area + bend / (1.0 - force / sway)) - strength

    yields = brentq(stress, 0.0, sway * (1.0 - 1e-12), xtol=1e-9)
    return min(yields, _column(table, np.pi * out / root))
