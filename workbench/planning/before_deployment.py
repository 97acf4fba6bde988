"""Which checks should every unit, or the lot, pass before it goes out?"""

from dataclasses import dataclass

import numpy as np

from workbench.checks import check_confidence, check_whole
from workbench.estimate.life import fit_distribution
from workbench.lives import Lives
from workbench.planning.demonstration import units_to_demonstrate
from workbench.planning.seen_shape import LEAST_FAILURES
from workbench.results import Result

__all__ = ["PreChecks", "plan_checks"]


@dataclass(frozen=True, kw_only=True, eq=False)
class PreChecks(Result):
    """The checks before deployment; table: check units how why source.

    `soak` says whether early failures ask for the soak: "called for" (limits of the shape below 1), "cannot be ruled
    out" (limits hold 1, or too few failures to tell) or "not called for" (limits above 1).
    """

    soak: str
    lot: int


def plan_checks(lives: Lives, *, units: int, reliability: float = 0.9, confidence: float = 0.9) -> PreChecks:
    """Return the leak test, the logging soak and the acceptance of the lot, and what the season says about each."""
    units = check_whole("units", units, least=1)
    lot = units_to_demonstrate(check_confidence(reliability, "reliability"), check_confidence(confidence))
    soak, why = _soak(lives)
    rows = [
        (
            "leak test",
            units,
            "Close as for the field. Warm the enclosure, then lay it in cool water: air must not bubble out, water must"
            " not be drawn in. Or draw a few kPa of vacuum, cells out, behind a shield: it must hold.",
            "It finds the pinched seal and the loose gland while they can still be put right.",
            "vacuum decay: IEC 60068-2-17 test Q; warm enclosure in cool water: common practice, no source",
        ),
        (
            "logging soak",
            units if soak != "not called for" else 0,
            "Let it log 48 to 72 hours, closed, through some temperature cycles of the season (cold night to warm day);"
            " read the record, then open and look for damp.",
            why,
            "IEC 61163-1 (reliability stress screening); the hours are common practice, no source",
        ),
        (
            "acceptance of the lot",
            min(lot, units),
            f"Let {lot} units drawn at random stand a test that stands for the mission; accept the lot if none fails.",
            f"{lot} tested and none failed shows {100 * reliability:g} % at {100 * confidence:g} % confidence."
            + ("" if lot <= units else f" The lot of {units} is too small to show that."),
            "success-run theorem, exact binomial",
        ),
    ]
    names = ("check", "units", "how", "why", "source")
    return PreChecks(
        columns={
            name: np.array([row[i] for row in rows], dtype=np.int64 if name == "units" else object)
            for i, name in enumerate(names)
        },
        soak=soak,
        lot=lot,
        notes=("A test on new, dry, still units says nothing about salt, sun and wear of the season.",),
    )


def _soak(lives: Lives) -> tuple[str, str]:
    if lives.failures < LEAST_FAILURES:
        return "cannot be ruled out", f"{lives.failures} failures are too few to show whether early ones weigh most."
    shape = fit_distribution(lives).table.set_index("parameter").loc["shape"]
    if not np.isfinite(shape[["estimate", "lower", "upper"]].to_numpy(dtype=float)).all():
        return "cannot be ruled out", "The lives tell no shape, so early failures cannot be ruled out."
    limits = f"shape {shape['estimate']:.2f}, limits {shape['lower']:.2f} to {shape['upper']:.2f}"
    if shape["upper"] < 1:
        return "called for", f"Early failures weigh most ({limits}): a soak brings them to the bench."
    if shape["lower"] > 1:
        return "not called for", f"Failures grow with age ({limits}): a soak would find few of them."
    return "cannot be ruled out", f"Early failures cannot be ruled out ({limits})."
