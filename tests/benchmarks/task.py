"""Task: one thing to time, the ways to do it, and the sizes at which to do it."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

__all__ = ["Task"]


@dataclass(frozen=True, kw_only=True)
class Task:
    """One row group of the benchmark table; see the docstring of `tests.benchmarks.__main__`.

    Attributes
    ----------
    name : str
        What is timed, in a few words.
    sizes : sequence of int
        Numbers of rows (or of repeats) to run at.
    make : callable
        Size to data; called once a size, outside the clock. Must be reproducible (seeded).
    ways : mapping of str to callable
        Name to function of the data that returns the answer as a flat array of floats; all ways give the same
        numbers in the same order. The first way is ours; names that start with "ours" are ours too (such as
        "ours, building counted"). A way that raises ImportError is printed as absent.
    bar : mapping of str to float
        For names of ours: how many times faster than the fastest other way the project wants to be.
    repeats : int
        Runs of each way; the fastest counts, the median is printed beside it.
    is_quick : bool
        Whether it belongs to the run that takes less than a minute.
    slow_ways : mapping of str to int
        Largest size at which a way is run at all.
    r_script : str
        R code that reads `data` (a data frame made by `r_data`), sets `seconds` and `answer`; empty: no R.
    r_data : callable or None
        Data to pandas.DataFrame for R.
    """

    name: str
    sizes: Sequence[int]
    make: Callable[[int], Any]
    ways: Mapping[str, Callable[[Any], np.ndarray]]
    bar: Mapping[str, float] = field(default_factory=dict)
    repeats: int = 3
    slow_ways: Mapping[str, int] = field(default_factory=dict)
    r_script: str = ""
    r_data: Callable[[Any], Any] | None = None
    is_quick: bool = False
