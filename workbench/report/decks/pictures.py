"""Pictures: drawings in, PNG or JPEG out; where many are wanted and it is safe, half of them in another process."""

import os
import pickle
import sys
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from workbench.report.basis import Drawing
from workbench.report.figures import Dots, Photographs, Stacks, draw, figure_jpeg, figure_png, new_axes, theme

__all__ = ["Job", "Picture", "drawn_picture", "drawn_pictures"]

DOTS_PER_INCH = 180
FEWEST_APART = 8
"""Pictures below which another process would take longer to start than it saves."""

Job = tuple[Drawing, tuple[float, float]]
"""What to draw, and how wide and high in inches."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Picture:
    """A drawn figure: PNG or JPEG with words for those who cannot see it; `chart` when it can be a native chart."""

    data: bytes
    alt: str
    caption: str = ""
    chart: Dots | Stacks | None = None


def drawn_pictures(jobs: Mapping[str, Job]) -> dict[str, Picture]:
    """Return all drawings as pictures, by the same names."""
    names = list(jobs)
    apart = names[1::2] if len(names) >= FEWEST_APART and _has_room() else []
    child = _begin_apart([jobs[name] for name in apart]) if apart else None
    with theme():
        try:
            drawn = {name: drawn_picture(*jobs[name]) for name in names if name not in apart}
        finally:
            found = _end_apart(*child) if child else None
        for place, name in enumerate(apart):
            drawn[name] = drawn_picture(*jobs[name]) if found is None else _picture(jobs[name][0], found[place])
    return drawn


def drawn_picture(drawing: Drawing, inches: tuple[float, float]) -> Picture:
    """Return a drawing as a picture of a size."""
    return _picture(drawing, _bytes_of(drawing, inches))


def _picture(drawing: Drawing, data: bytes) -> Picture:
    chart = drawing.result if isinstance(drawing.result, Dots | Stacks) else None
    return Picture(data=data, alt=drawing.alt, caption=drawing.caption, chart=chart)


def _bytes_of(drawing: Drawing, inches: tuple[float, float]) -> bytes:
    if isinstance(drawing.result, bytes):
        return drawing.result
    with theme():
        ax = new_axes(*inches)
        draw(drawing.result, ax, **drawing.options)
        as_bytes = figure_jpeg if isinstance(drawing.result, Photographs) else figure_png
        return as_bytes(ax.figure.get_figure(root=True), dpi=DOTS_PER_INCH)


def _has_room() -> bool:
    """Whether a second processor is free for this process, on a system where a copy of a process is sound."""
    return sys.platform == "linux" and len(os.sched_getaffinity(0)) > 1


def _begin_apart(jobs: Sequence[Job]) -> tuple[int, int]:
    """Begin to draw in a copy of this process, which shares its memory; returns its number and the pipe to read."""
    reading, writing = os.pipe()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # of threads, none of which the copy needs
        child = os.fork()
    if child:
        os.close(writing)
        return child, reading
    wrong = 1
    try:
        os.close(reading)
        with os.fdopen(writing, "wb") as pipe:
            pipe.write(pickle.dumps([_bytes_of(*job) for job in jobs]))
        wrong = 0
    finally:
        os._exit(wrong)  # nothing of the copy may run on, be told or be tidied away


def _end_apart(child: int, reading: int) -> list[bytes] | None:
    """Return what the other process drew; None where it failed, so that this one draws and names what is wrong."""
    with os.fdopen(reading, "rb") as pipe:
        written = pipe.read()
    _, status = os.waitpid(child, 0)
    return None if status or not written else list(pickle.loads(written))
