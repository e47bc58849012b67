"""Solved poses of a corner, their angles, and how fast these change."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.mirror import mirrored, mirrored_steer
from optimiser.linkage.vectors import Array, cross_first, dot_first

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimiser.linkage.hardpoints import Hardpoints


@dataclass(frozen=True, slots=True)
class Poses:
    """Solved poses; `shape` is the broadcast shape of points, travel and rack displacement.

    Arrays named `_xyz` hold the component first, (3, *shape), which is how they are computed;
    the properties without the suffix are views with the component last. NaN where the pose
    does not exist.
    """

    lower_ball_xyz: Array
    upper_ball_xyz: Array
    outer_xyz: Array
    inner_xyz: Array
    wheel_centre_xyz: Array
    spin_xyz: Array
    toggle_sine: Array
    """Sine of the toggle margin; 0 where tie rod and steering arm line up."""
    hinges_xyz: Array
    """A point of the lower arm's axis and its direction, then the upper arm's, (4, 3, *shape)."""

    @property
    def shape(self) -> tuple[int, ...]:
        """Broadcast shape of the poses."""
        return self.toggle_sine.shape

    @property
    def exists(self) -> NDArray[np.bool_]:
        """True where the linkage reaches the pose."""
        return np.isfinite(self.toggle_sine)

    @property
    def lower_ball_joint(self) -> Array:
        """(..., 3) mm."""
        return _component_last(self.lower_ball_xyz)

    @property
    def upper_ball_joint(self) -> Array:
        """(..., 3) mm."""
        return _component_last(self.upper_ball_xyz)

    @property
    def outer_joint(self) -> Array:
        """(..., 3) mm."""
        return _component_last(self.outer_xyz)

    @property
    def inner_joint(self) -> Array:
        """(..., 3) mm."""
        return _component_last(self.inner_xyz)

    @property
    def wheel_centre(self) -> Array:
        """(..., 3) mm."""
        return _component_last(self.wheel_centre_xyz)

    @property
    def spin_axis(self) -> Array:
        """(..., 3) unit vector out to the left."""
        return _component_last(self.spin_xyz)

    @property
    def steer(self) -> Array:
        """Steer angle of the left wheel in radians, positive to the left (ISO 8855)."""
        return np.asarray(np.arctan2(-self.spin_xyz[0], self.spin_xyz[1]))

    @property
    def camber(self) -> Array:
        """Inclination of the wheel in radians, positive with its top outboard (ISO 8855)."""
        return np.asarray(np.arcsin(-self.spin_xyz[2]))

    @property
    def toggle_margin(self) -> Array:
        """Angle in radians left before tie rod and steering arm line up.

        It is the angle of the tie rod to the plane through steering axis and outer joint.
        """
        sine = self.toggle_sine
        return np.arctan2(sine, np.sqrt(np.maximum(0.0, (1.0 - sine) * (1.0 + sine))))

    @property
    def steer_per_travel(self) -> Array:
        """D steer / d wheel travel at constant rack displacement, rad/mm; see `rates`."""
        return self.rates()[0]

    @property
    def steer_per_rack(self) -> Array:
        """D steer / d rack displacement at constant wheel travel, rad/mm; see `rates`."""
        return self.rates()[1]

    def rates(self) -> tuple[Array, Array, Array]:
        """Steer per travel and per rack displacement, rad/mm, and wheel travel per rise of L.

        Velocities of a rigid body. As the lower arm turns by one radian, L moves by v_L square to
        its arm; U moves square to the upper arm and so that k.(v_U - v_L) = 0; the upright
        turns by k x (v_U - v_L) / |U - L| + s k, with s from (O - I).v_O = 0. As the rack moves
        by one millimetre the upright turns by t k, with (O - I).(t k x (O - L) - y) = 0, and
        the arm follows to keep the wheel's height. Elementary mechanics; no source needed.
        """
        lower, spin = self.lower_ball_xyz, self.spin_xyz
        rod, wheel = self.outer_xyz - self.inner_xyz, self.wheel_centre_xyz - lower
        v_lower, turn, link, lever = self.held_rack()
        with np.errstate(invalid="ignore", divide="ignore"):
            per_rack = rod[1] / lever
            lift = v_lower[2] + turn[0] * wheel[1] - turn[1] * wheel[0]
            sink = per_rack * (link[0] * wheel[1] - link[1] * wheel[0])
            per_angle = steer_rate(spin, turn)
            steer_per_rack = per_rack * steer_rate(spin, link) - per_angle * sink / lift
            return per_angle / lift, steer_per_rack, lift / v_lower[2]

    def held_rack(self) -> tuple[Array, Array, Array, Array]:
        """How the upright moves as the lower arm turns, the rack held; see `rates`, `arm_rates`.

        Velocity of L and turn of the upright, then the link U - L about which the tie rod turns it,
        and the rod's lever about that; (3, *shape) each, the lever of `shape`.
        """
        lower = self.lower_ball_xyz
        link = self.upper_ball_xyz - lower
        rod = self.outer_xyz - self.inner_xyz
        moment = cross_first(self.outer_xyz - lower, rod)
        with np.errstate(invalid="ignore", divide="ignore"):
            v_lower, swing = arm_rates(self.hinges_xyz, lower, self.upper_ball_xyz)
            # Turns about the axis are counted in |U - L| radians: link stands for k.
            lever = dot_first(link, moment)
            turn = swing - link * ((dot_first(v_lower, rod) + dot_first(swing, moment)) / lever)
        return v_lower, turn, link, lever

    @property
    def reach(self) -> Array:
        """Four squares (4, ...) of which one is 0 at the last pose that the corner reaches.

        Of the sine of the toggle margin; of the sine of the upper arm to the steering axis; of the
        wheel's rise per path of the lower ball joint; of the cosine of tie rod to rack. At given
        travel and rack the angle left closes with the root of the way left, so that its square
        falls evenly near the end. At a given steer angle the toggle margin itself does, and the
        slope of its square puts the end too near.
        """
        lower, link = self.lower_ball_xyz, self.upper_ball_xyz - self.lower_ball_xyz
        at_lower, lower_axis, at_upper, upper_axis = self.hinges_xyz
        v_lower = cross_first(lower_axis, lower - at_lower)
        v_upper = cross_first(upper_axis, self.upper_ball_xyz - at_upper)
        rod, squares = self.outer_xyz - self.inner_xyz, np.empty((4, *self.shape))
        squares[0] = self.toggle_sine**2
        squares[1] = dot_first(v_upper, link) ** 2 / dot_first(link, link)
        squares[1] /= dot_first(v_upper, v_upper)
        squares[2] = (self.rates()[2] * v_lower[2]) ** 2 / dot_first(v_lower, v_lower)
        squares[3] = rod[1] ** 2 / dot_first(rod, rod)
        return squares

    def select(self, poses: NDArray[np.intp] | NDArray[np.bool_] | slice | int) -> Poses:
        """Some of the poses, along the last axis; one of them without that axis."""
        names = (field.name for field in fields(self) if field.name != "hinges_xyz")
        chosen = {name: getattr(self, name)[..., poses] for name in names}
        hinges_xyz = self.hinges_xyz
        if isinstance(poses, int):
            hinges_xyz = hinges_xyz[..., poses]
        elif hinges_xyz.strides[-1] == 0:  # the arms are the same in all poses of a corner
            shape = (4, 3, *chosen["toggle_sine"].shape)
            hinges_xyz = np.broadcast_to(hinges_xyz[..., :1], shape)
        else:
            hinges_xyz = hinges_xyz[..., poses]
        return Poses(**chosen, hinges_xyz=hinges_xyz)


@dataclass(frozen=True, slots=True)
class RightPoses:
    """Poses of the right corner, held as those of its mirror image; see `linkage.mirror`.

    Attributes:
        image: poses of a left corner, with the rack at `mirrored_rack` of where the car has it.
    """

    image: Poses

    @classmethod
    def of_even_sweep(cls, left: Poses) -> RightPoses:
        """Right poses of a sweep of the left corner, (..., R), whose rack goes as far either way.

        The displacements lie evenly, so that those of the image are the same in reverse.
        """
        back = left.select(slice(None, None, -1))
        # In one piece: of arrays that run backwards numpy rounds the angles otherwise.
        pieces = {f.name: np.ascontiguousarray(getattr(back, f.name)) for f in fields(back)}
        return cls(Poses(**pieces))

    @property
    def steer(self) -> Array:
        """Steer angle of the right wheel in radians, positive to the left (ISO 8855)."""
        return mirrored_steer(self.image.steer)

    @property
    def steer_per_rack(self) -> Array:
        """D steer / d rack displacement, rad/mm: both turn round in the mirror."""
        return self.image.steer_per_rack

    @property
    def outer_joint(self) -> Array:
        """(..., 3) mm, on the right of the car."""
        return mirrored(self.image.outer_joint)

    @property
    def inner_joint(self) -> Array:
        """(..., 3) mm, on the right of the car."""
        return mirrored(self.image.inner_joint)


def _component_last(vectors: Array) -> Array:
    """View (..., 3) of vectors (3, ...); `np.moveaxis` does the same and takes longer."""
    return vectors.transpose((*range(1, vectors.ndim), 0))


def arm_rates(hinges_xyz: Array, lower: Array, upper: Array) -> tuple[Array, Array]:
    """Velocity of L and turn of the upright as the lower arm turns, (3, ...) each.

    The arm turns by as many radians as its axis in `hinges_xyz` (4, 3, ...) has millimetres. The
    upright swings with the steering axis and does not turn about it; see `Poses.rates`.
    """
    at_lower, lower_axis, at_upper, upper_axis = hinges_xyz
    link = upper - lower
    v_lower = cross_first(lower_axis, lower - at_lower)
    v_upper = cross_first(upper_axis, upper - at_upper)
    v_upper = v_upper * (dot_first(v_lower, link) / dot_first(v_upper, link))
    return v_lower, np.asarray(cross_first(link, v_upper - v_lower) / dot_first(link, link))


def steer_rate(spin: Array, turn: Array) -> Array:
    """Rate of steer = atan2(-s_x, s_y) as the spin axis s turns by `turn` per unit.

    d steer = (s_x ds_y - s_y ds_x) / (s_x^2 + s_y^2).
    """
    x, y, z = spin
    rate_x, rate_y = turn[1] * z - turn[2] * y, turn[2] * x - turn[0] * z
    return np.asarray((x * rate_y - y * rate_x) / (x * x + y * y))


def sine_of_toggle(lower: Array, upper: Array, outer: Array, inner: Array) -> Array:
    """Sine of the angle of tie rod to the plane of steering axis and arm; (3, ...) to (...)."""
    rod = outer - inner
    square = cross_first(upper - lower, outer - lower)
    length = np.sqrt(dot_first(square, square) * dot_first(rod, rod))
    return np.asarray(np.abs(dot_first(square, rod)) / length)


def hinges(points: Hardpoints, shape: tuple[int, ...]) -> Array:
    """Points and directions of the arms' axes as `Poses` holds them, (4, 3, *shape)."""
    lower, upper = points.lower_rear_pivot, points.upper_rear_pivot
    rows = (lower, points.lower_front_pivot - lower, upper, points.upper_front_pivot - upper)
    batch = np.broadcast_shapes(*(row.shape for row in rows))
    axes = np.empty((4, *batch))
    for index, row in enumerate(rows):
        axes[index] = row
    axes = axes.transpose((0, axes.ndim - 1, *range(1, axes.ndim - 1)))
    axes = axes.reshape(4, 3, *(1,) * (len(shape) + 2 - axes.ndim), *batch[:-1])
    return np.broadcast_to(axes, (4, 3, *shape))
