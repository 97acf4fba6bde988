"""Eigenvalues of symmetric matrices: numpy's where it has them, QR iteration where it gives up."""

import numpy as np
import pytest

from workbench.estimate.shared.eigen import eigen_of, symmetric_root


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


def test_the_root_of_a_covariance_is_one_and_the_same_however_its_axes_are_found():
    """Equal eigenvalues leave eigenvectors free to turn: the symmetric root must not turn with them."""
    turn = np.linalg.qr(np.random.default_rng(0).normal(size=(5, 5)))[0]
    matrix = (turn * np.array([4.0, 4.0, 4.0, 1.0, 0.0])) @ turn.T
    root = symmetric_root(matrix)
    np.testing.assert_allclose(root @ root, matrix, atol=1e-12)
    np.testing.assert_allclose(root, (turn * np.array([2.0, 2.0, 2.0, 1.0, 0.0])) @ turn.T, atol=1e-7)
    np.testing.assert_allclose(symmetric_root(matrix + 1e-13), root, atol=1e-6)
