"""Toe and camber under load of solved designs, by the springs and sections of the study."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.metrics.compliance import (
    NAMES,
    SPRINGS,
    column_flexibility,
    side_of,
    toe_and_camber,
)
from optimiser.metrics.gearing import greatest_rate
from optimiser.metrics.kinematic import wheel_attitude
from optimiser.metrics.strength import rack_overhang

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from optimiser.evaluation.asked import Car, LoadAssumptions
    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.solved import Solved
    from optimiser.linkage.poses import Poses
    from optimiser.linkage.racks import Rack
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.compliance import Sections, Side, Stiffness
    from optimiser.metrics.gearing import Column


@dataclass(frozen=True, slots=True)
class Yielding:
    """What gives way in the designs of one study, and under what.

    Attributes:
        stiffness: what the study gives of springs.
        sections: of bars.
        car: for the wheel's radius.
        loads: for the tyre's trail and the outer wheel's share; None: no trail, all of it.
    """

    stiffness: Stiffness
    sections: Sections
    car: Car
    loads: LoadAssumptions | None

    @property
    def outer_share(self) -> float:
        """Part of the axle's side force on the outside wheel."""
        return 1.0 if self.loads is None else self.loads.outer_share

    def behind_mm(self, solved: Solved) -> Array | float:
        """How far behind the contact points side forces act, (N,): see `metrics.compliance`.

        The lever that the study gives is about the steering axis, and the contact point lies
        behind that by the caster trail already.
        """
        if self.loads is None or self.loads.trail_mm is None:
            return 0.0
        drawn = wheel_attitude(solved.rest, self.car.attitude.loaded_radius_mm).trail_mm[:, 0]
        return self.loads.trail_mm - drawn

    def flexibility(
        self,
        designs: Designs,
        solved: Solved,
        racks: Sequence[Rack],
        rack_mm: Array,
        joined: Column | None = None,
    ) -> dict[str, Array]:
        """mm/N (N,) of each spring that is not rigid, the rack `rack_mm` (N,) to that side.

        With `joined`, what a column's joints make of the pinion's turn, its stiffness is that at
        the steering wheel; of the two ways of turning the softer counts.
        """
        found: dict[str, Array] = {
            name: np.full(len(designs), value) for name, value in self.stiffness.given().items()
        }
        if (column := self.stiffness.column_nm_per_deg) is not None:
            turn = np.array([rack.travel_per_turn_mm or np.nan for rack in racks])[designs.rack]
            if joined is not None:  # rack travel for a turn of the steering wheel, in this pose
                at = 2.0 * np.pi * rack_mm / turn
                turn = turn * greatest_rate(joined, at[:, None])[:, 0]
            found["column"] = column_flexibility(column, turn)
        out = np.zeros(len(designs))
        if self.sections.bar is not None:
            out = designs.column("spacer_mm").copy()
            for index, rack in enumerate(racks):
                mine = designs.rack == index
                out[mine] += rack_overhang(rack, rack_mm[mine])
        return found | self.sections.flexibility(solved.points, out)

    def at_rest(
        self,
        designs: Designs,
        solved: Solved,
        racks: Sequence[Rack],
        joined: Column | None = None,
    ) -> dict[str, Array]:
        """Degrees by spring, (13, N) in the order of `NAMES`, straight ahead."""
        give = self.flexibility(designs, solved, racks, np.zeros(len(designs)), joined)
        side = self._side(solved.rest.select(0), solved, list(give))
        return toe_and_camber(side, side, give, outer_share=self.outer_share)

    def at_lock(
        self,
        designs: Designs,
        solved: Solved,
        racks: Sequence[Rack],
        joined: Column | None = None,
    ) -> dict[str, Array]:
        """The same in a turn to the left at the required lock; the right wheel is the outer one."""
        lock = solved.ackermann.rack_at_lock_mm
        inner, outer = (self.flexibility(designs, solved, racks, r, joined) for r in (lock, -lock))
        loaded, other = (
            self._side(poses.select(-1), solved, list(outer))
            for poses in (solved.away.image, solved.towards)
        )
        return toe_and_camber(loaded, other, outer, inner, self.outer_share)

    def for_a_newton(self, solved: Solved) -> dict[str, Array]:
        """`at_rest` of every spring, each of 1 N/mm: b of a + b / k."""
        side = self._side(solved.rest.select(0), solved, SPRINGS)
        one = dict.fromkeys(SPRINGS, 1.0)
        return toe_and_camber(side, side, one, outer_share=self.outer_share)

    def _side(self, poses: Poses, solved: Solved, names: Collection[str]) -> Side:
        radius = self.car.attitude.loaded_radius_mm
        return side_of(poses, radius, self.behind_mm(solved), names)


def compliance_metrics(
    designs: Designs,
    solved: Solved,
    racks: Sequence[Rack],
    yielding: Yielding,
    joined: Column | None = None,
) -> dict[str, Array]:
    """The numbers of `metrics.compliance.NAMES` at rest, (N,) each."""
    parts = yielding.at_rest(designs, solved, racks, joined)
    rows = sum(parts.values(), np.zeros((len(NAMES), len(designs))))
    return dict(zip(NAMES, rows, strict=True))
