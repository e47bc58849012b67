"""Two corners on springs, built in exudyn: a referee for compliance.

exudyn knows nothing of suspensions and shares no code with the package under test. The car is

    ground --(spring each way)-- lower arm, at both pivots; turned about its axis by nothing
    ground --(spring each way)-- upper arm, at both pivots
    arms --(ball, or spring each way)-- upright
    upright --(spring across the steering arm)-- a small body at O --(spring)-- a small body at I
    a small body at I --(spring across the bar)-- rack --(spring along y)-- ground

on either side of one rack. Forces are put on, the static solution is found, and once more with all
forces turned round: half the difference is the linear part. Lengths are metres. What is rigid here
and cannot be left out is held by a joint.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import exudyn
import numpy as np
from exudyn import itemInterface

_STRAIGHT = np.eye(3)
_SCALE = 0.02  # of the load, on which the solution is linear


@dataclass
class Springs:
    """N/mm; None is rigid. `lower`, `upper`: (across the axis, along it) at each pivot."""

    lower: tuple[float, float]
    upper: tuple[float, float]
    ball: float | None = None
    rod: float = 1e6
    arm: float | None = None
    bar: float | None = None
    rack: float | None = None


@dataclass
class Load:
    """Forces (N) at points (mm), and moments (N mm), on the uprights: side 0 is the left one."""

    forces: list[tuple[int, np.ndarray, np.ndarray]] = field(default_factory=list)
    moments: list[tuple[int, np.ndarray]] = field(default_factory=list)


def _frame(third: np.ndarray) -> np.ndarray:
    along = third / np.linalg.norm(third)
    aside = np.cross(along, np.eye(3)[np.argmin(np.abs(along))])
    aside /= np.linalg.norm(aside)
    return np.column_stack([aside, np.cross(along, aside), along])


class _Car:
    def __init__(self, sides: list[dict[str, np.ndarray]], springs: Springs) -> None:
        exudyn.config.printToConsole = False
        self.springs = springs
        self.places: dict[int, np.ndarray] = {}
        self.container = exudyn.SystemContainer()
        self.system = self.container.AddSystem()
        self.ground = self.system.AddObject(itemInterface.ObjectGround())
        self.rack = self._body(np.zeros(3))[1]
        self._hold(self.ground, self.rack, np.zeros(3), np.eye(3), [1, 0, 1, 1, 1, 1])
        if springs.rack is None:
            self._hold(self.ground, self.rack, np.zeros(3), np.eye(3), [0, 1, 0, 0, 0, 0])
        else:
            along = np.array([0.0, springs.rack, 0.0])
            self._spring(self.ground, self.rack, np.zeros(3), np.eye(3), along)
        self.uprights = [
            self._corner({name: np.asarray(p, float) / 1000.0 for name, p in side.items()})
            for side in sides
        ]

    def _body(self, at: np.ndarray) -> tuple[int, int]:
        node = self.system.AddNode(
            itemInterface.NodeRigidBodyEP(referenceCoordinates=[*at, 1.0, 0.0, 0.0, 0.0])
        )
        body = self.system.AddObject(
            itemInterface.ObjectRigidBody(mass=1.0, inertia=[1, 1, 1, 0, 0, 0], nodeNumber=node)
        )
        self.places[body] = np.asarray(at, float)
        return node, body

    def _marker(self, body: int, at: np.ndarray, frame: np.ndarray = _STRAIGHT) -> int:
        local = at - self.places.get(body, np.zeros(3))
        return self.system.AddMarker(
            itemInterface.MarkerBodyRigid(
                bodyNumber=body, localHT=exudyn.HT(rotation=frame, translation=local)
            )
        )

    def _hold(self, a: int, b: int, at: np.ndarray, frame: np.ndarray, axes: list[int]) -> None:
        self.system.AddObject(
            itemInterface.ObjectJointGeneric(
                markerNumbers=[self._marker(a, at, frame), self._marker(b, at, frame)],
                constrainedAxes=axes,
            )
        )

    def _spring(self, a: int, b: int, at: np.ndarray, frame: np.ndarray, along: np.ndarray) -> None:
        """Springs of N/mm along the columns of a frame."""
        self.system.AddObject(
            itemInterface.ObjectConnectorRigidBodySpringDamper(
                markerNumbers=[self._marker(a, at, frame), self._marker(b, at, frame)],
                stiffness=np.diag([*(1000.0 * along), 0.0, 0.0, 0.0]),
            )
        )

    def _corner(self, at: dict[str, np.ndarray]) -> tuple[int, int]:
        springs = self.springs
        node, upright = self._body(at["wheel_centre"])
        for which, (across, axial) in (("lower", springs.lower), ("upper", springs.upper)):
            front, rear = at[f"{which}_front_pivot"], at[f"{which}_rear_pivot"]
            ball, middle = at[f"{which}_ball_joint"], 0.5 * (front + rear)
            _, arm = self._body(middle)
            frame = _frame(front - rear)
            for pivot in (front, rear):
                self._spring(self.ground, arm, pivot, frame, np.array([across, across, axial]))
            if which == "lower":
                self._hold(self.ground, arm, middle, frame, [0, 0, 0, 0, 0, 1])
            if springs.ball is None:
                self._hold(arm, upright, ball, np.eye(3), [1, 1, 1, 0, 0, 0])
            else:
                self._spring(arm, upright, ball, np.eye(3), np.full(3, springs.ball))
        self._tie_rod(at, upright)
        return node, upright

    def _tie_rod(self, at: dict[str, np.ndarray], upright: int) -> None:
        springs, outer, inner = self.springs, at["outer_joint"], at["inner_joint"]
        foot = at["lower_ball_joint"]
        axis = at["upper_ball_joint"] - foot
        axis = axis / np.linalg.norm(axis)
        arm = outer - foot - ((outer - foot) @ axis) * axis
        ends = []
        for root, end, third, give in (
            (upright, outer, arm, springs.arm),
            (self.rack, inner, np.array([0.0, 1.0, 0.0]), springs.bar),
        ):
            _, small = self._body(end)
            if give is None:
                self._hold(root, small, end, np.eye(3), [1, 1, 1, 1, 1, 1])
            else:
                frame = _frame(third)
                self._hold(root, small, end, frame, [0, 0, 1, 1, 1, 1])
                self._spring(root, small, end, frame, np.array([give, give, 0.0]))
            ends.append(self._marker(small, end))
        self.system.AddObject(
            itemInterface.ObjectConnectorSpringDamper(
                markerNumbers=ends,
                referenceLength=float(np.linalg.norm(outer - inner)),
                stiffness=1000.0 * springs.rod,
            )
        )

    def load(self, load: Load, scale: float) -> None:
        for side, force, point in load.forces:
            marker = self._marker(self.uprights[side][1], np.asarray(point) / 1000.0)
            self.system.AddLoad(
                itemInterface.Force(markerNumber=marker, loadVector=scale * np.asarray(force))
            )
        for side, moment in load.moments:
            body = self.uprights[side][1]
            marker = self._marker(body, self.places[body])
            torque = scale * np.asarray(moment) / 1000.0
            self.system.AddLoad(itemInterface.Torque(markerNumber=marker, loadVector=torque))

    def solve(self) -> list[np.ndarray]:
        """Rotation matrices of the uprights."""
        self.system.Assemble()
        settings = exudyn.SimulationSettings()
        settings.solution.file.write = False
        settings.staticSolver.verboseMode = 0
        settings.staticSolver.adaptiveStep = False
        settings.staticSolver.newton.relativeTolerance = 1e-9
        settings.staticSolver.newton.absoluteTolerance = 1e-8
        for _ in range(2):  # the second starts where the first ended, and polishes the last digits
            self.system.SolveStatic(settings, updateInitialValues=True, showCausingItems=False)
        kind = exudyn.OutputVariableType.RotationMatrix
        return [
            np.asarray(self.system.GetNodeOutput(node, kind)).reshape(3, 3)
            for node, _ in self.uprights
        ]


def turned(
    sides: list[dict[str, np.ndarray]],
    spins: list[np.ndarray],
    springs: Springs,
    load: Load,
    scale: float | None = None,
) -> np.ndarray:
    """Steer to the left and camber of left and right wheel, deg for the load: (2, 2).

    `sides` are the points of the left and the right corner in mm, `spins` the unit spin axes, each
    outboard. With `scale` the solution is that of so many times the load, which is not linear.
    """
    found = []
    for factor in (_SCALE, -_SCALE) if scale is None else (scale, 0.0):
        car = _Car(sides, springs)
        car.load(load, factor)
        angles = []
        for rotation, spin, sign in zip(car.solve(), spins, (1.0, -1.0), strict=True):
            x, y, z = rotation @ spin
            angles.append([np.arctan2(-sign * x, sign * y), np.arcsin(-z)])
        found.append(np.degrees(angles))
    over = 2.0 * _SCALE if scale is None else scale
    return (found[0] - found[1]) / over
