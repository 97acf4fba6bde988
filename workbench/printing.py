"""What does a person see of an answer whose texts may hold anything?

Everything that is printed goes through here: control, escape and direction characters appear as text, and what the
terminal's encoding lacks is replaced, so that printing never fails and never does anything but show. In a terminal no
line is wider than the window; elsewhere a sentence stays one line, without colour.
"""

import json
import os
import re
import sys
import threading
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, TextIO

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

__all__ = [
    "TOGETHER",
    "Grid",
    "Part",
    "Words",
    "json_text",
    "progress",
    "say",
    "say_aside",
    "show_answer",
    "visible",
    "visible_lines",
]

Words = str | Sequence[str | tuple[str, str]]
"""A sentence, or its pieces, some with a tone: good, warning, faint or strong."""

_TONES = {"good": "green", "warning": "yellow", "error": "red", "faint": "dim", "strong": "bold", "": ""}
_PATIENCE = 2.0
"""Seconds after which a person is shown that work goes on."""

TOGETHER = "\u00a0"
"""A space at which no line is broken."""

_PLAIN = str.maketrans(
    {TOGETHER: " ", "−": "-", "–": "-", "—": "-", "…": "...", "’": "'", "‘": "'", "“": '"', "”": '"', "·": "-",
     "×": "x", "→": "->"}
)  # fmt: skip
_HOLD = "\ue000"
"""Stands for such a space in a cell; texts from outside hold its escape instead."""
_UNSEEN = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")


def visible(text: Any) -> str:
    """Return a text on one line, each character that would act instead of being seen written as its escape.

    Examples
    --------
    >>> visible("a\\x1b[31m\\nb"), visible("log.csv")
    ('a\\\\x1b[31m\\\\nb', 'log.csv')
    """
    text = str(text)
    if text.isascii() and text.isprintable():
        return str(text)
    return "".join(_escaped(c) if unicodedata.category(c) in _UNSEEN else c for c in text)


def visible_lines(text: Any) -> str:
    """Return a text whose line breaks stay, with everything else that would act written as its escape."""
    return "\n".join(visible(line.expandtabs(4)) for line in str(text).split("\n"))


def _escaped(character: str) -> str:
    code = ord(character)
    named = {"\n": "\\n", "\r": "\\r", "\t": "\\t"}.get(character)
    if named:
        return named
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def json_text(value: Any) -> str:
    """Return a value as JSON in which no character acts; NaN is refused."""
    text = json.dumps(value, ensure_ascii=False, indent=2, allow_nan=False)
    lines = []
    for line in text.split("\n"):
        unseen = {c for c in line if unicodedata.category(c) in _UNSEEN}
        for character in unseen:
            line = line.replace(
                character, json.dumps(character)[1:-1] if not character.isascii() else f"\\u{ord(character):04x}"
            )
        lines.append(line)
    return "\n".join(lines)


@dataclass(frozen=True, kw_only=True)
class Grid:
    """A small table: headings, rows of cells, the columns whose cells stand right, and how many rows are enough."""

    headings: Sequence[str]
    rows: Sequence[Sequence[Words]]
    right: Sequence[int] = ()
    most: int = 1000


@dataclass(frozen=True, kw_only=True)
class Part:
    """One part of an answer: a title, sentences and a table; details are shown to those who ask for everything."""

    title: str = ""
    sentences: Sequence[Words] = ()
    grid: Grid | None = None
    is_detail: bool = False

    def __bool__(self) -> bool:
        return bool(self.sentences) or (self.grid is not None and bool(self.grid.rows))


def show_answer(blocks: Iterable[Part], *, everything: bool) -> None:
    """Print an answer part by part, and say when details were left out."""
    console = _console(sys.stdout)
    lines: list[str] = []
    left: list[str] = []
    for block in filter(None, blocks):
        if block.is_detail and not everything:
            left.append(block.title.lower())
            continue
        lines += [""] if lines else []
        lines += _block_lines(block, console, everything=everything)
    if left:
        lines += ["", *_lines_of([(f"More with --all: {', '.join(left)}.", "faint")], console)]
    _put(sys.stdout, "\n".join(lines))


def say(text: Any = "") -> None:
    """Print to the person or program that reads the answer."""
    _put(sys.stdout, _fitted(visible_lines(text), sys.stdout))


def say_aside(text: Any, tone: str = "") -> None:
    """Print beside the answer: errors, settings used, where a file was written."""
    _put(sys.stderr, _fitted(visible_lines(text), sys.stderr, tone))


@contextmanager
def progress(work: str) -> Iterator[Callable[[str], None]]:
    """Show on a terminal what is being done once it takes longer than two seconds; call what is given to say the step.

    Examples
    --------
    >>> with progress("reading") as tell:
    ...     tell("comparing")
    """
    if not _is_terminal(sys.stderr):
        yield lambda step: None
        return
    said, shown = [work], []

    def start() -> None:
        status = _console(sys.stderr).status(visible(said[0]), refresh_per_second=4)
        shown.append(status)
        status.start()

    def tell(step: str) -> None:
        said[0] = step
        for status in shown:
            status.update(visible(step))

    timer = threading.Timer(_PATIENCE, start)
    timer.daemon = True
    timer.start()
    try:
        yield tell
    finally:
        timer.cancel()
        timer.join()
        for status in shown:
            status.stop()


def _is_terminal(stream: TextIO) -> bool:
    try:
        return stream.isatty()
    except ValueError:
        return False


def _console(stream: TextIO) -> "Console":
    """A console as wide as the terminal; of any width, and without colour, where there is none."""
    from rich.console import Console

    terminal = _is_terminal(stream)
    plain = not terminal or bool(os.environ.get("NO_COLOR")) or os.environ.get("TERM") == "dumb"
    made = Console(
        file=stream, force_terminal=terminal, width=None if terminal else 100_000, highlight=False, markup=False,
        emoji=False, color_system=None if plain else "auto",
    )  # fmt: skip
    return Console(file=stream, width=made.width, color_system=None) if made.legacy_windows else made


def _fitted(text: str, stream: TextIO, tone: str = "") -> str:
    """Lines of a text, each broken to the terminal's width and indented as it began."""
    if not _is_terminal(stream):
        return text
    console = _console(stream)
    lines: list[str] = []
    for line in text.split("\n"):
        indent = len(line) - len(line.lstrip(" "))
        lines += _lines_of([(line[indent:], tone)], console, first=indent, rest=indent + (2 if indent else 0))
    return "\n".join(lines)


def _block_lines(block: Part, console: "Console", *, everything: bool) -> list[str]:
    lines = _lines_of([(block.title, "strong")], console) if block.title else []
    indent = 2 if block.title else 0
    for words in block.sentences:
        lines += _lines_of(words, console, first=indent, rest=indent + 2 if indent else 0)
    if block.grid is None:
        return lines
    # one row more takes no more room than saying that it is there
    shown = len(block.grid.rows) if everything or len(block.grid.rows) <= block.grid.most + 1 else block.grid.most
    lines += _grid_lines(block.grid, console, indent=indent, shown=shown)
    left = len(block.grid.rows) - shown
    return lines + (_lines_of([(f"{' ' * indent}and {left} more with --all", "faint")], console) if left else [])


def _text(words: Words) -> "Text":
    from rich.text import Text

    made = Text()
    for piece in [words] if isinstance(words, str) else words:
        text, tone = (piece, "") if isinstance(piece, str) else piece
        made.append(visible(text), style=_TONES[tone])
    return made


def _lines_of(words: Words, console: "Console", *, first: int = 0, rest: int = 0) -> list[str]:
    """A sentence as lines no wider than the console, the first and the others indented by so much."""
    from rich.text import Text

    text = _text(words)
    lines = text.divide(_breaks(text.plain, console.width, first=first, rest=rest))
    for line in lines:
        line.rstrip()
    return [_drawn(Text(" " * (rest if number else first)) + line, console) for number, line in enumerate(lines)]


def _breaks(plain: str, width: int, *, first: int, rest: int) -> list[int]:
    """Where the lines of a sentence begin; a word wider than a line, such as a path, stays whole."""
    from rich.cells import cell_len

    begins, used = [], first + len(plain) - len(plain.lstrip())
    for word in re.finditer(rf"[\S{TOGETHER}]+(?: %\S*)?\s*", plain):
        if used > rest and used + cell_len(word.group().rstrip()) > width and word.start():
            begins.append(word.start())
            used = rest
        used += cell_len(word.group())
    return begins


def _grid_lines(grid: Grid, console: "Console", *, indent: int, shown: int) -> list[str]:
    from rich.padding import Padding
    from rich.table import Table

    table: Table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold", show_edge=False)
    last = len(grid.headings) - 1
    for number, heading in enumerate(grid.headings):
        side: Literal["left", "right"] = "right" if number in grid.right else "left"
        table.add_column(_text(heading), justify=side, no_wrap=number not in (0, last), overflow="fold")
    for row in grid.rows[:shown]:
        table.add_row(*(_held(_text(cell)) for cell in row))
    drawn = _drawn(Padding(table, (0, 0, 0, indent), expand=False), console, whole=False)
    return drawn.replace(_HOLD, " ").split("\n")


def _held(text: "Text") -> "Text":
    """A cell whose numbers are not parted from their per cent signs when it is broken into lines."""
    from rich.text import Text

    held = Text(text.plain.replace(" %", f"{_HOLD}%"))
    for span in text.spans:
        held.stylize(span.style, span.start, span.end)
    return held


def _drawn(renderable: Any, console: "Console", *, whole: bool = True) -> str:
    """What the console would write, without spaces at the ends of lines; a whole line is never cut."""
    with console.capture() as caught:
        console.print(renderable, no_wrap=whole, crop=not whole, overflow="ignore" if whole else None)
    return "\n".join(line.rstrip(" ") for line in caught.get().rstrip("\n").split("\n"))


def _put(stream: TextIO, text: str) -> None:
    encoding = getattr(stream, "encoding", None) or "utf-8"
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        text = text.translate(_PLAIN).encode(encoding, "replace").decode(encoding)
    print(text, file=stream, flush=True)
