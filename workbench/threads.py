"""Threads and memory: how is Python set to work fast, with the same last digits on every machine?"""

import sys
from collections.abc import Callable
from functools import lru_cache, wraps
from typing import Any, ParamSpec, TypeVar

__all__ = ["SEARCHES", "on_one_thread"]

SEARCHES = (500_000, 20, 20)
"""New objects after which Python searches for cycles, and such searches between thorough ones: rows and results are
made by the hundred thousand and hold none."""

P = ParamSpec("P")
R = TypeVar("R")


@lru_cache(maxsize=1)
def _libraries(modules: int) -> Any:
    """The libraries of linear algebra that are loaded, looked for again once more modules are: a look takes 1 ms."""
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()


def on_one_thread(function: Callable[P, R]) -> Callable[P, R]:
    """Return the function with the threads of linear algebra held at one while it runs: matrices here are small."""

    @wraps(function)
    def held(*args: P.args, **kwargs: P.kwargs) -> R:
        with _libraries(len(sys.modules)).limit(limits=1):
            return function(*args, **kwargs)

    return held
