"""Second opinion: headline figures computed again with another library; what disagrees is withheld, both shown."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from workbench.errors import WorkbenchError
from workbench.estimate.aft import fit_time_ratios
from workbench.estimate.curves import survival_curve
from workbench.estimate.rank_tests import compare_groups
from workbench.estimate.shared import terms_of
from workbench.lives import Lives
from workbench.report.basis import Finding, SeasonData, with_levels
from workbench.report.words import id_words, shown_name

__all__ = ["NOT_CHECKED", "SecondOpinion", "opinion_findings", "second_opinions"]

CURVE_TOLERANCE = 1e-8
TEST_TOLERANCE = 1e-6
LIKELIHOOD_TOLERANCE = 1e-6
EARLIEST = 1e-6
"""Day put for 0 in the second program, which takes the logarithm of the lower end; nobody fails in that time."""

NOT_CHECKED = (
    "curves of failures known only as spans, with their limits (no second program handles them with late entry)",
    "score tests for spans and p values by permutation",
    (
        "shrunken and standardised figures of the ranking (the unshrunk model behind them is checked where it can be"
        " fitted)"
    ),
    "shares of mechanisms, plan of next season",
)
"""What no second program here computes in the same way."""

Opinion = tuple[float, float]
"""Our figure and the second one."""


@dataclass(frozen=True, kw_only=True)
class SecondOpinion:
    """One figure computed twice.

    Attributes
    ----------
    what : str
        The figure in words.
    ours, second : float
        NaN where it could not be computed.
    tolerance : float
        Largest difference allowed, relative to the larger of 1 and our figure.
    touches : tuple of str
        Beginnings of the ids of the findings that rest on it.
    reason : str
        Why there is no second figure; "" when there is one.
    """

    what: str
    ours: float
    second: float
    tolerance: float
    touches: tuple[str, ...]
    reason: str = ""

    @property
    def agrees(self) -> bool | None:
        """Whether both figures are the same within tolerance; None when there is no second figure."""
        if not (math.isfinite(self.ours) and math.isfinite(self.second)):
            return None
        return abs(self.ours - self.second) <= self.tolerance * max(1.0, abs(self.ours))


def second_opinions(data: SeasonData) -> list[SecondOpinion]:
    """Compute headline figures a second time."""
    checks = [_curve_check(data)]
    for column in data.choices():
        lives = with_levels(data.lives, column, data.levels(column))
        name = f"life.{id_words([column])[column]}"
        checks.append(_rank_check(lives, column, name))
    checks.append(_model_check(data))
    return checks


def opinion_findings(
    data: SeasonData, findings: Sequence[Finding], checks: Sequence[SecondOpinion] | None = None
) -> tuple[list[Finding], list[str]]:
    """Withhold findings that the second computation does not confirm, and report what was checked."""
    checks = second_opinions(data) if checks is None else list(checks)
    failed = [check for check in checks if check.agrees is False]
    sentences = [
        f"{check.what[0].upper()}{check.what[1:]}: the workbench computes {check.ours:.8g}, the second program "
        f"{check.second:.8g}; what rests on it is withheld"
        for check in failed
    ]
    touched = {prefix: check for check in failed for prefix in check.touches}
    kept: list[Finding] = []
    for finding in findings:
        hit = next((c for prefix, c in touched.items() if _rests_on(finding.id, prefix)), None)
        kept.append(finding if hit is None else _withheld(finding, hit))
    return [*kept, _report(checks)], sentences


def _rests_on(name: str, prefix: str) -> bool:
    return name == prefix or name.startswith((f"{prefix}.", f"{prefix}/"))


def _withheld(finding: Finding, check: SecondOpinion) -> Finding:
    return Finding(
        id=finding.id,
        kind="withheld",
        section=finding.section,
        order=finding.order,
        on_slide=finding.on_slide,
        statement=(
            f"This finding is withheld: two programs disagree on {check.what}. The workbench computes {check.ours:.8g},"
            f" the second program {check.second:.8g}."
        ),
        method=(
            f"Tolerance {check.tolerance:g}, relative. Report the log and both figures to whoever keeps the workbench."
        ),
    )


def _report(checks: Sequence[SecondOpinion]) -> Finding:
    done = [c for c in checks if c.agrees is not None]
    wrong = sum(c.agrees is False for c in done)
    result = "all agree" if not wrong else f"{wrong} disagree"
    counted = f"{len(done)} figures were computed a second time by another program; {result}."
    if len(done) == 1:
        counted = (
            f"One figure was computed a second time by another program; {'it agrees' if not wrong else 'it disagrees'}."
        )
    if not done:
        counted = "No figure could be computed a second time by another program."
    words = {True: "agrees", False: "disagrees", None: "not checked"}
    return Finding(
        id="appendix.checks",
        headline="Figures computed a second time",
        kind="check",
        section="appendix",
        order=3,
        statement=counted,
        estimate=len(done),
        unit="figures",
        method="lifelines is the second program; tolerances are relative to the larger of 1 and the figure.",
        caveats=("No second opinion on: " + "; ".join(NOT_CHECKED) + ".",),
        table={
            "figure": [c.what for c in checks],
            "workbench": [f"{c.ours:.6g}" if math.isfinite(c.ours) else "–" for c in checks],
            "second": [f"{c.second:.6g}" if math.isfinite(c.second) else "–" for c in checks],
            "tolerance": [f"{c.tolerance:g}" for c in checks],
            "result": [words[c.agrees] + (f": {c.reason}" if c.reason else "") for c in checks],
        },
    )


def _attempt(compute: Callable[[], Opinion]) -> tuple[float, float, str]:
    from lifelines.exceptions import ConvergenceError, StatError

    try:
        ours, second = compute()
    except WorkbenchError as error:
        return math.nan, math.nan, shown_name(error, 90)
    except (ConvergenceError, StatError, np.linalg.LinAlgError):
        return math.nan, math.nan, "the second program found no solution"
    if not math.isfinite(second):
        return ours, second, "the second program gives no number"
    return ours, second, ""


def _curve_check(data: SeasonData) -> SecondOpinion:
    what = "share of all units lasting the mission"
    touches = ("outcome.lasting", "outcome.missing")
    lives = data.lives
    if not lives.is_right_censored:
        reason = "failures lie in spans"
        return SecondOpinion(
            what=what, ours=math.nan, second=math.nan, tolerance=CURVE_TOLERANCE, touches=touches, reason=reason
        )

    def compute() -> Opinion:
        from lifelines import KaplanMeierFitter

        ours = survival_curve(lives).at(data.mission)["survival"].to_numpy(dtype=float)[0]
        fitter = KaplanMeierFitter()
        entry = lives.entry if (lives.entry > 0).any() else None
        fitter.fit(lives.time, lives.failed, entry=entry, weights=lives.weight.astype(float))
        return float(ours), float(fitter.predict(data.mission))

    ours, second, reason = _attempt(compute)
    return SecondOpinion(what=what, ours=ours, second=second, tolerance=CURVE_TOLERANCE, touches=touches, reason=reason)


def _rank_check(lives: Lives, column: str, name: str) -> SecondOpinion:
    what = f"log-rank statistic of {shown_name(column)}"
    reason = ""
    if not lives.is_right_censored:
        reason = "failures lie in spans"
    elif (lives.entry > 0).any():
        reason = "the second program takes no late entry here"
    if reason:
        return SecondOpinion(
            what=what, ours=math.nan, second=math.nan, tolerance=TEST_TOLERANCE, touches=(name,), reason=reason
        )

    def compute() -> Opinion:
        from lifelines.statistics import multivariate_logrank_test

        ours = compare_groups(lives, column).statistic
        groups = lives.covariates[column].astype(str).to_numpy()
        second = multivariate_logrank_test(lives.time, groups, lives.failed, weights=lives.weight)
        return float(ours), float(second.test_statistic)

    ours, second, reason = _attempt(compute)
    return SecondOpinion(what=what, ours=ours, second=second, tolerance=TEST_TOLERANCE, touches=(name,), reason=reason)


def _model_check(data: SeasonData) -> SecondOpinion:
    what = "log-likelihood of the unshrunk model of all choices"
    columns = [c for c in (*data.choices(), "environment") if c in data.lives.covariates]

    def compute() -> Opinion:
        lives = _with_common_levels(data, columns)
        ours = fit_time_ratios(lives, columns)
        lost = np.isnan(ours.columns["log_time_ratio"])
        if lost.any():  # levels without failures: their lives add nothing to the likelihood in that limit
            for term, level in zip(ours.columns["term"][lost], ours.columns["level"][lost], strict=True):
                lives = lives.take((lives.covariates[term].astype(str) != level).to_numpy())
            kept = [c for c in columns if lives.covariates[c].nunique() > 1]
            ours, columns[:] = fit_time_ratios(_without_unused(lives), kept), kept
        if not np.all(np.isfinite(ours.columns["log_time_ratio"])):
            return math.nan, math.nan
        return float(ours.log_likelihood), _second_likelihood(lives, columns)

    ours, second, reason = _attempt(compute) if columns else (math.nan, math.nan, "no choice can be compared")
    if not reason and not math.isfinite(ours):
        reason = "some levels have no finite estimate without shrinkage"
    return SecondOpinion(
        what=what, ours=ours, second=second, tolerance=LIKELIHOOD_TOLERANCE, touches=("ranking",), reason=reason
    )


def _with_common_levels(data: SeasonData, columns: Sequence[str]) -> Lives:
    """Lives after day 0 whose levels enough units carry: without shrinkage a rare level has no finite estimate."""
    common = data.lives.time > 0
    for column in columns:
        values = data.lives.covariates[column]
        common &= (values.isna() | values.astype(str).isin(data.levels(column))).to_numpy()
    return _without_unused(data.lives.take(common))


def _without_unused(lives: Lives) -> Lives:
    covariates = lives.covariates.copy()
    for column in covariates:
        if isinstance(covariates[column].dtype, pd.CategoricalDtype):
            covariates[column] = covariates[column].cat.remove_unused_categories()
    return lives.replace(covariates=covariates)


def _second_likelihood(lives: Lives, columns: Sequence[str]) -> float:
    """Maximise with the other library from its own start."""
    import warnings

    from lifelines import WeibullAFTFitter

    lower = np.maximum(lives.lower, EARLIEST)
    frame = pd.DataFrame({"lower": lower, "upper": lives.upper, "weight": lives.weight.astype(float)})
    for term in terms_of(lives, list(columns)):
        for number in range(1, len(term.rows) + 1):
            values = term.values if term.codes is None else (term.codes == number).astype(float)
            frame[f"row{len(frame.columns):03d}"] = values
    late = bool((lives.entry > 0).any())
    if late:
        frame["entry"] = lives.entry
    fitter = WeibullAFTFitter()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its advice on dummy columns and rescaling is no concern of the reader
        fitter.fit_interval_censoring(
            frame,
            lower_bound_col="lower",
            upper_bound_col="upper",
            weights_col="weight",
            entry_col="entry" if late else None,
        )
    return float(fitter.log_likelihood_)
