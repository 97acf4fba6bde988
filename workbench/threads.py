"""Threads and memory: how is Python set to work fast, with the same last digits on every machine?"""

from collections.abc import Callable
from functools import wraps
from typing import ParamSpec, TypeVar

__all__ = ["SEARCHES", "on_one_thread"]

SEARCHES = (500_000, 20, 20)
"""New objects after which Python searches for cycles, and such searches between thorough ones: rows and results are
made by the hundred thousand and hold none."""

P = ParamSpec("P")
R = TypeVar("R")


def on_one_thread(function: Callable[P, R]) -> Callable[P, R]:
    """Return the function with the threads of linear algebra held at one while it runs: matrices here are small."""

    @wraps(function)
    def held(*args: P.args, **kwargs: P.kwargs) -> R:
        from threadpoolctl import threadpool_limits

        with threadpool_limits(limits=1):
            return function(*args, **kwargs)

    return held
