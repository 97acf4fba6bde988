"""Which independent directions does a symmetric matrix have, and how large is it along each?"""

import numpy as np

__all__ = ["eigen_of", "symmetric_root"]


def eigen_of(matrices: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Eigenvalues, ascending, and eigenvectors of symmetric matrices; where the fast method fails, by the sure one.

    Shapes: matrices (..., k, k), returns (..., k) and (..., k, k).
    """
    try:
        values, vectors = np.linalg.eigh(matrices)
    except np.linalg.LinAlgError:
        # divide and conquer (LAPACK syevd) gave up on a sound 46 x 46 matrix; QR iteration (syev) did not
        values, vectors = np.empty(matrices.shape[:-1]), np.empty(matrices.shape)
        for place in np.ndindex(matrices.shape[:-2]):
            values[place], vectors[place] = _eigen_of_one(matrices[place])
    return values, vectors


def _eigen_of_one(matrix: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    from scipy.linalg import eigh

    values, vectors = eigh(matrix, driver="ev", check_finite=False)
    return values, vectors


def symmetric_root(matrix: np.ndarray) -> np.ndarray:
    """Return the symmetric square root of a covariance: the one root that rounding cannot turn or mirror.

    Shapes: matrix (k, k), returns (k, k).
    """
    values, vectors = eigen_of(matrix)
    return np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T)
