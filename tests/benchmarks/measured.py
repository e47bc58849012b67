"""Shims from measured toe, on simulated cars: python tests/benchmarks/measured.py

Cars are built with hardpoints off by up to 1 mm, the rack's brackets by 2 and the outer joints by
0.5, of the demo's winner and of three invented corners whose inner joint stands at its ideal place.
Their curves come from `references.constraints`, which shares no code with the program; readings have
0.02 deg and 0.3 mm of noise. Greatest change of toe of each wheel, in degrees: as built, after a
baseline's shim under each bracket (least squares against the drawn car, either way, the lever
counted), after ours, and after those of an oracle who knows the car. All stand in steps of 0.5 mm;
ours and the oracle's are added at four places, the baseline's may be taken out below nothing too.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests"), str(ROOT / "tests" / "cases")]

from optimiser.base.one_thread import ONE_THREAD  # noqa: E402

os.environ.update(ONE_THREAD)

import numpy as np  # noqa: E402
from finished_cars import Built, Design, build, read, with_brackets  # noqa: E402
from references.corners import CORNERS  # noqa: E402

from optimiser.base.files import csv_text  # noqa: E402
from optimiser.linkage.attitude import Attitude  # noqa: E402
from optimiser.linkage.hardpoints import Hardpoints, read_hardpoints  # noqa: E402
from optimiser.metrics.tolerance import Conditions, Tolerances  # noqa: E402
from optimiser.metrics.tolerance.shims import STOCK_MM  # noqa: E402
from optimiser.questions.measured.choice import Open, choose_shims, judged, opened  # noqa: E402
from optimiser.questions.measured.estimate import Estimate, estimate  # noqa: E402
from optimiser.questions.measured.model import CarModel, Unknowns  # noqa: E402
from optimiser.questions.measured.readings import read_readings  # noqa: E402
from optimiser.questions.measured.responses import response  # noqa: E402
from optimiser.questions.measured.signs import sign_of  # noqa: E402
from optimiser.study.measuring import MeasuringTable  # noqa: E402
from optimiser.study.read import read_study  # noqa: E402

TOLERANCES = Tolerances(2.0, 0.2, 0.5, 1.0, float(np.radians(0.05)))
ACCEPTED = float(np.radians(0.1))
NOISE = float(np.radians(0.02))
ZERO = np.zeros(4)


def designs() -> list[Design]:
    """The demo's winner with brackets closer and closer, and three invented corners."""
    study = read_study(ROOT / "studies" / "demo.toml")
    winner = read_hardpoints(ROOT / "results/example/demo/hardpoints.csv", study.frame)
    grid = np.linspace(-60.0, 60.0, 25)
    demo = Design("demo", dict(winner.items()), 0.1, -0.5, grid, 540.0)
    found = [with_brackets(demo, 1.0), with_brackets(demo, 0.6)]
    for name, share in (("front steer", 0.8), ("rear steer", 0.6), ("large caster", 1.0)):
        corner = CORNERS[name]
        points = Hardpoints.from_mapping(corner["points"])
        attitude = Attitude(
            *np.radians([corner["static_toe_in_deg"], corner["static_camber_deg"]]).tolist(), 280.0
        )
        grid = np.linspace(-50.0, 50.0, 21)
        points = _at_best_height(
            points, Conditions(grid, 2250.0, attitude, float(np.radians(30.0)))
        )
        design = Design(
            name,
            dict(points.items()),
            corner["static_toe_in_deg"],
            corner["static_camber_deg"],
            grid,
            0.0,
        )
        found.append(with_brackets(design, share))
    return found


def _at_best_height(points: Hardpoints, conditions: Conditions) -> Hardpoints:
    """The rack as high as gives the least bump steer, its joints as far apart as drawn."""
    heights = np.linspace(-15.0, 15.0, 121)
    model = CarModel(points, conditions, TOLERANCES, ZERO[None])
    curves = model.change(
        model.built(np.zeros((len(heights), 29)), heights, np.zeros(len(heights)))
    )
    best = heights[np.nanargmin(model.greatest(curves))]
    return replace(points, inner_joint=points.inner_joint + [0.0, 0.0, best])


def model_of(design: Design) -> CarModel:
    """What the program knows of the car."""
    attitude = Attitude(*np.radians([design.toe_deg, design.camber_deg]).tolist(), 280.0)
    conditions = Conditions(design.travel_mm, 2250.0, attitude, float(np.radians(30.0)))
    points = Hardpoints.from_mapping(design.points)
    return CarModel(points, conditions, TOLERANCES, ZERO[None], design.brackets_mm)


def read_rows(rows: list[dict[str, object]]):  # noqa: ANN201
    """Readings through their file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "readings.csv"
        path.write_text(csv_text(list(rows[0]), [list(row.values()) for row in rows]), "utf-8")
        return read_readings(path, MeasuringTable())


def oracle(model: CarModel, car: Built) -> np.ndarray:
    """Shims of whoever knows the car: of all sets the one with the least greatest change."""
    stock = np.array([0.0, *STOCK_MM])
    both = np.stack(np.meshgrid(stock, stock, indexing="ij"), axis=-1)
    tables = []
    for side, corner in enumerate(car.corners):
        # The lever is the design's: brackets and joints as drawn.
        rises = model.lever.rises(both)[..., side]
        exact = replace(model, points=Hardpoints.from_mapping(corner))
        curve = response(exact, np.zeros(29), rises, stock)
        tables.append(model.greatest(curve(rises[..., None], stock)))
    goal = tables[0][:, :, :, None] + tables[1][:, :, None, :]
    index = np.unravel_index(np.argmin(goal), goal.shape)
    return np.array([stock[i] for i in index])


def baseline(model: CarModel, readings) -> np.ndarray:  # noqa: ANN001
    """A shim under each bracket, by least squares of its joint's height and toe as set."""
    rises = np.zeros(2)
    for side in (0, 1):
        mine = readings.of(side) & (readings.rack_mm == 0.0)
        travel = readings.travel_mm[mine]
        deviations = np.zeros((2, 29))
        corners = model.built(deviations, np.array([0.0, 1.0]), np.zeros(2))
        toe = model.toe(corners, travel)
        matrix = np.stack([toe[1] - toe[0], np.ones(len(travel))], axis=1)
        found, *_ = np.linalg.lstsq(matrix, readings.toe_in[mine] - toe[0], rcond=None)
        rises[side] = -found[0]
    shims = np.round(model.lever.shims(rises) / 0.5) * 0.5
    return np.array([*np.clip(shims, -5.0, 5.0), 0.0, 0.0])


@dataclass(frozen=True)
class Row:
    """Of one car: greatest change of either wheel in degrees, (2,) each."""

    built: np.ndarray
    base: np.ndarray
    ours: np.ndarray
    oracle: np.ndarray
    most: np.ndarray  # what the answer says 95 of 100 keep to
    inside: float  # share of the curve after shimming within its band
    signs: bool  # whether both signs are trusted
    seconds: float


def answer(model: CarModel, readings, stated: float = NOISE):  # noqa: ANN001, ANN201
    """Ours: shims, what they come to, and the estimate."""
    unknowns = Unknowns.of(model.tolerances, readings, False)
    found: Estimate = estimate(model, readings, unknowns, stated)
    cars: Open = opened(model, found, STOCK_MM)
    choice = choose_shims(model, cars, (0, 1), ACCEPTED)
    shims = ZERO if choice.best is None else choice.best
    return shims, judged(model, found, cars.samples, {"leave": ZERO, "best": shims})["best"]


def one(design: Design, seed: int, count: int, outlier_deg: float, sign: float = 1.0) -> Row:
    """One simulated car."""
    rng = np.random.default_rng(seed)
    car = build(design, rng)
    change = car.change_deg()
    readings = read_rows(
        read(car, rng, count, change_deg=change, outlier_deg=outlier_deg, sign=sign)
    )
    model = model_of(design)
    attitude = model.conditions.attitude
    trusted = all(sign_of(readings, s, model.points, attitude, None).trusted for s in (0, 1))
    start = time.process_time()
    shims, outcome = answer(model, readings)
    took = time.process_time() - start
    built = np.abs(change).max(axis=1)
    after = car.change_deg(shims)
    low, high = np.degrees(np.quantile(outcome.curves, [0.025, 0.975], axis=1))
    moving = design.travel_mm != 0.0
    within = ((after >= low) & (after <= high))[:, moving]
    return Row(
        built,
        car.greatest_deg(baseline(model, readings)),
        np.abs(after).max(axis=1),
        car.greatest_deg(oracle(model, car)),
        np.degrees(outcome.most),
        float(within.mean()),
        trusted,
        took,
    )


def table(cases: list[tuple[str, int, float]], cars: int, chosen: list[Design]) -> None:
    """Print a row for each way of measuring."""
    print(
        "readings            built          baseline       ours           oracle        "
        "way   worst  p95 holds  band holds  s"
    )
    for name, count, outlier in cases:
        rows = [
            one(design, 1000 * i + k, count, outlier)
            for i, design in enumerate(chosen)
            for k in range(cars)
        ]
        built, base, ours, best, most = (
            np.concatenate([getattr(row, part) for row in rows])
            for part in ("built", "base", "ours", "oracle", "most")
        )

        def both(values: np.ndarray) -> str:
            return f"{np.median(values):.3f} / {np.quantile(values, 0.95):.3f}"

        way = [
            (f(base) - f(ours)) / (f(base) - f(best))
            for f in (np.median, lambda v: np.quantile(v, 0.95), np.mean)
        ]
        print(
            f"{name:18}  {both(built)}  {both(base)}  {both(ours)}  {both(best)}  "
            f"{way[0]:.2f} {way[1]:.2f} {way[2]:.2f}  {np.max(ours - built):+.3f}  {np.mean(ours <= most):.3f}  "
            f"{np.mean([row.inside for row in rows]):.3f}  "
            f"{np.mean([row.seconds for row in rows]):.2f}  signs {np.mean([r.signs for r in rows]):.3f}"
        )


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--cars", type=int, default=20, help="cars of each design")
    parser.add_argument("--design", type=int, default=None)
    options = parser.parse_args()
    chosen = designs()
    if options.design is not None:
        chosen = chosen[options.design : options.design + 1]
    cases = [("13 a side", 13, 0.0), ("5 a side", 5, 0.0), ("13, one misread", 13, 0.3)]
    table(cases, options.cars, chosen)


if __name__ == "__main__":
    main()
