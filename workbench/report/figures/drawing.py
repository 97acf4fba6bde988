"""Drawing: any result in, axes out; each result class has one drawing function in the registry below."""

import textwrap
from importlib import import_module
from typing import TYPE_CHECKING, Any

from workbench.errors import UsageError

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["DRAWN_BY", "draw"]

LABEL_WIDTH = 56
"""Characters on a line of an axis label."""

DRAWN_BY = {
    "Agreement": "inside.draw_agreement",
    "CumulativeIncidence": "teardown.draw_incidence",
    "Dots": "dots.draw_dots",
    "DistributionFit": "fits.draw_distribution",
    "EndsOfUnits": "teardown.draw_ends",
    "EvidenceMatrix": "teardown.draw_evidence",
    "GroupComparison": "curves.draw_comparison",
    "HazardRatios": "fits.draw_hazard_ratios",
    "ImputedIncidence": "inside.draw_imputed",
    "InsideCondition": "inside.draw_inside",
    "MeanCumulativeCount": "recurrence.draw_mean_count",
    "MechanismShapes": "inside.draw_shapes",
    "MechanismSuggestions": "inside.draw_suggestions",
    "MissionSkill": "calibration.draw_mission_skill",
    "Places": "stacks.draw_places",
    "Overlap": "ranking.draw_overlap",
    "Photographs": "photographs.draw_photographs",
    "Proportionality": "recurrence.draw_proportionality",
    "Ranking": "ranking.draw_ranking",
    "RestrictedMeans": "curves.draw_restricted_means",
    "SeasonPlan": "planning.draw_plan",
    "Stacks": "stacks.draw_stacks",
    "SurvivalCurve": "curves.draw_curve",
    "TimeRatios": "fits.draw_time_ratios",
    "Timeline": "timeline.draw_timeline",
    "TippingPoint": "ranking.draw_tipping",
    "TrialPlan": "planning.draw_trial",
}
"""Name of a result class: module and function in this package, called as function(result, ax, **options)."""


def draw(result: Any, ax: "Axes | None" = None, **options: Any) -> "Axes":
    """Draw any result in the house style.

    Parameters
    ----------
    result : Result
        What an estimate returned.
    ax : matplotlib Axes, optional
        Where to draw; new axes of the session when not given.
    **options
        Passed to the drawing function of the result's class, such as title or mission.

    Returns
    -------
    matplotlib Axes
        The axes drawn on.

    Raises
    ------
    UsageError
        If nothing is known to draw such a result; lists what can be drawn.
    """
    for kind in type(result).__mro__:
        if kind.__name__ in DRAWN_BY:
            break
    else:
        raise UsageError(f"draw() takes {', '.join(sorted(DRAWN_BY))}; got {type(result).__name__}")
    from workbench.report.figures.style import new_axes, theme

    module, function = DRAWN_BY[kind.__name__].split(".")
    drawing = getattr(import_module(f"{__package__}.{module}"), function)
    with theme():
        target = new_axes(shown=True) if ax is None else ax
        drawing(result, target, **options)
        # the layout makes no room for the width of a label along the axis
        target.set_xlabel(textwrap.fill(target.get_xlabel(), LABEL_WIDTH, break_on_hyphens=False))
    return target
