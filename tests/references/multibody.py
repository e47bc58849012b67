"""The corner built in exudyn: a referee for the linkage kernel.

exudyn is a general-purpose multibody dynamics library; it knows nothing of
suspensions and shares no code with the package under test.  The corner is

    ground ==(hinge)== lower arm --(ball)-- upright --(ball)-- upper arm ==(hinge)== ground
    ground --(rigid rod between two points)-- upright          the tie rod
    ground --(height of one point)-- upright                   the wheel travel

Three bodies have 18 freedoms; two hinges take 5 each, two ball joints 3 each,
rod and height 1 each: 18 constraints, so the static solution needs no springs
and is pure kinematics.  Lengths are in metres with the origin at the wheel
centre, which keeps all coordinates of the order of one.
"""

from __future__ import annotations

import exudyn
import numpy as np
from exudyn import itemInterface
from references.paths import Pose, sweep

_COORDINATES = 21  # three bodies, each three displacements and four Euler parameters


def _hinge_frame(axis: np.ndarray) -> np.ndarray:
    """A rotation matrix whose third column is `axis`, normalised."""
    along = axis / np.linalg.norm(axis)
    aside = np.cross(along, np.eye(3)[np.argmin(np.abs(along))])
    aside /= np.linalg.norm(aside)
    return np.column_stack([aside, np.cross(along, aside), along])


class _Corner:
    """One corner as an exudyn system, moved from pose to pose."""

    def __init__(self, points: dict[str, np.ndarray]) -> None:
        exudyn.config.printToConsole = False
        self.wheel_centre_mm = np.asarray(points["wheel_centre"], dtype=float)
        self.at = {
            name: (np.asarray(point, dtype=float) - self.wheel_centre_mm) / 1000.0
            for name, point in points.items()
        }
        self.container = exudyn.SystemContainer()
        self.system = self.container.AddSystem()
        self.ground = self.system.AddObject(itemInterface.ObjectGround())
        self.upright_node, self.upright = self._body(np.zeros(3))
        self._arm("lower")
        self._arm("upper")
        self._tie_rod_and_travel()
        self.system.Assemble()
        self.settings = self._settings()

    def _body(self, reference: np.ndarray) -> tuple[int, int]:
        """A free rigid body, unturned at the design position; its inertia plays no part."""
        node = self.system.AddNode(
            itemInterface.NodeRigidBodyEP(referenceCoordinates=[*reference, 1.0, 0.0, 0.0, 0.0])
        )
        body = self.system.AddObject(
            itemInterface.ObjectRigidBody(mass=1.0, inertia=[1, 1, 1, 0, 0, 0], nodeNumber=node)
        )
        return node, body

    def _point(self, body: int, position: np.ndarray) -> int:
        return self.system.AddMarker(
            itemInterface.MarkerBodyPosition(bodyNumber=body, localPosition=position)
        )

    def _arm(self, which: str) -> None:
        """An arm: a body hinged to ground about its pivots, with a ball joint on the upright."""
        front, rear = self.at[f"{which}_front_pivot"], self.at[f"{which}_rear_pivot"]
        middle = (front + rear) / 2.0
        _, arm = self._body(middle)
        frame = _hinge_frame(front - rear)
        on_ground = self.system.AddMarker(
            itemInterface.MarkerBodyRigid(
                bodyNumber=self.ground, localHT=exudyn.HT(rotation=frame, translation=middle)
            )
        )
        on_arm = self.system.AddMarker(
            itemInterface.MarkerBodyRigid(
                bodyNumber=arm, localHT=exudyn.HT(rotation=frame, translation=np.zeros(3))
            )
        )
        self.system.AddObject(
            itemInterface.ObjectJointGeneric(
                markerNumbers=[on_ground, on_arm], constrainedAxes=[1, 1, 1, 1, 1, 0]
            )
        )
        ball = self.at[f"{which}_ball_joint"]
        self.system.AddObject(
            itemInterface.ObjectJointSpherical(
                markerNumbers=[self._point(arm, ball - middle), self._point(self.upright, ball)]
            )
        )

    def _tie_rod_and_travel(self) -> None:
        inner, outer = self.at["inner_joint"], self.at["outer_joint"]
        self.inner_marker = self._point(self.ground, inner)
        self.system.AddObject(
            itemInterface.ObjectConnectorDistance(
                markerNumbers=[self.inner_marker, self._point(self.upright, outer)],
                distance=float(np.linalg.norm(outer - inner)),
            )
        )
        self.travel_marker = self._point(self.ground, np.zeros(3))
        self.system.AddObject(
            itemInterface.ObjectJointSpherical(
                markerNumbers=[self.travel_marker, self._point(self.upright, np.zeros(3))],
                constrainedAxes=[0, 0, 1],
            )
        )

    @staticmethod
    def _settings() -> exudyn.SimulationSettings:
        settings = exudyn.SimulationSettings()
        settings.solution.file.write = False
        settings.staticSolver.verboseMode = 0
        settings.staticSolver.adaptiveStep = False
        settings.staticSolver.newton.relativeTolerance = 1e-12
        settings.staticSolver.newton.absoluteTolerance = 1e-14
        return settings

    def _solve(self) -> bool:
        try:
            return bool(
                self.system.SolveStatic(
                    self.settings, updateInitialValues=True, showCausingItems=False
                )
            )
        except exudyn.SolverError:
            return False

    def _pose(self) -> Pose:
        system, kind = self.system, exudyn.OutputVariableType
        # with no forces in the system the static Jacobian is the constraint Jacobian and
        # its transpose beside zeros; directions a joint leaves free have a row of their
        # own with nothing but a one on the diagonal, and without them it is square
        jacobian = np.asarray(system.sys["staticSolver"].GetSystemJacobian())
        holds = np.diag(jacobian)[_COORDINATES:] == 0.0
        constraints = jacobian[_COORDINATES:, :_COORDINATES][holds]
        centre = np.asarray(system.GetNodeOutput(self.upright_node, kind.Position))
        turned = system.GetNodeOutput(self.upright_node, kind.RotationMatrix)
        return Pose(
            rotation=np.asarray(turned).reshape(3, 3),
            wheel_centre_mm=self.wheel_centre_mm + 1000.0 * centre,
            side=float(np.sign(np.linalg.det(constraints))),
            memory=system.systemData.GetSystemState(),
        )

    def advance(self, pose: Pose | None, travel_mm: float, rack_mm: float) -> Pose | None:
        """Solve at the given travel and rack, starting from `pose` (None: as built)."""
        if pose is not None:
            self.system.systemData.SetSystemState(
                pose.memory, configuration=exudyn.ConfigurationType.Initial
            )
        inner = self.at["inner_joint"] + [0.0, rack_mm / 1000.0, 0.0]
        self.system.SetMarkerParameter(self.inner_marker, "localPosition", inner)
        height = [0.0, 0.0, travel_mm / 1000.0]
        self.system.SetMarkerParameter(self.travel_marker, "localPosition", height)
        # the second solve starts where the first ended: it polishes the last digits
        if not (self._solve() and self._solve()):
            return None
        return self._pose()


def solve_corner(
    points: dict[str, np.ndarray],
    spin_axis: np.ndarray,
    travel_mm: np.ndarray,
    rack_mm: np.ndarray,
) -> dict[str, np.ndarray]:
    """Poses of the left corner over a grid of wheel travel and rack displacement.

    `points` are in mm, ISO 8855 body axes; `spin_axis` is the unit spin axis at
    the design position.  Returns what `references.paths.sweep` describes; a pose
    that does not exist, or that lies beyond a gap, is NaN and not `feasible`.
    """
    corner = _Corner(points)
    design = corner.advance(None, 0.0, 0.0)
    if design is None or design.side == 0.0:
        raise ValueError("the design position is singular")
    return sweep(
        corner.advance,
        design,
        np.asarray(spin_axis, dtype=float),
        np.asarray(points["outer_joint"], dtype=float),
        corner.wheel_centre_mm,
        travel_mm,
        rack_mm,
    )
