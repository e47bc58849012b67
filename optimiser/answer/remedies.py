"""What would make a failing rack work outside the study: another arm height, a shorter arm.

Which spacing, spacers or travel would do is another matter, see `break_even_words`. The ideal inner
joint says where to look: it gives the places where the spacing that the rack has is the ideal one.
Every number in a sentence is then that of `Problem.evaluate` for the very lengths that the sentence
names, everything else as in the rack's design; the sentence says which limits it breaks and which
keys of the study keep it out. Nothing is optimised again here: that another remedy is not named
does not mean that there is none.

Two words for the steering arm, here as in the `heights` question: an arm that *follows the rack*
keeps its drawn height over it; one that is *free in height* does not.
"""

from __future__ import annotations

import math
import shlex
from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.bolting_remedies import bolting_rescues
from optimiser.answer.held import held
from optimiser.evaluation.designs import (
    ALL_VARIABLES,
    JUDGED,
    Designs,
    FollowsRack,
    Range,
    allows,
    ends,
)
from optimiser.evaluation.quantities import amount, limit_words, quantity, said
from optimiser.metrics.ideal import solve_for_spacing

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import ArrayLike

    from optimiser.evaluation.designs import Choice, Evaluation
    from optimiser.evaluation.problem import Problem

_NEAR_MM = 1.0
# The search for another arm height looks this far beyond both ball joints.
_BEYOND_MM = 20.0
_SHORTEST_ARM = 0.5  # of the arm that does not reach
_AROUND_MM = 100.0  # heights to look at on both sides of one that the study fixes


def rescues(problem: Problem, design: Designs, numbers: dict[str, float | None]) -> Iterator[str]:
    """Sentences for one rack's best design (a batch of one), most direct first.

    `numbers` holds at least `rack_needed_mm` and `bump_steer_deg` of the design.
    """
    rack = problem.racks[int(design.rack[0])]
    needed = numbers.get("rack_needed_mm")
    usable = rack.travel_each_way_mm - problem.limits.rack_travel_margin_mm
    if needed is not None and needed > usable:
        yield from _shorter_arm(problem, design, usable)
    yield from bolting_rescues(problem, design)
    bump = numbers.get("bump_steer_deg")
    found: list[str] = []
    if bump is not None and bump > problem.acceptable[0]:
        found = list(_other_arm_heights(problem, design))
        yield from found
    if not found:
        yield from _not_searched(problem, rack.name)


def _shorter_arm(problem: Problem, design: Designs, usable: float) -> Iterator[str]:
    """The longest arm, in whole mm, that needs no more than `usable` of rack displacement."""
    arm = float(design.column("arm_length_mm")[0])
    lengths = np.arange(np.ceil(arm) - 1.0, _SHORTEST_ARM * arm, -1.0)
    tried = _changed(design, {"arm_length_mm": lengths})
    outcome = problem.evaluate(tried)
    reaching = np.flatnonzero(outcome.metrics["rack_needed_mm"] <= usable)
    if len(reaching):
        first = int(reaching[0])
        yield (
            f"steering arms {lengths[first]:.0f} mm long instead of {arm:.0f} mm would reach the "
            f"lock with its travel, at {_judged(problem, outcome, first)}; shorter arms raise the "
            f"rod force and the toe per mm of play{_kept_out(problem, tried, first)}"
        )


def _other_arm_heights(problem: Problem, design: Designs) -> Iterator[str]:
    """The places where the spacing that the rack has is the ideal one."""
    points, rack = problem.points, problem.racks[int(design.rack[0])]
    low = float(points.lower_ball_joint[2]) - _BEYOND_MM
    high = float(points.upper_ball_joint[2]) + _BEYOND_MM
    found = solve_for_spacing(
        points,
        rack.inner_joint_spacing_mm + 2.0 * float(design.column("spacer_mm")[0]),
        float(design.column("rack_fore_aft_mm")[0]),
        float(design.column("arm_length_mm")[0]),
        np.radians(float(design.column("arm_angle_deg")[0])),
        ahead=problem.arm_ahead,
        height_range_mm=(low, high),
        travel_mm=problem.travel.grid(),
        attitude=problem.car.attitude,
        wanted=problem.steering.wanted_toe,
    ).line
    arms = np.round(np.atleast_1d(found.arm_height_mm), 1)
    heights = np.round(np.atleast_1d(found.joint.rack_height_mm), 1)
    known = np.isfinite(arms) & np.isfinite(heights)
    arms, heights = arms[known], heights[known]
    if not len(arms):
        return
    tried = _changed(design, {"arm_height_mm": arms, "rack_height_mm": heights})
    outcome = problem.evaluate(tried)
    arm_now, rack_now = (
        float(design.column(name)[0]) for name in ("arm_height_mm", "rack_height_mm")
    )
    for index, (arm, height) in enumerate(zip(arms.tolist(), heights.tolist(), strict=True)):
        toe = outcome.metrics["bump_steer_deg"][index]
        if abs(arm - arm_now) > _NEAR_MM and toe <= problem.acceptable[0]:
            yield (
                f"with the arm free in height, at {amount('arm_height_mm', arm)} "
                f"({_moved(arm - arm_now)}), the rack at {amount('rack_height_mm', height)} "
                f"({_moved(height - rack_now)}) and the same spacers it would have "
                f"{_judged(problem, outcome, index)}{_kept_out(problem, tried, index)}"
            )


def _moved(by: float) -> str:
    return f"{abs(by):.1f} lower" if by < 0.0 else f"{by:.1f} higher"


def _not_searched(problem: Problem, rack: str) -> Iterator[str]:
    """What of the arm's height the study keeps from the search, and the question that asks it."""
    choice = problem.space["arm_height_mm"]
    if isinstance(choice, FollowsRack) or ends(choice)[0] == ends(choice)[1]:
        yield (
            "a steering arm free in height was not searched: "
            f"{key_words('arm_height_mm', choice)}; {_heights_command(problem, rack)} frees it"
        )


def _changed(design: Designs, columns: dict[str, ArrayLike]) -> Designs:
    """The design again with other values (n,) of some variables."""
    given = {name: np.asarray(values, float) for name, values in columns.items()}
    count = len(next(iter(given.values())))
    values = np.repeat(design.values, count, axis=0)
    for name, column in given.items():
        values[:, ALL_VARIABLES.index(name)] = column
    return Designs(np.repeat(design.rack, count), values)


def _judged(problem: Problem, outcome: Evaluation, index: int) -> str:
    """Bump steer and Ackermann error of a design, which is too much, and the limits it breaks."""
    bump, error = (
        float(outcome.metrics[name][index]) for name in ("bump_steer_deg", "ackermann_error_deg")
    )
    parts = [said("bump_steer_deg", bump), said("ackermann_error_deg", error)]
    for at, (value, most) in enumerate(zip((bump, error), problem.acceptable, strict=True)):
        if not value <= most:
            parts[at] += f" (above the {most:g} accepted)"
    names = zip(problem.constraint_names, outcome.constraints[index], strict=True)
    broken = [limit_words(name) for name, excess in names if not excess <= 0.0]
    others = [found for found in held(problem, outcome, index) if found.one.name not in JUDGED]
    for found in others:
        if not found.kept:
            way = "below" if found.at_least else "above"
            text = said(found.one.name, found.value)
            parts.append(f"{text} ({way} the {found.accepted:g} accepted)")
    text = " and ".join(parts) + (f", breaking {', '.join(broken)}" if broken else "")
    enough = not broken and bump <= problem.acceptable[0] and error <= problem.acceptable[1]
    enough = enough and all(found.kept for found in others)
    return text if enough else f"{text}, so by itself it is not enough"


# --- what of the study stands in the way ---------------------------------------------------------


def _kept_out(problem: Problem, tried: Designs, index: int) -> str:
    """The keys of the study that keep a design out, and the command that shows it."""
    values = {name: float(tried.column(name)[index]) for name in problem.variables}
    rack = problem.racks[int(tried.rack[index])].name
    outside = [name for name in problem.variables if not _allowed(problem, name, values)]
    keys = [key_words(name, problem.space[name]) for name in outside]
    shown = all(_freed(name, problem.space[name]) for name in outside)
    longest = problem.limits.spacer_max_mm
    if longest is not None and values["spacer_mm"] > longest:
        keys.append(f"[limits] spacer_max_mm is {longest:g} mm")
        shown = False
    if not keys:
        return ""
    command = (
        f"{_heights_command(problem, rack, values['rack_height_mm'])} shows it"
        if shown
        else "optimiser run STUDY with that widened searches it"
    )
    return f"; outside the study: {', '.join(keys)}; {command}"


def _freed(name: str, choice: Choice) -> bool:
    """Whether the `heights` question lets a variable go where the study does not."""
    fixed = isinstance(choice, FollowsRack) or ends(choice)[0] == ends(choice)[1]
    if name == "spacer_mm":
        return fixed or isinstance(choice, Range)
    return name == "rack_height_mm" or (name == "arm_height_mm" and fixed)


def _allowed(problem: Problem, name: str, values: dict[str, float]) -> bool:
    choice = problem.space[name]
    if isinstance(choice, FollowsRack):
        follows = values["rack_height_mm"] + choice.offset_mm
        return abs(values[name] - follows) <= _NEAR_MM
    return bool(allows(choice, values[name]))


def key_words(name: str, choice: Choice) -> str:
    """A key of [search.vary] and what it says."""
    if isinstance(choice, FollowsRack):
        text = '= "follows rack" keeps its drawn height over the rack'
    elif isinstance(choice, Range):
        text = f"is {choice.low:g} to {choice.high:g} {quantity(name).unit}"
    elif len(choice.values) == 1:
        text = f"fixes it at {choice.values[0]:g} {quantity(name).unit}"
    else:
        text = f"is {', '.join(f'{v:g}' for v in choice.values)} {quantity(name).unit}"
    return f"[search.vary] {name} {text}"


def _heights_command(problem: Problem, rack: str, height_mm: float | None = None) -> str:
    """`optimiser heights` for this rack, over the heights of the study and `height_mm`."""
    low, high = ends(problem.space["rack_height_mm"])
    text, fixed = f"optimiser heights STUDY --rack {shlex.quote(rack)}", low == high
    if fixed:
        low, high = max(0.0, low - _AROUND_MM), high + _AROUND_MM
    at = low if height_mm is None else height_mm
    if fixed or at < low:
        text += f" --from {math.floor(min(low, at))}"
    if fixed or at > high:
        text += f" --to {math.ceil(max(high, at))}"
    return text
