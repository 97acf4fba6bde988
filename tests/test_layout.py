"""Rules of the code that a machine can read: imports along the flow, size, docstrings, complete public names."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import workbench

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "workbench"
MODULES = sorted(PACKAGE.rglob("*.py"))

LAYERS = (
    ("errors", "checks", "results", "threads", "wording"),
    ("life_checks",),
    ("lives",),
    ("log", "estimate", "simulate", "scenario"),
    ("ranking",),
    ("teardown",),
    ("planning",),
    ("report",),
    ("notebook", "panel"),
    ("commands", "cli", "__main__"),
)
"""Rooms from first to last along the flow; a module may import from its own room and from earlier layers."""

PROPERTIES = {"property", "cached_property"}
STATISTICS_ROOMS = ("estimate", "ranking", "planning")
MAX_MODULE_LINES = 400
MAX_FUNCTION_LINES = 60


def _room(path: Path) -> str:
    parts = path.relative_to(PACKAGE).parts
    return parts[0].removesuffix(".py")


def _layer(room: str) -> int:
    for number, rooms in enumerate(LAYERS):
        if any(room == r or (r == "simulate" and room.startswith("simulate")) for r in rooms):
            return number
    raise AssertionError(f"workbench/{room} has no place in the flow; add it to LAYERS")


def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def _imported_rooms(tree: ast.Module) -> set[str]:
    rooms = set()
    for node in ast.walk(tree):
        names: list[str] = []
        if isinstance(node, ast.ImportFrom) and node.module == "workbench":
            names = [f"workbench.{alias.name}" for alias in node.names if not alias.name.startswith("__")]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names = [node.module]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        rooms |= {name.split(".")[1] for name in names if name.startswith("workbench.")}
    return rooms


def _public_functions(tree: ast.Module):
    exported = _exported(tree)
    for node in tree.body:
        if isinstance(node, ast.FunctionDef) and node.name in exported:
            yield node.name, node
        if isinstance(node, ast.ClassDef) and node.name in exported:
            for item in node.body:
                decorators = {d.id for d in getattr(item, "decorator_list", []) if isinstance(d, ast.Name)}
                if isinstance(item, ast.FunctionDef) and not item.name.startswith("_") and not decorators & PROPERTIES:
                    yield f"{node.name}.{item.name}", item


def _exported(tree: ast.Module) -> list[str]:
    for node in tree.body:
        target = node.targets[0] if isinstance(node, ast.Assign) else getattr(node, "target", None)
        if isinstance(target, ast.Name) and target.id == "__all__" and node.value is not None:
            return [e.value for e in getattr(node.value, "elts", [])]
    return []


def _ids(paths):
    return [str(p.relative_to(PACKAGE)) for p in paths]


@pytest.mark.parametrize("path", MODULES, ids=_ids(MODULES))
def test_imports_follow_the_flow(path):
    if path == PACKAGE / "__init__.py":
        return
    room = _room(path)
    own = _layer(room)
    for other in _imported_rooms(_tree(path)) - {room}:
        if other in workbench.__all__ and not (PACKAGE / other).exists() and not (PACKAGE / f"{other}.py").exists():
            raise AssertionError(f"{path.name} imports the public name workbench.{other}; import it from its module")
        assert _layer(other) <= own, f"{path.name} ({room}) imports workbench.{other}, which comes later in the flow"
        assert {room, other} != {"log", "estimate"}, f"{path.name}: log and estimate must not know each other"


@pytest.mark.parametrize("path", MODULES, ids=_ids(MODULES))
def test_modules_and_functions_are_small(path):
    lines = path.read_text(encoding="utf-8").count("\n")
    assert lines <= MAX_MODULE_LINES, f"{path.name} has {lines} lines"
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            length = node.end_lineno - node.lineno + 1
            documented = ast.get_docstring(node, clean=False)
            body = length - (documented.count("\n") + 1 if documented else 0)
            assert body <= MAX_FUNCTION_LINES, f"{path.name}: {node.name} has {body} lines without its docstring"


@pytest.mark.parametrize("path", MODULES, ids=_ids(MODULES))
def test_modules_say_what_they_hold_and_export(path):
    tree = _tree(path)
    assert ast.get_docstring(tree), f"{path.name} has no first sentence"
    if path.name == "__init__.py" and len(tree.body) == 1:
        return
    exported = _exported(tree)
    defined = {
        n.name for n in tree.body if isinstance(n, ast.FunctionDef | ast.ClassDef) and not n.name.startswith("_")
    }
    if path.parent != PACKAGE / "commands":
        missing = defined - set(exported)
        assert not missing, f"{path.name}: public names missing from __all__: {sorted(missing)}"


@pytest.mark.parametrize("path", MODULES, ids=_ids(MODULES))
def test_public_functions_document_arguments_result_and_errors(path):
    for name, node in _public_functions(_tree(path)):
        text = ast.get_docstring(node) or ""
        arguments = [a.arg for a in [*node.args.args, *node.args.kwonlyargs] if a.arg not in ("self", "cls")]
        wanted = (["Parameters"] if arguments or node.args.vararg or node.args.kwarg else []) + ["Returns", "Raises"]
        if "Yields\n---" in text:
            wanted.remove("Returns")
        for section in wanted:
            assert f"{section}\n---" in text, f"{path.name}: {name} has no section {section}"


@pytest.mark.parametrize("path", MODULES, ids=_ids(MODULES))
def test_nothing_is_swallowed_and_nothing_warns(path):
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.ExceptHandler):
            caught = ast.unparse(node.type) if node.type else "everything"
            assert caught not in ("everything", "Exception", "BaseException"), f"{path.name} catches {caught}"
        if isinstance(node, ast.Call) and ast.unparse(node.func) == "warnings.warn":
            raise AssertionError(f"{path.name} warns; say it in notes or raise")


@pytest.mark.parametrize("path", [p for p in MODULES if _room(p) in STATISTICS_ROOMS], ids=str)
def test_estimates_never_import_a_plotting_library(path):
    text = path.read_text(encoding="utf-8")
    assert "import matplotlib" not in text and "import seaborn" not in text


def test_every_public_name_exists_where_the_package_says():
    for name in workbench.__all__:
        value = getattr(workbench, name)
        assert callable(value), name
        assert workbench._HOMES[name] in value.__module__, f"{name} is defined in {value.__module__}"


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
