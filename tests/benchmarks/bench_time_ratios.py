"""Time ratios against lifelines: one fit from arrays, a thousand resampled fits, and single calls at field size."""

import numpy as np
import pandas as pd

from tests.benchmarks.task import Task
from workbench.estimate.aft.time_ratios import fit_time_ratios
from workbench.estimate.life.distributions import fit_distribution
from workbench.estimate.likelihood import AftProblem, fit_batch
from workbench.lives import Lives

__all__ = ["TASKS"]

LEVELS = {
    "lid_seal": "abcdef",
    "environment": "uvwxyz",
    "batch": "1234",
    "vent": "yn",
    "board": "pqrs",
    "firmware": "mno",
}
EFFECTS = (0.1, -0.08, 0.05, 0.2, 0.1, -0.1)


def _field(n: int) -> dict:
    rng = np.random.default_rng(n)
    codes = {name: rng.integers(0, len(levels), n) for name, levels in LEVELS.items()}
    frame = pd.DataFrame({name: np.array([*LEVELS[name]], dtype=object)[codes[name]] for name in LEVELS})
    effect = sum(codes[name] * e for name, e in zip(LEVELS, EFFECTS, strict=True))
    life, left = np.ceil(200 * np.exp(effect) * rng.weibull(1.4, n)), rng.integers(60, 181, n)
    dummies = pd.get_dummies(frame, drop_first=True, dtype=float)
    time, failed = np.minimum(life, left).astype(float), life <= left
    table = dummies.assign(time=time, failed=failed)
    return {"time": time, "failed": failed, "frame": frame, "table": table, "lives": _lives(time, failed, frame)}


def _lives(time: np.ndarray, failed: np.ndarray, frame: pd.DataFrame) -> Lives:
    return Lives.from_arrays(time, failed, covariates=frame)


def _ratios(lives: Lives) -> np.ndarray:
    fit = fit_time_ratios(lives, list(LEVELS))
    return np.r_[fit.intercept, fit.columns["log_time_ratio"], fit.columns["std_error"], fit.scale, fit.log_likelihood]


def _ratios_by_lifelines(data: dict) -> np.ndarray:
    from lifelines import WeibullAFTFitter

    # the tolerance that brings its answer to six digits
    fit = WeibullAFTFitter(fit_intercept=True).fit(data["table"], "time", "failed", fit_options={"ftol": 1e-12})
    effects = fit.params_["lambda_"].drop("Intercept")
    errors = fit.standard_errors_["lambda_"].drop("Intercept")
    order = [c for c in data["table"].columns if c in effects.index]
    scale = np.exp(-fit.params_["rho_"].iloc[0])
    intercept = fit.params_["lambda_"]["Intercept"]
    return np.r_[intercept, effects[order], errors[order], scale, fit.log_likelihood_]


def _resampled(repeats: int) -> dict:
    rng = np.random.default_rng(7)
    n, k = 400, 17
    X = (rng.random((n, k)) < 0.3).astype(float)
    life = np.ceil(150 * np.exp(X @ rng.normal(0, 0.3, k)) * rng.weibull(1.5, n))
    time, failed = np.minimum(life, 180.0), life <= 180
    return {"X": X, "time": time, "failed": failed, "weights": rng.gamma(1.0, size=(repeats, n))}


def _resampled_fits(data: dict) -> np.ndarray:
    upper = np.where(data["failed"], data["time"], np.inf)
    problem = AftProblem.build(data["time"], upper, np.zeros(len(upper)), columns=data["X"])
    fits = fit_batch(problem, data["weights"])
    assert fits.converged.all()
    return np.column_stack([fits.coefficients, fits.intercept, fits.scale]).ravel()


def _resampled_by_lifelines(data: dict) -> np.ndarray:
    import warnings

    from lifelines import WeibullAFTFitter

    table = pd.DataFrame(data["X"], columns=[f"x{j:02d}" for j in range(data["X"].shape[1])])
    table = table.assign(time=data["time"], failed=data["failed"])
    answers = []
    for weight in data["weights"]:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # weights that are no whole numbers
            fit = WeibullAFTFitter().fit(table.assign(w=weight), "time", "failed", weights_col="w")
        effects = fit.params_["lambda_"]
        answers.append(np.r_[effects.drop("Intercept"), effects["Intercept"], np.exp(-fit.params_["rho_"].iloc[0])])
    return np.concatenate(answers)


def _weibull(lives: Lives) -> np.ndarray:
    fit = fit_distribution(lives)
    return np.r_[fit.parameters["shape"], fit.parameters["scale"], fit.log_likelihood]


def _weibull_by_lifelines(data: dict) -> np.ndarray:
    from lifelines import WeibullFitter

    fit = WeibullFitter().fit(data["time"], data["failed"])
    return np.r_[fit.rho_, fit.lambda_, fit.log_likelihood_]


_RATIO_WAYS = {
    "ours, building counted": lambda d: _ratios(_lives(d["time"], d["failed"], d["frame"])),
    "ours": lambda d: _ratios(d["lives"]),
    "lifelines": _ratios_by_lifelines,
}
_RATIOS_IN_R = """
    seconds <- system.time(fit <- survreg(Surv(time, failed) ~ lid_seal + environment + factor(batch) + vent +
        board + firmware, data))[['elapsed']]
    k <- length(coef(fit))
    answer <- c(coef(fit), sqrt(diag(vcov(fit)))[2:k], fit$scale, fit$loglik[2])
"""


def _for_r(data: dict) -> pd.DataFrame:
    return data["frame"].assign(time=data["time"], failed=data["failed"].astype(int))


TASKS = [
    Task(
        name=f"Weibull time ratios, 6 terms{label}",
        sizes=(size,),
        make=_field,
        ways=_RATIO_WAYS,
        bar={"ours, building counted": bar},
        repeats=5,
        r_script=_RATIOS_IN_R,
        r_data=_for_r,
        is_quick=True,
    )
    for label, size, bar in ((" (field)", 400, 1.0), (" (fleet)", 100_000, 20.0))
] + [
    Task(
        name="resampled Weibull fits, 17 columns, n = 400",
        sizes=(1000,),
        make=_resampled,
        ways={"ours": _resampled_fits, "lifelines": _resampled_by_lifelines},
        bar={"ours": 500.0},
        repeats=1,
    ),
    Task(
        name="Weibull fit without terms",
        sizes=(400, 100_000),
        make=_field,
        ways={"ours": lambda d: _weibull(d["lives"]), "lifelines": _weibull_by_lifelines},
        bar={"ours": 1.0},
        repeats=5,
    ),
]
"""What is timed here."""
