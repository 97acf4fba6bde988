"""Many units change places bin by bin: the same distribution as moving every unit."""

import numpy as np
import pytest

from workbench.estimate.rank_tests import permutation_tests as tests


def units_of(scores, groups):
    n = len(scores)
    one = np.ones(n, dtype=np.int64)
    labels = tuple("abc"[: groups.max() + 1])
    return tests.exchangeable_units(
        scores, one, groups, strata=np.zeros(n, dtype=np.int64), cluster=None, labels=labels, single=True
    )


def test_sums_by_bins_have_the_permutation_mean_and_variance():
    rng = np.random.default_rng(4)
    units = units_of(1.0 - rng.exponential(size=5_000), rng.choice(3, 5_000, p=[0.6, 0.399, 0.001]))
    block = tests._Block.of(units, slice(0, 5_000))
    assert block.is_large
    sums = np.concatenate([block.sums(200, rng) for _ in range(30)])
    variance = tests.permutation_variance(units)
    np.testing.assert_allclose(sums.sum(axis=1), 0.0, atol=1e-8)
    np.testing.assert_allclose(sums.mean(axis=0) / np.sqrt(np.diag(variance)), 0.0, atol=0.06)
    np.testing.assert_allclose(
        np.cov(sums.T) / np.sqrt(np.outer(*[np.diag(variance)] * 2)), _correlation(variance), atol=0.07
    )


def _correlation(variance):
    sd = np.sqrt(np.diag(variance))
    return variance / np.outer(sd, sd)


def test_p_by_bins_is_the_exact_p(monkeypatch):
    rng = np.random.default_rng(7)
    groups = np.repeat([0, 1], [5, 7])
    units = units_of(rng.normal(size=12) + 0.9 * groups, groups)
    white = np.eye(2)
    monkeypatch.setattr(tests, "_MANY", 4)
    found = tests.permutation_p(units, white, 9_999, seed=1)
    assert found == pytest.approx(tests.exact_p(units, white), abs=0.015)
