"""Eigenvalues of symmetric matrices: numpy's where it has them, QR iteration where it gives up."""

import numpy as np
import pytest

from workbench.estimate.shared.eigen import eigen_of


@pytest.mark.parametrize("shape", [(4, 4), (3, 4, 4), (2, 3, 5, 5), (0, 4, 4)])
def test_matrices_on_which_the_fast_method_gives_up_are_taken_apart_by_the_sure_one(monkeypatch, shape):
    half = np.random.default_rng(1).normal(size=shape)
    matrices = half + np.swapaxes(half, -1, -2)
    fast = eigen_of(matrices)

    def gives_up(_):
        raise np.linalg.LinAlgError("Eigenvalues did not converge")

    monkeypatch.setattr(np.linalg, "eigh", gives_up)
    values, vectors = eigen_of(matrices)
    np.testing.assert_allclose(values, fast[0], atol=1e-12)
    np.testing.assert_allclose(vectors @ (values[..., None] * np.swapaxes(vectors, -1, -2)), matrices, atol=1e-12)
