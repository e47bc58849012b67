"""Two universal joints built in exudyn: a referee for `metrics.universal_joint`.

exudyn is a general-purpose multibody dynamics library; it knows nothing of universal joints here:

    ground, turned ==(hinge)== cross ==(hinge)== middle ==(hinge)== cross ==(hinge)== pinion

The pins of each cross are square to each other, the pinion turns and slides on its axis in the
ground. Four bodies have 24 freedoms; four hinges take 5 each, the pinion's bearing 4: the static
solution is pure kinematics. Lengths are in metres.
"""

from __future__ import annotations

import exudyn
import numpy as np
from exudyn import itemInterface
from scipy.spatial.transform import Rotation

_STEP = np.radians(3.0)


def _frame(axis: np.ndarray) -> np.ndarray:
    """A rotation matrix whose third column is `axis`, normalised."""
    along = axis / np.linalg.norm(axis)
    aside = np.cross(along, np.eye(3)[np.argmin(np.abs(along))])
    aside /= np.linalg.norm(aside)
    return np.column_stack([aside, np.cross(along, aside), along])


class _Driveline:
    def __init__(self, wheel, middle, pinion, phase: float) -> None:
        exudyn.config.printToConsole = False
        self.container = exudyn.SystemContainer()
        self.system = self.container.AddSystem()
        self.ground = self.system.AddObject(itemInterface.ObjectGround())
        self.wheel = wheel
        normal = np.cross(wheel, middle)
        self.first = np.cross(normal, wheel)  # the driving pin, in the plane of the bend
        crossed = np.cross(middle, self.first)
        third = Rotation.from_rotvec(phase * middle).apply(crossed)
        fourth = np.cross(-pinion, third)
        lower = 0.4 * middle
        upper_cross, middle_body, lower_cross, self.pinion = (
            self._body(at) for at in (np.zeros(3), np.zeros(3), lower, lower)
        )
        self.fork = self._marker(self.ground, np.zeros(3), _frame(self.first))
        self._joint(self.fork, self._marker(upper_cross, np.zeros(3), _frame(self.first)))
        self._hinge(upper_cross, np.zeros(3), middle_body, np.zeros(3), crossed)
        self._hinge(middle_body, lower, lower_cross, np.zeros(3), third)
        self._hinge(lower_cross, np.zeros(3), self.pinion, np.zeros(3), fourth)
        bearing = self._marker(self.ground, lower, _frame(pinion))
        shaft = self._marker(self.pinion, np.zeros(3), _frame(pinion))
        self._joint(bearing, shaft, (1, 1, 0, 1, 1, 0))
        self.out, self.side = fourth, np.cross(-pinion, fourth)
        self.system.Assemble()
        self.settings = exudyn.SimulationSettings()
        self.settings.solution.file.write = False
        self.settings.staticSolver.verboseMode = 0
        self.settings.staticSolver.adaptiveStep = False
        self.settings.staticSolver.newton.relativeTolerance = 1e-12
        self.settings.staticSolver.newton.absoluteTolerance = 1e-14

    def _body(self, at) -> int:
        node = self.system.AddNode(
            itemInterface.NodeRigidBodyEP(referenceCoordinates=[*at, 1.0, 0.0, 0.0, 0.0])
        )
        return self.system.AddObject(
            itemInterface.ObjectRigidBody(mass=1.0, inertia=[1, 1, 1, 0, 0, 0], nodeNumber=node)
        )

    def _marker(self, body: int, at, frame) -> int:
        place = exudyn.HT(rotation=frame, translation=at)
        return self.system.AddMarker(itemInterface.MarkerBodyRigid(bodyNumber=body, localHT=place))

    def _joint(self, one: int, other: int, axes=(1, 1, 1, 1, 1, 0)) -> None:
        self.system.AddObject(
            itemInterface.ObjectJointGeneric(markerNumbers=[one, other], constrainedAxes=list(axes))
        )

    def _hinge(self, one: int, at, other: int, there, axis) -> None:
        frame = _frame(axis)
        self._joint(self._marker(one, at, frame), self._marker(other, there, frame))

    def turn(self, angle: float) -> float:
        """Turn of the pinion, within half a turn, for this turn of the wheel."""
        turned = Rotation.from_rotvec(angle * self.wheel).as_matrix() @ _frame(self.first)
        place = exudyn.HT(rotation=turned, translation=np.zeros(3))
        self.system.SetMarkerParameter(self.fork, "localHT", place)
        # The second solve starts where the first ended: it polishes the last digits.
        for _ in range(2):
            assert self.system.SolveStatic(
                self.settings, updateInitialValues=True, showCausingItems=False
            )
        kind = exudyn.OutputVariableType.RotationMatrix
        matrix = np.asarray(self.system.GetObjectOutputBody(self.pinion, kind)).reshape(3, 3)
        pin = matrix @ self.out
        return float(np.arctan2(pin @ self.side, pin @ self.out))


def pinion_turns(wheel, middle, pinion, phase: float, turns: float) -> tuple:
    """Turns of the steering wheel up to `turns`, and those of the pinion, radians."""
    line = _Driveline(wheel, middle, pinion, phase)
    angles = np.linspace(0.0, turns, int(turns / _STEP) + 1)
    return angles, np.unwrap([line.turn(angle) for angle in angles])
