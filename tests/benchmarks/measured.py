"""Shims from measured toe, on simulated cars: python tests/benchmarks/measured.py

Cars are built with hardpoints off by up to 1 mm, the rack's brackets by 2 and the outer joints by
0.5, of the demo's winner, its brackets as far apart as the joints and at 0.6 of that, and of three
invented corners, the rack at its best height with its joints as far apart as drawn, so that a bend
is left. Curves come from `references.constraints`, which shares no code with the program; readings
have 0.02 deg and 0.3 mm of noise. Greatest change of toe of each wheel, in degrees: as built, after
a baseline's shim under each bracket (least squares against the drawn car, either way, the lever
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
from optimiser.questions.measured.choice import Outcome, choose_shims, judged, opened  # noqa: E402
from optimiser.questions.measured.estimate import estimate  # noqa: E402
from optimiser.questions.measured.model import CarModel, Unknowns  # noqa: E402
from optimiser.questions.measured.readings import Readings, read_readings  # noqa: E402
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
    return replace(points, inner_joint=points.inner_joint + best * np.eye(3)[2])


def model_of(design: Design) -> CarModel:
    """What the program knows of the car."""
    attitude = Attitude(*np.radians([design.toe_deg, design.camber_deg]).tolist(), 280.0)
    conditions = Conditions(design.travel_mm, 2250.0, attitude, float(np.radians(30.0)))
    points = Hardpoints.from_mapping(design.points)
    return CarModel(points, conditions, TOLERANCES, ZERO[None], design.brackets_mm)


def read_rows(rows: list[dict[str, object]], fitted_mm: np.ndarray) -> Readings:
    """Readings through their file."""
    rounds = tuple(map(tuple, fitted_mm.tolist()))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "readings.csv"
        path.write_text(csv_text(list(rows[0]), [list(row.values()) for row in rows]), "utf-8")
        return read_readings(path, MeasuringTable(fitted_shims_mm=rounds))


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


def baseline(model: CarModel, readings: Readings) -> np.ndarray:
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
    """Of one car: greatest change of either wheel in degrees, (2,) each.

    Attributes:
        most: what the answer says 95 of 100 keep to.
        inside: share of the curve after shimming within its band.
        seconds: processor time of the answer.
    """

    built: np.ndarray
    base: np.ndarray
    ours: np.ndarray
    oracle: np.ndarray
    most: np.ndarray
    inside: float
    seconds: float


@dataclass(frozen=True)
class Case:
    """How cars are measured.

    Attributes:
        count: travels a side.
        misread_deg: by how much one reading of each side is off.
        rounds: how often it is measured and shimmed.
        lever: whether the distance of the brackets is known; else taken for that of the joints.
        shares: travels a side as shares of the way to bump, in place of `count` even ones.
    """

    name: str
    count: int = 13
    misread_deg: float = 0.0
    rounds: int = 1
    lever: bool = True
    shares: tuple[float, ...] | None = None


def answered(model: CarModel, readings: Readings) -> tuple[np.ndarray, Outcome]:
    """Our shims, and what they are said to come to."""
    found = estimate(model, readings, Unknowns.of(model.tolerances, readings, False), NOISE)
    cars = opened(model, found, STOCK_MM)
    best = choose_shims(model, cars, (0, 1), ACCEPTED).best
    shims = model.now_mm if best is None else best
    return shims, judged(model, found, cars.samples, {"leave": model.now_mm, "best": shims})["best"]


def one(design: Design, seed: int, case: Case) -> Row:
    """One simulated car, measured and shimmed."""
    rng = np.random.default_rng(seed)
    car = build(design, rng)
    change = built = car.change_deg()
    model, rows, took = model_of(design), [], 0.0
    known = model if case.lever else replace(model, brackets_mm=None)
    base = ZERO
    places = None
    if case.shares is not None:
        places = tuple(share * float(design.travel_mm[-1]) for share in case.shares)
    for round_ in range(1, case.rounds + 1):
        more = read(
            car,
            rng,
            case.count,
            change_deg=change,
            outlier_deg=case.misread_deg,
            round_=round_,
            places_mm=places,
        )
        rows += more
        readings = read_rows(rows, known.fitted_mm)
        if round_ == 1:
            base = baseline(known, readings)
        start = time.process_time()
        # Without the lever every set of shims is still open: that is what is wrong about it.
        full = known if case.lever else replace(known, brackets_mm=design.joints_mm)
        shims, outcome = answered(full, readings)
        took += time.process_time() - start
        change = car.change_deg(shims)
        known = replace(known, fitted_mm=np.concatenate([known.fitted_mm, shims[None]]))
    low, high = np.degrees(np.quantile(outcome.curves, [0.025, 0.975], axis=1))
    moving = design.travel_mm != 0.0
    return Row(
        np.abs(built).max(axis=1),
        car.greatest_deg(base),
        np.abs(change).max(axis=1),
        car.greatest_deg(oracle(model, car)),
        np.degrees(outcome.most),
        float(((change >= low) & (change <= high))[:, moving].mean()),
        took / case.rounds,
    )


ENDS = (-1.0, -1.0, 0.0, 1.0, 1.0)
CASES = (
    Case("13 a side"),
    Case("13, one misread by 0.3 deg", misread_deg=0.3),
    Case("5 a side", count=5),
    Case("5: two at each end, one at rest", shares=ENDS),
    Case("the same, one misread by 0.3 deg", shares=ENDS, misread_deg=0.3),
    Case("13, and again after shimming", rounds=2),
    Case("13, the lever not counted", lever=False),
)


def table(cases: tuple[Case, ...], cars: int, chosen: list[Design]) -> None:
    """Print a row for each way of measuring."""
    print(
        "| readings | built | baseline | ours | oracle | way to it, mean | worst worse | "
        "worse | 95 of 100 holds | band holds | s |"
    )
    for case in cases:
        rows = [
            one(design, 1000 * number + seed, case)
            for number, design in enumerate(chosen)
            for seed in range(cars)
        ]
        built, base, ours, best, most = (
            np.concatenate([getattr(row, part) for row in rows])
            for part in ("built", "base", "ours", "oracle", "most")
        )
        way = (base.mean() - ours.mean()) / (base.mean() - best.mean())
        figures = (
            *(
                f"{np.median(values):.3f} / {np.quantile(values, 0.95):.3f}"
                for values in (built, base, ours, best)
            ),
            f"{way:.2f}",
            f"{np.max(ours - built):+.3f}",
            f"{100.0 * np.mean(ours > built):.0f} %",
            f"{100.0 * np.mean(ours <= most):.0f} %",
            f"{100.0 * np.mean([row.inside for row in rows]):.0f} %",
            f"{np.mean([row.seconds for row in rows]):.2f}",
        )
        print(f"| {case.name} | {' | '.join(figures)} |", flush=True)


def signs(cars: int, chosen: list[Design]) -> None:
    """Print how often the sign is trusted: what is right, and what is wrong."""
    print("| evidence | right sign trusted | wrong sign trusted |")
    ways = (
        ("rack 5 mm off centre", 5.0, False),
        ("toe at rest", None, True),
        ("none", None, False),
    )
    for name, rack, absolute in ways:
        trusted: dict[float, list[bool]] = {1.0: [], -1.0: []}
        for number, design in enumerate(chosen):
            model = model_of(design)
            error = float(np.hypot(model.tolerances.standard_deviations()[-1], NOISE))
            for seed in range(cars):
                rng = np.random.default_rng(5000 * number + seed)
                car = build(design, rng)
                change = car.change_deg()
                for way, found in trusted.items():
                    rows = read(car, rng, 5, change_deg=change, rack_mm=rack, sign=way)
                    found += [
                        sign_of(
                            read_rows(rows, model.fitted_mm),
                            side,
                            model.points,
                            model.conditions.attitude,
                            error if absolute else None,
                        ).trusted
                        for side in (0, 1)
                    ]
        right, wrong = (f"{sum(found)} of {len(found)}" for found in trusted.values())
        print(f"| {name} | {right} | {wrong} |")


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--cars", type=int, default=20, help="cars of each design")
    options = parser.parse_args()
    chosen = designs()
    table(CASES, options.cars, chosen)
    signs(options.cars, chosen)


if __name__ == "__main__":
    main()
