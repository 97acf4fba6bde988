"""Build notebooks from their stories (Markdown with fenced Python), one way, with the code hidden but editable."""

import ast
import json
import re
from importlib.resources import files
from typing import Any

__all__ = ["build_notebook", "build_notebooks", "is_own_story"]

HIDDEN_CODE = {"jupyter": {"source_hidden": True}, "tags": ["hide-input", "hide_input"], "hide_input": True}
"""Every key by which the common front ends and exporters hide a cell's code; the code stays editable."""

KERNEL = {"display_name": "Python 3 (ipykernel)", "language": "python", "name": "python3"}

LOG_PLACEHOLDER = "LOG_PATH"


def build_notebook(story: str, log: str, *, name: str) -> Any:
    """Return a notebook without outputs."""
    import nbformat

    cells = []
    for text, code in re.findall(r"(.*?)(?:```python\n(.*?)```\n?|\Z)", story, flags=re.DOTALL):
        if text.strip():
            cells.append(nbformat.v4.new_markdown_cell(text.strip()))
        if code.strip():
            source = code.replace(LOG_PLACEHOLDER, json.dumps(log)).strip()
            ast.parse(source)
            cells.append(nbformat.v4.new_code_cell(source, metadata=HIDDEN_CODE))
    for number, cell in enumerate(cells):
        cell["id"] = f"{name}-{number:02d}"
    return nbformat.v4.new_notebook(cells=cells, metadata={"kernelspec": KERNEL, "language_info": {"name": "python"}})


def is_own_story(notebook: Any, name: str) -> bool:
    """Whether every program in a notebook is one that this package ships under its name, but for the log's path."""
    codes = [cell["source"] for cell in notebook["cells"] if cell["cell_type"] == "code"]
    opened = re.search(r'open_season\(("(?:[^"\\]|\\.)*")\)', codes[0]) if codes else None
    if opened is None:
        return False
    try:
        built = build_notebooks(json.loads(opened.group(1))).get(name)
    except (ValueError, SyntaxError):
        return False
    return built is not None and codes == [c["source"] for c in built["cells"] if c["cell_type"] == "code"]


def build_notebooks(log: str) -> dict[str, Any]:
    """Return all notebooks of a season, set to one log."""
    stories = sorted((files("workbench.notebook") / "stories").iterdir(), key=lambda entry: entry.name)
    named = [(entry.name.removesuffix(".md"), entry) for entry in stories if entry.name.endswith(".md")]
    return {f"{name}.ipynb": build_notebook(entry.read_text(encoding="utf-8"), log, name=name) for name, entry in named}
