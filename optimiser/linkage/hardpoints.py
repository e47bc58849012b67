"""Named points of the left front corner, and the map between CAD axes and the body axes.

Inside the program everything is in ISO 8855 axes: x forward, y left, z up, millimetres, with
the origin on the ground under the middle of the front axle.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.errors import InputError
from optimiser.base.tables import Row, read_header, read_table
from optimiser.linkage.mirror import mirrored
from optimiser.linkage.plausible import MM_PER_UNIT, check_corner, check_units
from optimiser.linkage.vectors import Array, norm

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from numpy.typing import ArrayLike, NDArray

COLUMNS = ("name", "x_mm", "y_mm", "z_mm")
RIGHT_PREFIX = "right_"
BOLTED_NAMES = (
    "rack_foot_left",
    "rack_foot_right",
    "rack_pinion_end",
    "column_lower_joint",
    "column_upper_joint",
)
"""Further points of files that this program wrote, which say nothing of the corner."""
SYMMETRY_MM = 1e-3


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

    def direction_to_cad(self, iso: ArrayLike) -> Array:
        """A direction (..., 3) in body axes to CAD axes."""
        return np.asarray(np.asarray(iso, dtype=float) @ self.rotation)

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
        unit: unit of the numbers, one of `MM_PER_UNIT`; the columns may also be called `x`, `y`,
            `z`, or name that unit, such as `x_in`.
        names: our point name to the name that the file uses, where they differ.

    Raises:
        InputError: any refusal of `read_table`; columns or a row in another unit than the rest,
            missing, double or unknown names, blank cells, right-side points under a left name, a
            right side that is not the mirror image, coincident points, an arm with no axis, an
            implausible size.
    """
    frame = frame or CadFrame()
    ours = {theirs: our for our, theirs in (names or {}).items()}
    known = {**{name: name for name in POINT_NAMES if name not in (names or {})}, **ours}
    # Files that this program wrote hold both sides; the right one may only be the mirror image.
    known |= {f"{RIGHT_PREFIX}{name}": f"{RIGHT_PREFIX}{name}" for name in POINT_NAMES}
    known |= {name: name for name in BOLTED_NAMES if name not in known}
    found: dict[str, Array] = {}
    places: dict[str, str] = {}
    columns = _coordinate_columns(path, unit)
    for row in read_table(path, ("name", *columns)):
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
        found[known[label]] = _coordinates(row, columns)
        places[known[label]] = row.where
    if missing := [name for name in POINT_NAMES if name not in found]:
        raise InputError(
            str(path),
            f"point {missing[0]} is missing",
            f"add a row for each of {', '.join(POINT_NAMES)}",
        )
    found = {name: at for name, at in found.items() if name not in BOLTED_NAMES}
    check_units({name: found[name] for name in POINT_NAMES}, places, unit)
    found = {name: frame.to_iso(value * MM_PER_UNIT[unit]) for name, value in found.items()}
    points = Hardpoints.from_mapping(found)
    check_corner(dict(points.items()), str(path))
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


def _coordinate_columns(path: Path, unit: str) -> tuple[str, ...]:
    """What the file calls its coordinates: with the study's unit in the name, or without any."""
    header = read_header(path)
    named = next((one for one in MM_PER_UNIT if f"x_{one}" in header), None)
    if named is not None and named != unit:
        raise InputError(
            str(path),
            f"its columns are in {named}, but [hardpoints] unit is {unit}",
            f'write unit = "{named}" there, or name the columns name, x, y, z',
        )
    ending = f"_{named}" if named else "" if "x" in header else "_mm"
    return tuple(f"{axis}{ending}" for axis in "xyz")


def _coordinates(row: Row, columns: tuple[str, ...]) -> Array:
    values = []
    for column in columns:
        value = row.number(column)
        if value is None:
            raise InputError(
                f"{row.where}, column {column}",
                f"is blank for {row.text('name')}",
                "give all three coordinates",
            )
        values.append(value)
    return np.array(values)
