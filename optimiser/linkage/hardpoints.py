"""Named points of the left front corner, and the map between CAD axes and the body axes.

Inside the program everything is in ISO 8855 axes: x forward, y left, z up, millimetres, with
the origin on the ground under the middle of the front axle.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.errors import InputError
from optimiser.base.tables import Row, read_table
from optimiser.linkage.mirror import mirrored
from optimiser.linkage.vectors import Array, norm

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from numpy.typing import ArrayLike, NDArray

MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}
COLUMNS = ("name", "x_mm", "y_mm", "z_mm")
# No two of these joints can be closer and still be made; nearer ones are a slip of the keyboard.
LEAST_DISTANCE_MM = 1.0
RIGHT_PREFIX = "right_"
SYMMETRY_MM = 1e-3
# The corner of a car, wheel centre to pivots: smaller is metres or inches, larger is not a car.
LEAST_EXTENT_MM, GREATEST_EXTENT_MM = 120.0, 3000.0


@dataclass(frozen=True, slots=True)
class Hardpoints:
    """The nine points of the left corner, each of shape (..., 3) in mm; batch shapes broadcast."""

    lower_front_pivot: Array
    lower_rear_pivot: Array
    lower_ball_joint: Array
    upper_front_pivot: Array
    upper_rear_pivot: Array
    upper_ball_joint: Array
    wheel_centre: Array
    outer_joint: Array
    inner_joint: Array

    @classmethod
    def from_mapping(cls, points: Mapping[str, ArrayLike]) -> Hardpoints:
        """Build from arrays by name; KeyError when one is missing."""
        return cls(**{name: np.asarray(points[name], dtype=float) for name in POINT_NAMES})

    def items(self) -> list[tuple[str, Array]]:
        """Names and arrays, in the order of the file format."""
        return [(name, getattr(self, name)) for name in POINT_NAMES]

    def with_tie_rod(self, outer_joint: ArrayLike, inner_joint: ArrayLike) -> Hardpoints:
        """The same arms and wheel with another tie rod."""
        return replace(
            self,
            outer_joint=np.asarray(outer_joint, dtype=float),
            inner_joint=np.asarray(inner_joint, dtype=float),
        )

    def arms_moved(self, offset_mm: ArrayLike) -> Hardpoints:
        """Arms, upright and wheel moved outboard by `offset_mm` (...,); the inner joint stays."""
        shift = np.asarray(offset_mm, dtype=float)[..., None] * np.array([0.0, 1.0, 0.0])
        moved = {name: value + shift for name, value in self.items() if name != "inner_joint"}
        return Hardpoints(inner_joint=self.inner_joint, **moved)

    def mirrored(self) -> Hardpoints:
        """The right-hand corner."""
        return Hardpoints.from_mapping({name: mirrored(value) for name, value in self.items()})

    def both_sides(self) -> tuple[tuple[str, Hardpoints], tuple[str, Hardpoints]]:
        """The left corner and the right one, each with what its names begin with in files."""
        return ("", self), (RIGHT_PREFIX, self.mirrored())

    def with_pose_axes(self, count: int) -> Hardpoints:
        """Insert `count` axes of size 1 before the last, to broadcast against poses."""
        index = (..., *([None] * count), slice(None))
        return Hardpoints.from_mapping({name: value[index] for name, value in self.items()})

    def select(
        self, index: int | slice | Array | NDArray[np.intp] | NDArray[np.bool_]
    ) -> Hardpoints:
        """One design, or some, of a batch along the first axis; unbatched points stay."""
        chosen = {name: value[index] if value.ndim > 1 else value for name, value in self.items()}
        return Hardpoints.from_mapping(chosen)


POINT_NAMES = tuple(field.name for field in fields(Hardpoints))


@dataclass(frozen=True, slots=True)
class CadFrame:
    """Signed CAD axes of forward, left and up, and the CAD coordinates of our origin.

    The axes are words such as `"+x"`, `"-z"` or `"y"`. iso = R (cad - origin), R orthonormal.
    """

    forward: str = "+x"
    left: str = "+y"
    up: str = "+z"
    ground_origin_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def rotation(self) -> Array:
        """The 3 x 3 matrix R whose rows are forward, left and up in CAD axes.

        Raises:
            InputError: an axis that is not a signed letter, used twice, or a left-handed frame.
        """
        rows = np.array([self._axis(name) for name in ("forward", "left", "up")])
        determinant = float(np.linalg.det(rows))
        if abs(determinant) < 0.5:
            raise InputError(
                "[frame] forward, left, up",
                f"{self.forward}, {self.left}, {self.up} use one CAD axis twice",
                "give each of x, y and z once",
            )
        if determinant < 0.0:
            raise InputError(
                "[frame] forward, left, up",
                f"{self.forward}, {self.left}, {self.up} form a left-handed frame, "
                "which mirrors the car",
                "reverse the sign of the axis that is wrong",
            )
        return rows

    def _axis(self, name: str) -> Array:
        word = getattr(self, name).strip().lower()
        letter, sign = word.lstrip("+-"), -1.0 if word.startswith("-") else 1.0
        if letter not in ("x", "y", "z") or len(word) - len(letter) > 1:
            raise InputError(
                f"[frame] {name}",
                f"{getattr(self, name)!r} is not a signed axis",
                'write "+x", "-y", "+z" or the like',
            )
        return np.asarray(sign * np.eye(3)["xyz".index(letter)])

    def to_iso(self, cad_mm: ArrayLike) -> Array:
        """CAD coordinates (..., 3) to body axes."""
        shifted = np.asarray(cad_mm, dtype=float) - np.array(self.ground_origin_mm)
        return np.asarray(shifted @ self.rotation.T)

    def direction(self, cad: ArrayLike) -> Array:
        """A direction (..., 3) in CAD axes to body axes."""
        return np.asarray(np.asarray(cad, dtype=float) @ self.rotation.T)

    def to_cad(self, iso_mm: ArrayLike) -> Array:
        """Body axes (..., 3) to CAD coordinates."""
        return np.asarray(
            np.asarray(iso_mm, dtype=float) @ self.rotation + np.array(self.ground_origin_mm)
        )


def read_hardpoints(
    path: Path,
    frame: CadFrame | None = None,
    unit: str = "mm",
    names: Mapping[str, str] | None = None,
) -> Hardpoints:
    """Read the left corner from CSV `name,x_mm,y_mm,z_mm` in the CAD frame.

    Args:
        path: the file; see `read_table` for the spellings understood.
        frame: CAD axes; ISO 8855 with zero origin when None.
        unit: unit of the numbers, one of `MM_PER_UNIT`; with another unit than mm the columns
            may also be called `x`, `y`, `z`.
        names: our point name to the name that the file uses, where they differ.

    Raises:
        InputError: any refusal of `read_table`; missing, double or unknown names, blank cells,
            right-side points under a left name, a right side that is not the mirror image,
            coincident points, an arm with no axis, an implausible size.
    """
    frame = frame or CadFrame()
    ours = {theirs: our for our, theirs in (names or {}).items()}
    known = {**{name: name for name in POINT_NAMES if name not in (names or {})}, **ours}
    # Files that this program wrote hold both sides; the right one may only be the mirror image.
    known |= {f"{RIGHT_PREFIX}{name}": f"{RIGHT_PREFIX}{name}" for name in POINT_NAMES}
    found: dict[str, Array] = {}
    for row in _point_rows(path):
        label = row.text("name")
        if not label:
            raise InputError(
                f"{row.where}, column name", "is blank", f"name one of {', '.join(POINT_NAMES)}"
            )
        if label not in known:
            raise InputError(
                row.where,
                f"unknown point {label!r}",
                f"known names: {', '.join(list(known)[: len(POINT_NAMES)])}; "
                "map others in [hardpoints.names]",
            )
        if known[label] in found:
            raise InputError(
                row.where, f"point {label} stands twice", "keep one row for each point"
            )
        found[known[label]] = frame.to_iso(_coordinates(row) * MM_PER_UNIT[unit])
    if missing := [name for name in POINT_NAMES if name not in found]:
        raise InputError(
            str(path),
            f"point {missing[0]} is missing",
            f"add a row for each of {', '.join(POINT_NAMES)}",
        )
    points = Hardpoints.from_mapping(found)
    check_hardpoints(points, str(path))
    for name, image in points.mirrored().items():
        right = found.get(f"{RIGHT_PREFIX}{name}")
        if right is not None and norm(right - image) > SYMMETRY_MM:
            raise InputError(
                str(path),
                f"{RIGHT_PREFIX}{name} is {norm(right - image):.3f} mm from the mirror image "
                f"of {name}",
                "the program needs a symmetric car: mend it, or leave the right side out",
            )
    return points


def _point_rows(path: Path) -> list[Row]:
    try:
        return read_table(path, COLUMNS)
    except InputError as error:
        if "column x_mm is missing" not in error.problem:
            raise
    plain = read_table(path, ("name", "x", "y", "z"))
    return [
        replace(row, cells={"name": row.text("name"), **{f"{a}_mm": row.text(a) for a in "xyz"}})
        for row in plain
    ]


def _coordinates(row: Row) -> Array:
    values = []
    for column in COLUMNS[1:]:
        value = row.number(column)
        if value is None:
            raise InputError(
                f"{row.where}, column {column}",
                f"is blank for {row.text('name')}",
                "give all three coordinates",
            )
        values.append(value)
    return np.array(values)


def check_hardpoints(points: Hardpoints, where: str) -> None:
    """Refuse points that cannot be a left corner; points are unbatched, in body axes.

    Raises:
        InputError: see `read_hardpoints`.
    """
    _check_size(points, where)
    for name, value in points.items():
        if value[1] <= 0.0:
            raise InputError(
                where,
                f"{name} lies at y = {value[1]:.1f} mm, on the right of the car or on its "
                "middle plane",
                "give the LEFT corner, and check left and ground_origin_mm in [frame]",
            )
    for (first, a), (second, b) in combinations(points.items(), 2):
        if norm(a - b) < LEAST_DISTANCE_MM:
            same_arm = {first, second} in (
                {"lower_front_pivot", "lower_rear_pivot"},
                {"upper_front_pivot", "upper_rear_pivot"},
            )
            problem = (
                "so the arm has no axis to turn about" if same_arm else "which is one point twice"
            )
            raise InputError(
                where,
                f"{first} and {second} are less than {LEAST_DISTANCE_MM:g} mm apart, {problem}",
                "check both rows",
            )
    if points.upper_ball_joint[2] <= points.lower_ball_joint[2]:
        raise InputError(
            where,
            "upper_ball_joint is not above lower_ball_joint",
            "check up in [frame] and the names of the two arms",
        )
    for arm in ("lower", "upper"):
        _check_arm(points, arm, where)
    _check_order(points, where)


def _check_size(points: Hardpoints, where: str) -> None:
    values = np.array([value for _, value in points.items()])
    extent = float(np.max(np.ptp(values, axis=0)))
    if extent < LEAST_EXTENT_MM:
        guess = "metres" if extent < 3.0 else "inches"
        raise InputError(
            where,
            f"the points span only {extent:.3g} mm, which looks like {guess}",
            'write millimetres, or state the unit with unit = "m" or "in" in [hardpoints]',
        )
    furthest = max(extent, float(np.max(np.abs(values))))
    if extent > GREATEST_EXTENT_MM or furthest > 10.0 * GREATEST_EXTENT_MM:
        raise InputError(
            where,
            f"the points reach {furthest:.4g} mm, which is no front corner",
            "check the unit, ground_origin_mm and each row",
        )


def _check_arm(points: Hardpoints, arm: str, where: str) -> None:
    front, rear = getattr(points, f"{arm}_front_pivot"), getattr(points, f"{arm}_rear_pivot")
    ball = getattr(points, f"{arm}_ball_joint")
    if front[0] <= rear[0]:
        raise InputError(
            where,
            f"{arm}_front_pivot is not ahead of {arm}_rear_pivot",
            "check forward in [frame] and the two names",
        )
    axis = (front - rear) / norm(front - rear)
    if float(norm(np.cross(ball - rear, axis))) < LEAST_DISTANCE_MM:
        raise InputError(
            where,
            f"{arm}_ball_joint lies on the axis of its own arm",
            "check the pivots and the ball joint",
        )


def _check_order(points: Hardpoints, where: str) -> None:
    """The wheel is outboard of its arms and the tie rod's ends are the right way round."""
    inboard = max(points.lower_front_pivot[1], points.lower_rear_pivot[1])
    if points.wheel_centre[1] <= inboard:
        raise InputError(
            where,
            "wheel_centre is not outboard of the lower pivots",
            "check left in [frame] and the rows",
        )
    if points.outer_joint[1] <= points.inner_joint[1]:
        raise InputError(
            where,
            "outer_joint is not outboard of inner_joint",
            "check whether the two are exchanged",
        )
