"""Programs that the package ships are its own wherever they lie; a changed one is not."""

import pytest

from workbench.notebook.building import build_notebooks, is_own_story


@pytest.mark.parametrize("log", ["log.csv", "../a b/\u00fc.csv", 'quote".csv'])
def test_a_shipped_story_is_known_on_any_machine(log):
    for name, notebook in build_notebooks(log).items():
        assert is_own_story(notebook, name)


@pytest.mark.parametrize("change", ["added", "changed", "renamed", "log"])
def test_a_changed_story_is_foreign(change):
    name, notebook = next(iter(build_notebooks("log.csv").items()))
    code = [cell for cell in notebook["cells"] if cell["cell_type"] == "code"]
    if change == "added":
        notebook["cells"].append({**code[0], "source": "print(1)"})
    if change == "changed":
        code[-1]["source"] += "\nprint(1)"
    if change == "log":
        code[0]["source"] = code[0]["source"].replace('"log.csv"', '"log.csv" + str(__import__("os").getcwd())')
    assert not is_own_story(notebook, "02_compare.ipynb" if change == "renamed" else name)
