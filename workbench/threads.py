"""Threads: many small matrices are worked on faster by one thread, and give the same last digits on every machine."""

from collections.abc import Callable
from functools import wraps
from typing import ParamSpec, TypeVar

from threadpoolctl import threadpool_limits

__all__ = ["on_one_thread"]

P = ParamSpec("P")
R = TypeVar("R")


def on_one_thread(function: Callable[P, R]) -> Callable[P, R]:
    """Return the function with the threads of linear algebra held at one while it runs."""

    @wraps(function)
    def held(*args: P.args, **kwargs: P.kwargs) -> R:
        with threadpool_limits(limits=1):
            return function(*args, **kwargs)

    return held
