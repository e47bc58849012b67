"""How exactly the steering must be made: build tolerances, sensitivities and bands.

`draws` says what can be off and draws cars, `built` makes corners of them with toe reset, `spread`
judges them by the full kernel, `linear` many designs to first order, `sensitivity` names what
matters most, `bands` asks how far one dimension alone may be off, `after_shims` what is left once
the rack of a built car is shimmed by readings of its toe; `shims` has the lever of the brackets.
"""

from optimiser.metrics.tolerance.after_shims import bump_after_shims
from optimiser.metrics.tolerance.bands import (
    ADJUSTMENTS,
    Adjustment,
    Band,
    ShimTable,
    accuracy_bands,
    adjusted_corner,
    shim_table,
)
from optimiser.metrics.tolerance.built import AsBuilt, build_corner, set_rod_length, set_toe
from optimiser.metrics.tolerance.draws import (
    DIMENSIONS,
    NAMES,
    Cars,
    Dimension,
    Tolerances,
    draw_cars,
)
from optimiser.metrics.tolerance.linear import Percentiles, linear_percentiles
from optimiser.metrics.tolerance.sensitivity import (
    Importance,
    Sensitivities,
    importance_table,
    matters_most,
    sensitivities,
)
from optimiser.metrics.tolerance.spread import (
    PERCENTILE,
    CarCurves,
    Conditions,
    Spread,
    built_cars,
    percentile,
    percentile_error,
    solve_cars,
    tolerance_spread,
)

__all__ = [
    "ADJUSTMENTS",
    "DIMENSIONS",
    "NAMES",
    "PERCENTILE",
    "Adjustment",
    "AsBuilt",
    "Band",
    "CarCurves",
    "Cars",
    "Conditions",
    "Dimension",
    "Importance",
    "Percentiles",
    "Sensitivities",
    "ShimTable",
    "Spread",
    "Tolerances",
    "accuracy_bands",
    "adjusted_corner",
    "build_corner",
    "built_cars",
    "bump_after_shims",
    "draw_cars",
    "importance_table",
    "linear_percentiles",
    "matters_most",
    "percentile",
    "percentile_error",
    "sensitivities",
    "set_rod_length",
    "set_toe",
    "shim_table",
    "solve_cars",
    "tolerance_spread",
]
