"""Cars whose suspension may move: the demo, and five invented ones for the general solver."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from references.corners import CORNERS
from scipy.optimize import minimize
from small_study import demo_with, still_text

from optimiser.questions.adapt.asked import Tightened, least_change, suspension_of
from optimiser.study.read import Study, read_study

if TYPE_CHECKING:
    from pathlib import Path

PIVOTS = """
[suspension.may_move]
lower_pivots = {outboard = 25, up = 15}
upper_pivots = {outboard = 25, up = 15}
"""


def moving_demo(folder: Path, suspension: str = PIVOTS, *changes: tuple[str, str]) -> Study:
    """The demo without parts that move, with coarse travel and what may move."""
    coarse = ("droop_mm = 60", "droop_mm = 60\nstep_mm = 15")
    text = still_text()
    # Feet and column stand in the way of no move, and take their time.
    bolted = text[text.index("[[mount_zone]]") : text.index("[wheel]")]
    moving = ("[travel]\n", f"{suspension}\n[travel]\n")
    return demo_with(folder, (bolted, ""), coarse, moving, *changes, text=text)


INCH = 25.4
_STUDY = """
[car]
wheelbase_mm = 2300
loaded_radius_mm = {radius:.3f}
static_toe_in_deg = {toe}
static_camber_deg = {camber}

[hardpoints]
file = "{name}.csv"
unit = "{unit}"

[travel]
bump_mm = 50
droop_mm = 50
step_mm = 12.5

[steering]
inner_lock_deg = 20
stops = "lock"
ackermann_target = 0.3
acceptable_bump_steer_deg = {bump}
acceptable_ackermann_error_deg = 2.5

[racks]
catalogue = "{name}_racks.csv"

[search.vary]
rack_height_mm = {{from = {low}, to = {high}}}

[limits]
toggle_margin_deg = 8
inner_joint_angle_deg = 40
outer_joint_angle_deg = 40

[suspension.may_move]
{may_move}
"""
FIVE = {
    # unit of its file, rack shorter than drawn by (each side), bump steer accepted, what may move
    "front steer": ("mm", 25.0, 0.08, "lower_pivots = {outboard = 40, up = 30}\n"
        "upper_front_pivot = {outboard = 20, up = 20, forward = 10}\n"
        "upper_rear_pivot = {outboard = 20, up = 20}"),
    "rear steer": ("in", 25.0, 0.02, "lower_pivots = {outboard = 40, up = 30}\n"
        "upper_pivots = {outboard = 30, up = 30}"),
    "inclined arm axes": ("mm", 15.0, 0.08, "lower_pivots = {outboard = 40, up = 30}\n"
        "upper_pivots = {outboard = 30, up = 30}\nlower_ball_joint = {up = 8, cost = 3}"),
    "large caster": ("mm", 25.0, 0.04, "lower_pivots = {outboard = 40, up = 30, forward = 15}\n"
        "upper_pivots = {outboard = 30, up = 30}"),
    "converging arms": ("mm", 8.0, 0.2, "lower_pivots = {outboard = 40, up = 30}\n"
        "upper_ball_joint = {up = 10, outboard = 5}"),
}  # fmt: skip


def invented(folder: Path, name: str) -> Study:
    """One of the five cars as a study."""
    unit, short, bump, may_move = FIVE[name]
    corner = CORNERS[name]
    points = {n: np.array(at) for n, at in corner["points"].items()}
    scale = INCH if unit == "in" else 1.0
    rows = [f"{n},{','.join(repr(float(v / scale)) for v in at)}" for n, at in points.items()]
    file = name.replace(" ", "_")
    columns = f"name,x_{unit},y_{unit},z_{unit}"
    (folder / f"{file}.csv").write_text("\n".join([columns, *rows]) + "\n", "utf-8")
    spacing = 2.0 * (points["inner_joint"][1] - short)
    (folder / f"{file}_racks.csv").write_text(
        f"name,inner_joint_spacing_mm,travel_mm\nBought,{spacing:.3f},160\n", "utf-8"
    )
    height = points["inner_joint"][2]
    text = _STUDY.format(
        radius=points["wheel_centre"][2] / np.cos(np.radians(corner["static_camber_deg"])),
        toe=corner["static_toe_in_deg"],
        camber=corner["static_camber_deg"],
        name=file,
        unit=unit,
        bump=bump,
        low=height - 40.0,
        high=height + 40.0,
        may_move=may_move,
    )
    path = folder / f"{file}.toml"
    path.write_text(text, "utf-8")
    return read_study(path)


def slsqp(problem, start, attempts: int = 3, seed: int = 0, scatter: float = 0.15):
    """Least change by a general solver from starts around a design, on the same residual rows."""
    asked = least_change(problem)
    model = Tightened(asked)
    like = start
    evaluated, known = [0], {}
    columns = np.array(model.columns) >= 6
    weights, room = suspension_of(problem).weights, suspension_of(problem).room_mm

    def table(x):
        if x.tobytes() not in known:
            evaluated[0] += 1
            known.clear()
            known[x.tobytes()] = model.table(np.clip(x, 0.0, 1.0)[None], like)
        return known[x.tobytes()]

    def change(x):
        moves = (2.0 * x[columns] - 1.0) * room * weights
        return float(moves @ moves)

    def slope(x):
        out = np.zeros(len(x))
        out[columns] = 4.0 * room * weights * (2.0 * x[columns] - 1.0) * room * weights
        return out

    def limits(x):
        first = model.parts[len(model.kinds)].start
        return -np.nan_to_num(table(x).rows[0, first:], nan=1e3)

    def limit_slopes(x):
        found = table(x)
        first = model.parts[len(model.kinds)].start
        free = np.ones((1, len(x)), dtype=bool)
        evaluated[0] += len(x)
        return -np.nan_to_num(model.jacobian(found, free)[0, :, first:].T)

    rng = np.random.default_rng(seed)
    table(model.scaled(like)[0])
    best, converged = np.inf, 0
    for _ in range(attempts):
        x = np.clip(
            model.scaled(like)[0] + scatter * rng.uniform(-1.0, 1.0, len(model.columns)), 0.0, 1.0
        )
        found = minimize(
            change,
            x,
            jac=slope,
            bounds=[(0.0, 1.0)] * len(x),
            constraints={"type": "ineq", "fun": limits, "jac": limit_slopes},
            method="SLSQP",
            options={"maxiter": 150, "ftol": 1e-7},
        )
        if limits(found.x).min() > -1e-3:
            converged += 1
            best = min(best, np.sqrt(found.fun))
    return best, converged, evaluated[0]


def bare(study: Study):
    """The study's problem with what may move, clearance left out."""
    return study.moving_problem().without_clearance
