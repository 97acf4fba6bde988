"""Compare the outputs of two runs of a notebook: inputs first, then numbers within their tolerance, then texts."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

__all__ = [
    "CellOutputs",
    "Differences",
    "compare_outputs",
    "inputs_of",
    "is_well_stored",
    "outputs_of",
    "versions_of",
    "versions_sentence",
]

NAMING = (
    "id",
    "unit_id",
    "build",
    "choice",
    "level",
    "group",
    "group_a",
    "group_b",
    "cause",
    "end",
    "outcome",
    "rule",
    "site",
)
"""Columns that name a row, in the order in which they are said."""
COUNTING = ("row", "time", "from", "p", "mission")
"""Numbers that belong to a row's name."""
SHORT = 30
LISTED_A_TABLE = 4
"""More differences than this in one table are counted, not listed."""
LISTED = 12
"""More differences than this in one notebook are counted, not listed."""

NOISE = 1e-6
"""Relative difference of two numbers in texts that is none."""
_NUMBER = re.compile(r"(?<![\w.])-?\d+\.\d+(?:e[-+]?\d+)?(?![\w.])")

COMPARED_PACKAGES = ("numpy", "scipy", "pandas", "scikit-learn", "lifelines", "matplotlib", "seaborn", "workbench")


@dataclass(frozen=True, kw_only=True)
class CellOutputs:
    """Outputs of one code cell: its number (from 1) and nbformat outputs as plain dicts."""

    number: int
    outputs: tuple[Any, ...]


@dataclass(frozen=True, kw_only=True)
class Differences:
    """What changed in one notebook, in sentences: its inputs, its conclusions, its numbers and texts.

    `grades`: comparisons whose grade changed, each with the old and the new one.
    """

    inputs: tuple[str, ...] = ()
    conclusions: tuple[str, ...] = ()
    outputs: tuple[str, ...] = ()
    grades: tuple[str, ...] = ()

    @property
    def none(self) -> bool:
        """Whether nothing changed."""
        return not (self.inputs or self.conclusions or self.outputs or self.grades)


def inputs_of(cells: list[CellOutputs]) -> dict[str, Any]:
    """Return what the outputs say about the log and settings they were made from."""
    for cell in cells:
        for output in cell.outputs:
            stored = output.get("metadata", {}).get("workbench", {})
            if "inputs" in stored:
                return dict(stored)
    return {}


def outputs_of(notebook: Any) -> list[CellOutputs]:
    """Return the outputs that a notebook stores."""
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    return [CellOutputs(number=n, outputs=tuple(cell.outputs)) for n, cell in enumerate(code, start=1)]


def versions_of() -> dict[str, str]:
    """Return the versions of the packages that numbers may depend on."""
    from importlib.metadata import PackageNotFoundError, version

    found = {}
    for name in COMPARED_PACKAGES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found


def versions_sentence(accepted: dict[str, str], present: dict[str, str]) -> str:
    """Return which package versions changed, as a sentence."""
    changed = [
        f"{name} {accepted[name]} to {present.get(name, 'none')}"
        for name in accepted
        if accepted[name] != present.get(name)
    ]
    return f"Library versions changed since: {', '.join(changed)}." if changed else ""


def compare_outputs(accepted: list[CellOutputs], present: list[CellOutputs]) -> Differences:
    """Compare two runs of one notebook."""
    inputs = _input_sentences(inputs_of(accepted), inputs_of(present))
    sentences: list[str] = []
    conclusions: list[str] = []
    grades: dict[str, None] = {}
    for was, now in zip(accepted, present, strict=False):
        sentences += _cell_sentences(was, now)
        for before, after in _compared(was, now):
            conclusions += _conclusion(before, after)
            grades |= dict.fromkeys(_grades(before, after))
    if len(accepted) != len(present):
        sentences.append(f"There were {len(accepted)} code cells and there are {len(present)}.")
    if len(sentences) > LISTED:
        sentences = [*sentences[:LISTED], f"{len(sentences) - LISTED} more numbers or texts differ."]
    return Differences(
        inputs=tuple(inputs), conclusions=tuple(conclusions), outputs=tuple(sentences), grades=tuple(grades)
    )


def _compared(was: CellOutputs, now: CellOutputs) -> Iterator[tuple[Any, Any]]:
    """Pairs of outputs, but for those that say of themselves that they are not to be compared."""
    for before, after in zip(was.outputs, now.outputs, strict=False):
        if before.get("metadata", {}).get("workbench", {}).get("compared", True):
            yield before, after


def _conclusion(before: Any, after: Any) -> list[str]:
    """What a finding said and says now."""
    was, now = (o.get("metadata", {}).get("workbench", {}).get("finding", {}) for o in (before, after))
    if not was or not now or was["statement"] == now["statement"]:
        return []
    return [f"It said “{_short(was['statement'])}” and says “{_short(now['statement'])}”."]


def _grades(before: Any, after: Any) -> Iterator[str]:
    """Comparisons of a table whose grade changed."""
    tables = [o.get("metadata", {}).get("workbench", {}).get("tables", []) for o in (before, after)]
    for was, now in zip(*tables, strict=False):
        if "grade" not in was or "grade" not in now:
            continue
        named = _naming(was)
        places = {label: place for place, label in enumerate(_row_labels(now, named))}
        for row, label in enumerate(_row_labels(was, named)):
            old, new = was["grade"][row], now["grade"][places[label]] if label in places else None
            if new is not None and old != new and "reference" not in (old, new):
                yield f"{label}: {old} → {new}"


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
    for before, after in _compared(was, now):
        stored, fresh = (o.get("metadata", {}).get("workbench", {}) for o in (before, after))
        numbers = list(_number_sentences(now.number, stored, fresh))
        sentences += numbers
        if not numbers and not _same_text(_text(before), _text(after)) and not {"inputs", "finding"} & set(stored):
            sentences.append(_text_sentence(now.number, _text(before), _text(after)))
    return sentences


def _number_sentences(cell: int, was: dict[str, Any], now: dict[str, Any]) -> Iterator[str]:
    name = was.get("name", "")
    for before, after in zip(was.get("tables", []), now.get("tables", []), strict=False):
        found = list(_table_sentences(f"Cell {cell}: {name}", before, after, tolerance=was.get("tolerance", 0.0)))
        yield from found[:LISTED_A_TABLE]
        if len(found) > LISTED_A_TABLE:
            yield f"Cell {cell}: {len(found) - LISTED_A_TABLE} more numbers of {name} differ."


def _table_sentences(
    where: str, before: dict[str, list[Any]], after: dict[str, list[Any]], *, tolerance: float
) -> Iterator[str]:
    gone = [column for column in before if column not in after]
    if gone:
        yield f"{where} no longer has the column {gone[0]}."
        return
    named = _naming(before)
    labels, new_labels = _row_labels(before, named), _row_labels(after, named)
    if not labels or not new_labels:
        rows, new_rows = (len(next(iter(t.values()), [])) for t in (before, after))
        if rows != new_rows:
            yield f"{where} had {rows} rows and has {new_rows}."
            return
        labels = new_labels = [f"row {n + 1}" for n in range(rows)]
    places = {label: place for place, label in enumerate(new_labels)}
    for row, label in enumerate(labels):
        if label not in places:
            yield f"{where} no longer has {label}."
            continue
        for column, values in before.items():
            old, new = values[row], after[column][places[label]]
            if not _same(old, new, tolerance):
                yield f"{where}, {label}, {column} was {_say(old)}, is {_say(new)}{_by(old, new)}."
    yield from (f"{where} now has {label}." for label in new_labels if label not in set(labels))


def _same(old: Any, new: Any, tolerance: float) -> bool:
    if isinstance(old, bool) or isinstance(new, bool) or not (_is_number(old) and _is_number(new)):
        return bool(old == new)
    return bool(abs(new - old) <= tolerance * max(abs(old), abs(new)) + 1e-12)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _say(value: Any) -> str:
    if value is None:
        return "not known"
    if isinstance(value, float):
        return f"{value:.6g}"
    return f"“{_short(value)}”" if isinstance(value, str) else str(value)


def _by(old: Any, new: Any) -> str:
    if not (_is_number(old) and _is_number(new)):
        return ""
    return f" ({abs(new - old):.3g} {'more' if new > old else 'less'})"


def _naming(table: dict[str, list[Any]]) -> list[str]:
    """The columns that name the rows of a table; in both runs those of the accepted one."""
    named = [key for key in NAMING if key in table]
    if not named:
        # a notebook's file holds columns by name, a run in their own order: the choice must not hang on it
        texts = [key for key, v in sorted(table.items()) if v and all(_is_short(x) for x in v)]
        named = [key for key in texts if len(set(table[key])) == len(table[key])][:1] or texts[:1]
    return [*named, *(key for key in COUNTING if key in table)]


def _row_labels(table: dict[str, list[Any]], columns: list[str]) -> list[str]:
    """What a reader calls each row, by the columns that name rows; empty when they do not tell the rows apart."""
    named = [key for key in columns if key in table and key not in COUNTING]
    counted = [key for key in columns if key in table and key in COUNTING]
    rows = range(len(next(iter(table.values()), [])))
    labels = [
        ", ".join(
            [_short(str(table[key][row])) for key in named if table[key][row] is not None]
            + [f"{key} {_say(table[key][row])}" for key in counted]
        )
        for row in rows
    ]
    return labels if all(labels) and len(set(labels)) == len(labels) else []


def _is_short(value: Any) -> bool:
    return isinstance(value, str) and 0 < len(value) <= SHORT


def _text(output: Any) -> str:
    if output.get("output_type") == "stream":
        return str(output.get("text", ""))
    return str(output.get("data", {}).get("text/plain", ""))


def _same_text(was: str, now: str) -> bool:
    """Whether two texts are the same but for noise in the last digits of their numbers."""
    if was == now:
        return True
    parts, others = _NUMBER.split(was), _NUMBER.split(now)
    if parts != others:
        return False
    pairs = zip(_NUMBER.findall(was), _NUMBER.findall(now), strict=True)
    return all(_same(float(old), float(new), NOISE) for old, new in pairs)


def _text_sentence(cell: int, was: str, now: str) -> str:
    for old, new in zip(was.splitlines() or [""], now.splitlines() or [""], strict=False):
        if old != new:
            return f"Cell {cell}: the text “{_short(old)}” is now “{_short(new)}”."
    return f"Cell {cell}: the text had {len(was.splitlines())} lines and has {len(now.splitlines())}."


def _short(line: str) -> str:
    line = " ".join(line.split())
    return line if len(line) <= 90 else line[:87] + "..."


def is_well_stored(notebook: Any) -> bool:
    """Whether what a notebook stores can be compared; others may have edited the file."""
    known = notebook.metadata.get("workbench", {})
    outputs = [output for cell in notebook.cells if cell.cell_type == "code" for output in cell.outputs]
    records = [output.get("metadata", {}).get("workbench", {}) for output in outputs]
    return (
        isinstance(known, Mapping)
        and _is_text_table(known.get("versions", {}))
        and all(isinstance(record, Mapping) and _is_record(record) for record in records)
    )


def _is_record(record: Mapping[str, Any]) -> bool:
    tables = record.get("tables", [])
    with_inputs = "inputs" not in record or (_is_number(record.get("rows")) and isinstance(record.get("settings"), str))
    return (
        with_inputs
        and _is_text_table(record.get("inputs", {}))
        and isinstance(record.get("name", ""), str)
        and _is_number(record.get("tolerance", 0.0))
        and _is_text_table(record.get("finding", {}))
        and _are_texts(record.get("checks", []))
        and isinstance(tables, list)
        and all(_is_table(table) for table in tables)
    )


def _is_table(table: Any) -> bool:
    if not isinstance(table, Mapping) or not all(isinstance(column, list) for column in table.values()):
        return False
    return len({len(column) for column in table.values()}) <= 1


def _is_text_table(values: Any) -> bool:
    return isinstance(values, Mapping) and all(isinstance(value, str) for value in values.values())


def _are_texts(values: Any) -> bool:
    return isinstance(values, list) and all(isinstance(value, str) for value in values)
