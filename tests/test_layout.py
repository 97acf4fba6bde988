"""Rules of the code that a machine can read, and that each of them notices a breach."""

import subprocess
import sys
from pathlib import Path

import pytest

import workbench
from tests import layout_rules
from tests.layout_rules import RULES

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "workbench"

LONG_FUNCTION = '"""A module."""\n\n__all__ = ["long"]\n\n\ndef long() -> int:\n' + "    x = 1\n" * 61
EIGHT = "def f(*, " + ", ".join(f"a{n}: int" for n in range(8)) + ") -> None:\n"
FOUR = "def f(a: int, b: int, c: int, d: int) -> None:\n"
DOOR = '"""A room."""\n\nfrom workbench.ranking.inner import shown\n\n__all__ = ["shown"]\n'
PUBLIC = '"""Package."""\n\n_HOMES = {"f": "lives"}\n'
SILENT = '"""Return what was given.\n\n    Raises\n    ------\n    Nothing.\n    """'

BREACHES = {
    "imports_follow_the_flow": {"estimate/a.py": "from workbench.report.b import x\n"},
    "rooms_are_entered_by_the_door": {
        "ranking/__init__.py": DOOR,
        "ranking/inner.py": "shown = hidden = 1\n",
        "report/a.py": "from workbench.ranking.inner import shown\n",
    },
    "rooms_make_no_circle": {
        "report/__init__.py": "",
        "report/a/__init__.py": "",
        "report/a/one.py": "from workbench.report.b import x\n",
        "report/b/__init__.py": "",
        "report/b/two.py": "from workbench.report.a import y\n",
    },
    "folders_are_small": {f"estimate/m{n}.py": "" for n in range(17)},
    "names_of_modules_are_told_apart": {"estimate/season.py": "", "report/season.py": ""},
    "exported_names_are_told_apart": {
        "estimate/one.py": '__all__ = ["Cells"]\nCells = 1\n',
        "ranking/two.py": '__all__ = ["Cells"]\nCells = 2\n',
    },
    "modules_and_functions_are_small": {"estimate/a.py": LONG_FUNCTION},
    "arguments_are_few": {"estimate/a.py": f"{EIGHT}    pass\n\n\n{FOUR}    pass\n"},
    "modules_say_what_they_hold_and_export": {"estimate/a.py": "def f() -> None:\n    pass\n"},
    "documentation_is_short": {"estimate/a.py": f"def f(x: int) -> int:\n    {SILENT}\n    return x\n"},
    "public_names_are_documented": {"__init__.py": PUBLIC, "lives.py": 'def f(x: int) -> int:\n    """One."""\n'},
    "nothing_is_swallowed_and_nothing_warns": {
        "estimate/a.py": "try:\n    pass\nexcept Exception:\n    pass\n",
    },
    "sentences_are_not_read_back": {"report/a.py": "def f(row):\n    return row.reason.split('; ')\n"},
    "markup_stands_in_templates": {"report/a.py": 'def f(x):\n    return f"<td class=\\"n\\">{x}</td>"\n'},
}
"""For each rule a small package that breaks it."""


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.__name__)
def test_the_package_keeps_the_rule(rule):
    assert rule(PACKAGE) == []


@pytest.mark.parametrize("name", BREACHES)
def test_a_breach_is_noticed(name, tmp_path):
    package = tmp_path / "workbench"
    for place, text in {"__init__.py": '"""Package."""\n', **BREACHES[name]}.items():
        (package / place).parent.mkdir(parents=True, exist_ok=True)
        (package / place).write_text(text, encoding="utf-8")
    found = getattr(layout_rules, name)(package)
    assert len(found) >= (2 if name == "arguments_are_few" else 1)


@pytest.mark.parametrize("text", ["<p>one", "</td>", "<br/>", '<img src="', "<!DOCTYPE html>", "a&nbsp;b", "<div {x}"])
def test_any_piece_of_a_page_is_noticed_in_a_text(text):
    assert layout_rules.MARKUP.search(text)


@pytest.mark.parametrize("text", ["1 < 2", "<unit>.csv", "R&D", "x<y", "(?P<part>a)"])
def test_signs_of_less_and_names_in_brackets_are_no_page(text):
    assert not layout_rules.MARKUP.search(text)


def test_every_rule_is_shown_a_breach():
    assert {rule.__name__ for rule in RULES} <= set(BREACHES)


def test_statistics_never_import_a_plotting_library():
    for room in ("estimate", "ranking", "planning"):
        for path in (PACKAGE / room).rglob("*.py"):
            text = path.read_text(encoding="utf-8")
            assert "import matplotlib" not in text and "import seaborn" not in text, path


def test_every_public_name_exists_where_the_package_says():
    for name in workbench.__all__:
        value = getattr(workbench, name)
        assert callable(value), name
        assert workbench._HOMES[name] in value.__module__, f"{name} is defined in {value.__module__}"


def without_mirror(homes, tests):
    """Modules of public names without a test module of their name in the tests' folder of their room."""
    lacking = []
    for home in sorted(homes):
        *rooms, module = home.split(".")
        folder = tests.joinpath(*(rooms if rooms[:1] == ["estimate"] else rooms[:1]))
        if module != "errors" and not list(folder.glob(f"test_{module}.py")):
            lacking.append(home)
    return lacking


def test_tests_mirror_the_rooms(tmp_path):
    assert without_mirror(set(workbench._HOMES.values()), ROOT / "tests") == []
    (tmp_path / "test_lives.py").touch()
    assert without_mirror({"lives", "errors", "estimate.curves.means"}, tmp_path) == ["estimate.curves.means"]


def test_importing_the_package_loads_nothing_heavy():
    code = "import sys, workbench; print([m for m in ('pandas', 'scipy', 'matplotlib', 'sklearn') if m in sys.modules])"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert out.stdout.strip() == "[]"


def test_help_loads_nothing_heavy():
    code = (
        "import sys, contextlib, io\n"
        "from workbench.cli import build_parser\n"
        "build_parser().format_help()\n"
        "print([m for m in ('pandas', 'scipy', 'matplotlib', 'sklearn', 'numpy') if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert out.stdout.strip() == "[]"


def test_top_level_entries_are_the_agreed_ones():
    listed = subprocess.run(["git", "ls-files"], capture_output=True, text=True, cwd=ROOT)
    top = {line.split("/")[0] for line in listed.stdout.splitlines()}
    allowed = {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "workbench",
        "notebooks",
        "tests",
        "sample_data",
        "LICENSE",
    }
    assert {t for t in top if not t.startswith(".")} <= allowed
