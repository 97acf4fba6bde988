"""Failed by: how many failures are known to lie before a day, and how many more may, their spans holding it?"""

import numpy as np

from workbench.lives import Lives

__all__ = ["failed_by"]


def failed_by(lives: Lives, time: float, among: np.ndarray | None = None) -> tuple[int, int]:
    """Return how many lives are known to have failed by a time, and how many of the other failures may have.

    Shapes: among (n,) of bool; all lives when not given.
    """
    failed = lives.failed if among is None else lives.failed & among
    known = failed & (lives.upper <= time)
    may_have = failed & (lives.lower < time) & (lives.upper > time)
    return int(lives.weight[known].sum()), int(lives.weight[may_have].sum())
