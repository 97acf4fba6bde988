"""Compare the outputs of two runs of a notebook: inputs first, then numbers within their tolerance, then texts."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

__all__ = ["CellOutputs", "Differences", "compare_outputs", "inputs_of", "versions_of", "versions_sentence"]

LISTED = 12
"""More differences than this in one notebook are counted, not listed."""

COMPARED_PACKAGES = ("numpy", "scipy", "pandas", "scikit-learn", "lifelines", "matplotlib", "seaborn", "workbench")


@dataclass(frozen=True, kw_only=True)
class CellOutputs:
    """Outputs of one code cell: its number (from 1) and nbformat outputs as plain dicts."""

    number: int
    outputs: tuple[Any, ...]


@dataclass(frozen=True, kw_only=True)
class Differences:
    """What changed in one notebook: sentences about its inputs, and sentences about its numbers and texts."""

    inputs: tuple[str, ...] = ()
    outputs: tuple[str, ...] = ()

    @property
    def none(self) -> bool:
        """Whether nothing changed."""
        return not self.inputs and not self.outputs


def inputs_of(cells: list[CellOutputs]) -> dict[str, Any]:
    """Return what the outputs say about the log and settings they were made from.

    Parameters
    ----------
    cells : list of CellOutputs
        All code cells of a notebook.

    Returns
    -------
    dict
        Keys inputs (file name to sha256), rows, settings, mission; empty when no season was opened.

    Raises
    ------
    Nothing.
    """
    for cell in cells:
        for output in cell.outputs:
            stored = output.get("metadata", {}).get("workbench", {})
            if "inputs" in stored:
                return dict(stored)
    return {}


def versions_of() -> dict[str, str]:
    """Return the versions of the packages that numbers may depend on.

    Returns
    -------
    dict of str to str
        Package name to version, only those installed.

    Raises
    ------
    Nothing.
    """
    from importlib.metadata import PackageNotFoundError, version

    found = {}
    for name in COMPARED_PACKAGES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found


def versions_sentence(accepted: dict[str, str], present: dict[str, str]) -> str:
    """Return which package versions changed, as a sentence.

    Parameters
    ----------
    accepted, present : dict of str to str
        As by `versions_of`.

    Returns
    -------
    str
        Empty when nothing changed or nothing was stored.

    Raises
    ------
    Nothing.
    """
    changed = [
        f"{name} {accepted[name]} to {present.get(name, 'none')}"
        for name in accepted
        if accepted[name] != present.get(name)
    ]
    return f"Library versions changed since: {', '.join(changed)}." if changed else ""


def compare_outputs(accepted: list[CellOutputs], present: list[CellOutputs]) -> Differences:
    """Compare two runs of one notebook.

    Parameters
    ----------
    accepted, present : list of CellOutputs
        The outputs that were accepted, and those of now.

    Returns
    -------
    Differences
        Input changes come first; a number is reported as name, was, is and by how much.

    Raises
    ------
    Nothing.
    """
    inputs = _input_sentences(inputs_of(accepted), inputs_of(present))
    sentences: list[str] = []
    for was, now in zip(accepted, present, strict=False):
        sentences += _cell_sentences(was, now)
    if len(accepted) != len(present):
        sentences.append(f"There were {len(accepted)} code cells and there are {len(present)}.")
    if len(sentences) > LISTED:
        sentences = [*sentences[:LISTED], f"{len(sentences) - LISTED} more numbers or texts differ."]
    return Differences(inputs=tuple(inputs), outputs=tuple(sentences))


def _input_sentences(was: dict[str, Any], now: dict[str, Any]) -> Iterator[str]:
    if not was or not now:
        return
    if was["inputs"] != now["inputs"]:
        more = now["rows"] - was["rows"]
        amount = f"{abs(more)} row{'s' if abs(more) != 1 else ''} {'more' if more > 0 else 'fewer'}"
        rows = amount if more else "as many rows, other content"
        yield f"The log changed ({rows}), so numbers that differ below come from the log before anything else."
    if was["settings"] != now["settings"]:
        yield "The settings changed, so numbers that differ below may come from them."


def _cell_sentences(was: CellOutputs, now: CellOutputs) -> list[str]:
    sentences = []
    if len(was.outputs) != len(now.outputs):
        sentences.append(f"Cell {now.number}: it showed {len(was.outputs)} outputs and shows {len(now.outputs)}.")
    for before, after in zip(was.outputs, now.outputs, strict=False):
        stored, fresh = (o.get("metadata", {}).get("workbench", {}) for o in (before, after))
        numbers = list(_number_sentences(now.number, stored, fresh))
        sentences += numbers
        if not numbers and _text(before) != _text(after) and "inputs" not in stored:
            sentences.append(_text_sentence(now.number, _text(before), _text(after)))
    return sentences


def _number_sentences(cell: int, was: dict[str, Any], now: dict[str, Any]) -> Iterator[str]:
    name = was.get("name", "")
    seen: set[str] = set()
    for before, after in zip(was.get("tables", []), now.get("tables", []), strict=False):
        for column in before:
            if column not in after:
                yield f"Cell {cell}: {name} no longer has the column {column}."
                continue
            if len(before[column]) != len(after[column]):
                sentence = f"Cell {cell}: {name} had {len(before[column])} rows and has {len(after[column])}."
                if sentence not in seen:
                    seen.add(sentence)
                    yield sentence
                continue
            for row, (old, new) in enumerate(zip(before[column], after[column], strict=True)):
                if not _same(old, new, was.get("tolerance", 0.0)):
                    change = f"{column} was {_say(old)}, is {_say(new)}{_by(old, new)}"
                    yield f"Cell {cell}: {name}, {_row_label(before, row)}{change}."


def _same(old: Any, new: Any, tolerance: float) -> bool:
    if isinstance(old, bool) or isinstance(new, bool) or not (_is_number(old) and _is_number(new)):
        return old == new
    return abs(new - old) <= tolerance * max(abs(old), abs(new)) + 1e-12


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _say(value: Any) -> str:
    if value is None:
        return "not known"
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _by(old: Any, new: Any) -> str:
    if not (_is_number(old) and _is_number(new)):
        return ""
    return f" ({abs(new - old):.3g} {'more' if new > old else 'less'})"


def _row_label(table: dict[str, list[Any]], row: int) -> str:
    words = [str(values[row]) for values in table.values() if row < len(values) and isinstance(values[row], str)]
    when = [f"{key} {table[key][row]:g}" for key in ("time", "p") if key in table and _is_number(table[key][row])]
    return ", ".join([*words[:2], *when, ""]) if words or when else f"row {row + 1}, "


def _text(output: Any) -> str:
    if output.get("output_type") == "stream":
        return str(output.get("text", ""))
    return str(output.get("data", {}).get("text/plain", ""))


def _text_sentence(cell: int, was: str, now: str) -> str:
    for old, new in zip(was.splitlines() or [""], now.splitlines() or [""], strict=False):
        if old != new:
            return f"Cell {cell}: the text “{_short(old)}” is now “{_short(new)}”."
    return f"Cell {cell}: the text had {len(was.splitlines())} lines and has {len(now.splitlines())}."


def _short(line: str) -> str:
    line = " ".join(line.split())
    return line if len(line) <= 90 else line[:87] + "..."
