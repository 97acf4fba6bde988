"""Apart: two pieces of work at once, the second in a copy of this process where that is sound; else one by one."""

import gc
import io
import os
import pickle
import sys
import warnings
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, TypeVar

import numpy as np

__all__ = ["both"]

A = TypeVar("A")
B = TypeVar("B")


def both(here: Callable[[], A], apart: Callable[[], B]) -> tuple[A, B]:
    """Return what two functions return; what the copy could not finish is done here, so that its errors are seen.

    Examples
    --------
    >>> both(lambda: 1, lambda: "two")
    (1, 'two')
    """
    begun = _begun(apart) if _has_room() else None
    if begun is None:
        return here(), apart()
    found: list[B] | None = None
    try:
        first = here()
    finally:
        found = _ended(*begun)
    return first, apart() if found is None else found[0]


def _has_room() -> bool:
    """Whether a second processor is free for this process, on a system where a copy of a process is sound."""
    return sys.platform == "linux" and len(os.sched_getaffinity(0)) > 1


def _begun(work: Callable[[], object]) -> tuple[int, int] | None:
    """Begin work in a copy of this process, which shares its memory; its number and the pipe to read, or None."""
    reading, writing = os.pipe()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # of threads, none of which the copy needs
        try:
            child = os.fork()
        except OSError:
            os.close(reading)
            os.close(writing)
            return None
    if child:
        os.close(writing)
        return child, reading
    wrong = 1
    try:
        gc.freeze()  # what is shared is not searched for waste, which would copy it
        sys.stdout = sys.stderr = io.StringIO()  # those of a notebook wait for threads that the copy has not
        os.close(reading)
        with os.fdopen(writing, "wb") as pipe:
            pipe.write(_written([work()]))
        wrong = 0
    finally:
        os._exit(wrong)  # nothing of the copy may run on, be told or be tidied away


class _Pickler(pickle.Pickler):
    """Writes read-only mappings too, and read-only arrays so that they are read-only when read."""

    def reducer_override(self, obj: Any) -> Any:
        if isinstance(obj, MappingProxyType):
            return _read_only_mapping, (dict(obj),)
        if isinstance(obj, np.ndarray) and not obj.flags.writeable:
            return _read_only_array, (obj.copy(),)
        return NotImplemented


def _read_only_mapping(values: dict[Any, Any]) -> Mapping[Any, Any]:
    return MappingProxyType(values)


def _read_only_array(values: np.ndarray) -> np.ndarray:
    values.flags.writeable = False
    return values


def _written(answer: object) -> bytes:
    target = io.BytesIO()
    _Pickler(target, protocol=pickle.HIGHEST_PROTOCOL).dump(answer)
    return target.getvalue()


def _ended(child: int, reading: int) -> list[B] | None:
    """What the copy returned, in a list; None where it failed."""
    with os.fdopen(reading, "rb") as pipe:
        written = pipe.read()
    _, status = os.waitpid(child, 0)
    return None if status or not written else list(pickle.loads(written))
