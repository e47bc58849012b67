"""Clearance of what moves against python-fcl over 41 x 41 poses, and what it all costs.

Run from the top of the repository: python tests/benchmarks/moving.py [--designs 300]

The first table: random designs of the invented corner of the tests, each with a box and a cylinder
on bodies that move, a part between two bodies, one box on the body, and a tyre; tie rod, steering
arm and bar before the parts, tyre before the tie rod and the parts. How much nearer the library
finds them in any of 41 x 41 poses of the kernel than the search does (solved poses and those
blended between), and than the check of a chosen design does (25 x 33 poses of the kernel, and
those about the nearest where a limit is near). The library turns the parts by rotations fitted to
points of their bodies; the tyre is a mesh.

The second: processor time of clearance over that of the kinematics, each the least of several, for
random designs of the demo: of ten fixed keep-outs (two of the demo and the eight of `clearance.py`)
and of 500 tubes alone, as `clearance.py` has its ten, and of all that the demo has with them: arms,
rim and column. Ratios hold within one run. Then the same of a column whose joints have to be placed
clear of the tubes.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import fcl
import numpy as np

TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(TESTS), str(TESTS / "cases"), str(TESTS / "benchmarks")]

from bolted_study import COLUMN, bolted_demo  # noqa: E402
from clearance import random_designs, scattered, seconds  # noqa: E402
from fcl_shapes import distance  # noqa: E402
from moving_case import ROOMY, near_the_rod, random_link, random_part  # noqa: E402
from moving_study import FRAME, bare_demo, moving_study, write_frame  # noqa: E402
from packaging_case import POINTS, problem  # noqa: E402
from scipy.spatial.transform import Rotation  # noqa: E402
from test_driven import WHOLE_LOW  # noqa: E402
from test_tyre import ring_mesh  # noqa: E402

from optimiser.answer.whole_sweep import RACKS, TRAVELS, on_grid, swept_pairs  # noqa: E402
from optimiser.evaluation.asked import KeepOut, Tyre  # noqa: E402
from optimiser.evaluation.clearance.engine import Ring  # noqa: E402
from optimiser.evaluation.clearance.pairs import column  # noqa: E402
from optimiser.evaluation.clearance.parts import moving_parts  # noqa: E402

if TYPE_CHECKING:
    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.problem import Problem

POSES = 41
TYRE = Tyre(290.0, 190.0, 180.0, 25.0)
TOLD_MM = 15.0
"""Only what comes so near counts: beyond 20 mm nobody is told."""
STEERING = ("tie_rod", "steering_arm", "spacer")


def random_case(seed: int) -> tuple[Problem, Designs]:
    """A design with parts about its tie rod."""
    rng = np.random.default_rng(seed)
    on = rng.permutation(["lower_arm", "upper_arm", "upright", "rack"])
    ends = [("body", "lower_arm"), ("upper_arm", "body"), ("body", "upright")][seed % 3]
    parts = (
        random_part(rng, "box", str(on[0]), "box"),
        random_part(rng, "cylinder", str(on[1]), "cylinder"),
        random_link(rng, "link", *ends),
        KeepOut("wall", "box", *_wall(rng)),
    )
    asked = problem(replace(ROOMY, keep_outs=parts, tyre=TYRE), clearance=TOLD_MM)
    asked = replace(asked, limits=replace(asked.limits, tyre_clearance_mm=TOLD_MM))
    step = {"rack_height_mm": 12.0, "rack_fore_aft_mm": 10.0, "arm_length_mm": 8.0}
    free = {n: asked.space[n].values[0] + s * rng.uniform(-1.0, 1.0) for n, s in step.items()}
    return asked, asked.designs(np.zeros(1, dtype=int), {n: [v] for n, v in free.items()})


def _wall(rng: np.random.Generator) -> tuple[tuple[float, ...], tuple[float, ...]]:
    low = np.array(near_the_rod(rng)) + np.array([60.0, -40.0, 0.0])
    return tuple(low.tolist()), tuple((low + rng.uniform(20.0, 120.0, 3)).tolist())


def fitted(before: np.ndarray, after: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rotations (n, 3, 3) and shifts (n, 3) that take points (k, 3) to (n, k, 3); Kabsch."""
    a, b = before.mean(axis=0), after.mean(axis=1)
    u, _, v = np.linalg.svd(np.einsum("nki,kj->nij", after - b[:, None], before - a))
    turn = np.sign(np.linalg.det(u @ v))[:, None, None]
    u = np.concatenate([u[..., :2], u[..., 2:] * turn], axis=2)
    rotation = u @ v
    return rotation, b - np.einsum("nij,j->ni", rotation, a)


def placed(solved) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Turn and shift of each body in all poses of one design."""
    now, rest = solved.envelope, solved.rest
    count = now.shape[1]
    found = {"body": (np.tile(np.eye(3), (count, 1, 1)), np.zeros((count, 3)))}
    for arm in ("lower", "upper"):
        hinge = [getattr(POINTS, f"{arm}_{end}_pivot") for end in ("front", "rear")]
        still = np.tile(np.array(hinge), (count, 1, 1))
        ball = f"{arm}_ball_joint"
        before = np.array([*hinge, getattr(rest, ball)[0, 0]])
        after = np.concatenate([still, getattr(now, ball)[0][:, None]], axis=1)
        found[f"{arm}_arm"] = fitted(before, after)

    def upright(poses) -> np.ndarray:
        names = ("lower_ball_joint", "upper_ball_joint", "wheel_centre")
        points = [getattr(poses, name)[0] for name in names]
        return np.stack([*points, points[2] + 200.0 * poses.spin_axis[0]], axis=1)

    found["upright"] = fitted(upright(rest)[0], upright(now))
    found["rack"] = found["body"][0], now.inner_joint[0] - np.asarray(POINTS.inner_joint)
    return found


def nearest(asked: Problem, design: Designs) -> dict[str, float]:
    """Least distance by column over all poses, by the library."""
    swept = on_grid(asked, asked.solve(design), POSES, POSES)
    bodies = placed(swept)
    moving = {part[0]: part for part in moving_parts(design, swept, asked.racks, asked.room)}
    ring = Ring(
        TYRE.outside_radius_mm, TYRE.inside_radius_mm, 0.5 * TYRE.width_mm, TYRE.shoulder_mm
    )
    mesh = ring_mesh(ring, np.zeros(3), (0.0, 0.0, 1.0))
    least: dict[str, float] = {}
    for pose in range(POSES * POSES):
        shapes = {item.name: _shape(item, bodies, pose) for item in asked.room.keep_outs}
        bars = {}
        for name in STEERING:
            _, start, end, radius = moving[name]
            ends = [np.broadcast_to(p, (3, 1, POSES**2))[:, 0, pose] for p in (start, end)]
            bars[name] = _bar(*ends, float(radius[0]))
        for item in asked.room.keep_outs:
            for name, bar in bars.items():
                if name != "spacer" or item.on != "rack":
                    _lower(least, column(name, item.name), distance(bar, shapes[item.name]))
        axis = swept.envelope.spin_axis[0, pose]
        turn = Rotation.align_vectors([axis], [[0.0, 0.0, 1.0]])[0].as_matrix()
        mesh.setTransform(fcl.Transform(turn, swept.envelope.wheel_centre[0, pose]))
        for name, shape in (shapes | {"tie_rod": bars["tie_rod"]}).items():
            carrier = next((i.on for i in asked.room.keep_outs if i.name == name), "")
            if carrier != "upright":
                _lower(least, column("tyre", name), distance(mesh, shape))
    return least


def _lower(least: dict[str, float], name: str, value: float) -> None:
    least[name] = min(least.get(name, np.inf), value)


def _bar(start: np.ndarray, end: np.ndarray, radius: float, *, flat: bool = False):
    along = end - start
    length = float(np.linalg.norm(along))
    turn = Rotation.align_vectors([along / length], [[0.0, 0.0, 1.0]])[0].as_matrix()
    shape = fcl.Cylinder(radius, length) if flat else fcl.Capsule(radius, length)
    return fcl.CollisionObject(shape, fcl.Transform(turn, 0.5 * (start + end)))


def _shape(item: KeepOut, bodies: dict, pose: int):
    low, high = np.array(item.low), np.array(item.high)
    turn, shift = (part[pose] for part in bodies[item.on])
    if item.kind == "box":
        at = fcl.Transform(turn, turn @ (0.5 * (low + high)) + shift)
        return fcl.CollisionObject(fcl.Box(*(high - low)), at)
    other, other_shift = (part[pose] for part in bodies[item.to_on or item.on])
    start, end = turn @ low + shift, other @ high + other_shift
    if item.length_mm is not None:
        end = start + item.length_mm * (end - start) / np.linalg.norm(end - start)
    return _bar(start, end, item.radius_mm, flat=item.kind == "cylinder")


def against_the_library(designs: int) -> None:
    """Print the first table."""
    names = ("search", "chosen")
    over: dict[tuple[str, bool], list[float]] = {(n, t): [] for n in names for t in (False, True)}
    touching = 0
    for seed in range(designs):
        asked, design = random_case(seed)
        solved = asked.solve(design)
        if solved.reason[0]:
            continue
        truth = nearest(asked, design)
        found = {
            "search": asked.clearances(design, solved),
            "chosen": swept_pairs(asked, design, on_grid(asked, solved, TRAVELS, RACKS)),
        }
        for name, apart in truth.items():
            if apart < TOLD_MM:
                touching += apart <= 0.0
                for which, metrics in found.items():
                    # Of what overlaps the library has no distance: ours must not be above 0.
                    value = float(np.ravel(metrics[name])[0]) - max(apart, 0.0)
                    over[which, name.startswith("clearance_tyre_")].append(value)
    print("distance found less the library's, mm, of pairs that come within 15 mm")
    print("poses              pairs   more than 0.5   more than 2   most")
    for (which, tyre), values in over.items():
        each = np.array(values)
        what = f"{which}, {'tyre' if tyre else 'steering'}"
        print(
            f"{what:18} {len(each):5} {np.sum(each > 0.5):15} {np.sum(each > 2.0):13} "
            f"{each.max(initial=-np.inf):6.2f}"
        )
    print(f"{touching} of the pairs touch")


def costs(repeats: int) -> None:
    """Print the second table."""
    with tempfile.TemporaryDirectory() as folder:
        plain = bare_demo(Path(folder)).problem()
        write_frame(Path(folder) / "frame.csv", 500)
        tubes = bare_demo(Path(folder), ("[wheel]\n", f"{FRAME}[wheel]\n")).problem()
        moving = moving_study(Path(folder)).problem()
        # A pedal box that is out of the way, of a rack whose pinion can be reached.
        box = ("from_mm = [660, -190, 140]", "from_mm = [660, -190, 320]")
        free = bolted_demo(Path(folder), box, extra=COLUMN, cells=WHOLE_LOW).problem()
    ten = plain.room.keep_outs + scattered(8, 3)
    ten = replace(plain, room=replace(plain.room, keep_outs=ten))
    print(
        "designs  kinematics us/design   judging less that of nothing to touch, over the kinematics"
    )
    for count in (50, 512):
        designs = random_designs(plain, 2, count, count)
        solved = plain.solve(designs)
        works = {"kinematics": lambda d=designs: plain.solve(d)}
        for name, case in (
            ("nothing to touch", bare(plain, ())),
            ("ten keep-outs alone", bare(plain, ten.room.keep_outs)),
            ("500 tubes alone", bare(tubes, tubes.room.keep_outs)),
            ("demo", plain),
            ("ten keep-outs", ten),
            ("500 tubes", tubes),
            ("disc, damper, link, tyre", moving),
        ):
            works[name] = lambda c=case, d=designs, s=solved: c.judge(d, s)
        taken = seconds(works, repeats * min(5, 512 // count))
        kinematics, rest = taken.pop("kinematics"), taken.pop("nothing to touch")
        words = [f"{name} {(each - rest) / kinematics:.2f}" for name, each in taken.items()]
        print(f"{count:7} {kinematics / count * 1e6:12.0f}           {', '.join(words)}")

    frame = tuple(item for item in tubes.room.keep_outs if item not in plain.room.keep_outs)
    both = free.room.keep_outs + frame
    works, framed = {}, replace(free, room=replace(free.room, keep_outs=both, many=True))
    finch = [rack.name for rack in free.racks].index("Finch")
    designs = random_designs(free, finch, 50, 50)
    solved = free.solve(designs)
    for name, case in (("column with free joints", free), ("500 tubes too", framed)):
        works[name] = lambda c=case: c.judge(designs, solved)
    words = [f"{name} {each:.2f} s" for name, each in seconds(works, repeats).items()]
    print(f"judging 50 designs: {', '.join(words)}")


def bare(problem: Problem, keep_outs: tuple[KeepOut, ...]) -> Problem:
    """The same with such keep-outs and no arms, rim and column that are measured."""
    room = replace(problem.room, keep_outs=keep_outs, rim=None, arm_tube_diameter_mm=None)
    return replace(problem, room=room, bolting=replace(problem.bolting, column=None))


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--designs", type=int, default=300)
    parser.add_argument("--repeats", type=int, default=7)
    given = parser.parse_args()
    costs(given.repeats)
    if given.designs:
        against_the_library(given.designs)


if __name__ == "__main__":
    main()
