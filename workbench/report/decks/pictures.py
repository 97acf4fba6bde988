"""Pictures: drawings in, PNG or JPEG out; where many are wanted and it is safe, half of them in another process."""

from collections.abc import Mapping
from dataclasses import dataclass

from workbench.apart import both
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
    # four of nine: what the copy of the process touches is copied first, so that it takes longer over each
    apart = [name for n, name in enumerate(names) if n % 9 in (1, 3, 5, 7)] if len(names) >= FEWEST_APART else []
    rest = [name for name in names if name not in apart]
    with theme():
        drawn = _all_bytes(jobs, rest[:1])  # so that what drawing imports is imported once
        if apart:
            one, other = both(lambda: _all_bytes(jobs, rest[1:]), lambda: _all_bytes(jobs, apart))
            drawn |= one | other
        else:
            drawn |= _all_bytes(jobs, rest[1:])
    return {name: _picture(drawing, drawn[name]) for name, (drawing, _) in jobs.items()}


def _all_bytes(jobs: Mapping[str, Job], names: list[str]) -> dict[str, bytes]:
    return {name: _bytes_of(*jobs[name]) for name in names}


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
