"""Exchange with lifelines' columns and scikit-survival's structured arrays: round trips, use, and errors."""

import numpy as np
import pandas as pd
import pytest

from workbench.errors import LivesError, UsageError
from workbench.estimate.distributions import fit_distribution
from workbench.estimate.exchange import (
    lives_from_columns,
    lives_from_structured,
    lives_to_columns,
    lives_to_structured,
)
from workbench.lives import Lives


def _lives(**kwargs):
    covariates = {"lid_seal": ["cord", "o-ring", "cord", "tape"]}
    return Lives.from_arrays([5, 8, 8, 12], [1, 0, 1, 1], covariates=covariates, **kwargs)


def _same(a, b):
    for name in ("entry", "lower", "upper", "weight"):
        np.testing.assert_array_equal(getattr(a, name), getattr(b, name))
    pd.testing.assert_frame_equal(a.covariates, b.covariates)
    assert (a.cluster is None) == (b.cluster is None)


def test_columns_there_and_back():
    lives = _lives(entry=[0, 2, 0, 4], weight=[1, 2, 1, 3], cluster=["a", "a", "b", "c"])
    frame = lives_to_columns(lives)
    assert list(frame.columns) == ["duration", "event", "entry", "weights", "cluster", "lid_seal"]
    back = lives_from_columns(frame, "duration", "event", entry="entry", weights="weights", cluster="cluster")
    _same(lives, back)
    frame.loc[0, "duration"] = 99
    assert lives.lower[0] == 5


def test_bounds_there_and_back():
    lives = Lives.from_arrays(lower=[0, 3, 4], upper=[2, np.inf, 4], covariates={"x": [1.0, 2, 3]})
    frame = lives_to_columns(lives)
    assert list(frame.columns) == ["lower_bound", "upper_bound", "entry", "weights", "x"]
    back = lives_from_columns(
        frame, lower_bound="lower_bound", upper_bound="upper_bound", entry="entry", weights="weights"
    )
    _same(lives, back)


def test_lifelines_fits_the_columns_as_they_are():
    import lifelines

    rng = np.random.default_rng(0)
    life = 50 * rng.weibull(1.4, 120)
    lower = np.floor(life / 7) * 7
    lives = Lives.from_arrays(lower=np.minimum(lower, 70), upper=np.where(life < 70, lower + 7, np.inf))
    frame = lives_to_columns(lives)
    other = lifelines.WeibullFitter().fit_interval_censoring(frame["lower_bound"], frame["upper_bound"])
    ours = fit_distribution(lives)
    assert ours.parameters["shape"] == pytest.approx(other.rho_, rel=1e-4)
    assert ours.parameters["scale"] == pytest.approx(other.lambda_, rel=1e-4)


def test_structured_arrays_there_and_back():
    lives = _lives(weight=[1, 2, 1, 1])
    outcome = lives_to_structured(lives)
    assert outcome.dtype.names == ("event", "time")
    assert outcome["time"].tolist() == [5, 8, 8, 8, 12]
    assert outcome["event"].tolist() == [True, False, False, True, True]
    back = lives_from_structured(outcome)
    assert back.units == lives.units
    np.testing.assert_array_equal(back.time, outcome["time"])
    whole_days = np.array([(True, 3), (False, 4)], dtype=[("died", "?"), ("days", "i8")])
    assert lives_from_structured(whole_days, entry=[0, 1], covariates=pd.DataFrame({"x": [1, 2]})).failures == 1


def test_errors_say_what_to_do():
    frame = lives_to_columns(_lives())
    with pytest.raises(UsageError, match="unknown column 'durations'; did you mean 'duration'"):
        lives_from_columns(frame, "durations", "event")
    with pytest.raises(UsageError, match="name either duration and event, or lower_bound and upper_bound"):
        lives_from_columns(frame, "duration")
    with pytest.raises(LivesError, match=r"row 1: weight is 0\.5"):
        lives_from_columns(frame.assign(weights=[1, 0.5, 1, 1]), "duration", "event", weights="weights")
    with pytest.raises(UsageError, match="unknown covariate 'seal'"):
        lives_to_columns(_lives(), ["seal"])
    clash = _lives().replace(covariates=pd.DataFrame({"event": [1, 2, 3, 4]}))
    with pytest.raises(LivesError, match="covariate 'event' has the name of a column"):
        lives_to_columns(clash)
    with pytest.raises(LivesError, match="row 1: a structured array holds exact and suspended lives"):
        lives_to_structured(Lives.from_arrays(lower=[2, 2], upper=[2, 5]))
    with pytest.raises(LivesError, match=r"row 0.*entry 1"):
        lives_to_structured(Lives.from_arrays([2, 3], [1, 1], entry=[1, 0]))
    for wrong in (np.array([1.0, 2.0]), np.array([(1, 3.0)], dtype=[("event", "i8"), ("time", "f8")])):
        with pytest.raises(LivesError, match="structured array of a boolean and a number field"):
            lives_from_structured(wrong)
