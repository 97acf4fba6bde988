"""Stored: whether what a notebook holds beside its outputs has the shape that this workbench gives it."""

from collections.abc import Mapping
from typing import Any

__all__ = ["is_well_stored"]


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
        and isinstance(tables, list)
        and all(_is_table(table) for table in tables)
    )


def _is_table(table: Any) -> bool:
    if not isinstance(table, Mapping) or not all(isinstance(column, list) for column in table.values()):
        return False
    return len({len(column) for column in table.values()}) <= 1


def _is_text_table(values: Any) -> bool:
    return isinstance(values, Mapping) and all(isinstance(value, str) for value in values.values())


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
