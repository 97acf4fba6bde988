"""Rules of the house that a machine can read: each takes a package folder and returns its breaches as sentences."""

import ast
import re
from collections import Counter, defaultdict
from collections.abc import Iterator
from functools import cache
from pathlib import Path

__all__ = ["FLOW", "RULES"]

FLOW = (
    ("errors", "checks", "results", "threads", "wording", "mentions"),
    ("apart", "printing", "one_writer", "filing", "templating"),
    ("levels", "life_checks"),
    ("lives",),
    ("log", "estimate", "scenario", "fleet", "simulate"),
    ("ranking",),
    ("teardown",),
    ("records",),
    ("planning",),
    ("report",),
    ("notebook",),
    ("commands", "cli", "__main__"),
)
"""From first to last along the flow; a module may import from its own part and from earlier ones."""

APART = {("estimate", "log"), ("estimate", "scenario"), ("estimate", "fleet")}
NAMED_AS_WHAT_THEY_RUN_OR_DRAW = ("commands", "figures")
MOST = {"modules": 16, "module lines": 400, "function lines": 60, "parameters": 7, "positional": 3}
MOST_DOCUMENTATION = 0.35
MARKUP = re.compile(
    r"<!doctype|&(?:amp|lt|gt|quot|nbsp|#\d+);|</?(?:html|head|body|title|style|script|section|article|main|header|footer"
    r"|nav|div|span|p|h[1-6]|ul|ol|li|dl|dt|dd|table|thead|tbody|tr|td|th|a|b|i|em|strong|small|sub|sup|code|pre|br|hr|img"
    r"|figure|figcaption|svg|details|summary|form|fieldset|label|input|select|option|button|output)(?:\s[^<>]*)?/?>?(?=\W|$)",
    re.IGNORECASE,
)
"""An element of HTML, whole or begun, or an entity."""
SENTENCES = ("answer", "caveat", "claim", "headline", "note", "reason", "sentence", "statement")
"""Names of texts that are made for people."""
TAKES_APART = ("endswith", "index", "partition", "removeprefix", "removesuffix", "replace", "rpartition", "split")
TAKES_APART += ("find", "rsplit", "startswith")
MAKES_REASONS_GENERAL = "fleet/fleet_rules.py"
"""The one place that still takes reasons of single rows apart, to count like ones together."""
NOTHING = ("Raises\n------\nNothing", "Raises\n------\nNone", "Returns\n-------\nNone\n")
CONTRACT = {
    "from_arrays",
    "failures_to_detect",
    "simulate_season",
    "compare_groups",
    "rank_choices",
    "review",
    "checked_arrays",
    "compare_trend",
    "_question",
    "read_fleet",
}
"""Functions whose signature outside callers rely on, and those that take or hand on the same arguments."""


def _modules(package: Path) -> list[Path]:
    return sorted(p for p in package.rglob("*.py") if "__pycache__" not in p.parts)


def _tree(path: Path) -> ast.Module:
    return _parsed(path.read_text(encoding="utf-8"))


@cache
def _parsed(text: str) -> ast.Module:
    """The tree of a module's text, which every rule reads and none changes."""
    return ast.parse(text)


def _where(package: Path, path: Path) -> str:
    return str(path.relative_to(package))


def _room(package: Path, dotted: str) -> str:
    """The room of a dotted module below the package: the folder that holds it, or the module where it stands alone."""
    if (package / dotted.replace(".", "/")).is_dir():
        return dotted
    return dotted.rpartition(".")[0] or dotted


def _imports(package: Path, tree: ast.Module) -> Iterator[tuple[str, list[str], bool]]:
    """Module below the package, names, and whether the import runs when the module is loaded."""
    at_load = {id(n) for n in tree.body}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == package.name:
            yield node.module.partition(".")[2], [a.name for a in node.names], id(node) in at_load
        elif isinstance(node, ast.Import):
            for alias in node.names:
                if alias.name.startswith(f"{package.name}."):
                    yield alias.name.partition(".")[2], [], id(node) in at_load


def imports_follow_the_flow(package: Path) -> list[str]:
    """A module imports nothing that comes later in the flow."""
    layers = {part: number for number, parts in enumerate(FLOW) for part in parts}
    found = []
    for path in _modules(package):
        own = path.relative_to(package).parts[0].removesuffix(".py")
        if own == "__init__":
            continue
        if own not in layers:
            found.append(f"{_where(package, path)}: {own} has no place in the flow")
            continue
        for module, _, _ in _imports(package, _tree(path)):
            other = module.split(".")[0]
            if not other or other == own:
                continue
            if layers.get(other, len(FLOW)) > layers[own]:
                found.append(f"{_where(package, path)} imports {module}, which comes later in the flow")
            if (own, other) in APART or (other, own) in APART:
                found.append(f"{_where(package, path)} imports {module}: {own} and {other} must not know each other")
    return found


def rooms_are_entered_by_the_door(package: Path) -> list[str]:
    """What another room holds is imported from that room's door, and a door names all that it hands out."""
    found = []
    for path in _modules(package):
        own = ".".join(path.parent.relative_to(package).parts)
        for module, names, _ in _imports(package, _tree(path)):
            room = _room(package, module)
            inside = own == room or own.startswith(f"{room}.")
            if "." in module and module != room and not inside:
                found.append(f"{_where(package, path)} imports {module} past the door of {room}")
            door = package / room.replace(".", "/") / "__init__.py"
            if module == room and door.exists() and names:
                hidden = sorted(set(names) - set(_exported(_tree(door))))
                hidden = [n for n in hidden if not n.startswith("__")]
                if hidden and not inside:
                    found.append(f"{_where(package, path)}: the door of {room} does not hand out {', '.join(hidden)}")
    return found


def rooms_make_no_circle(package: Path) -> list[str]:
    """Rooms do not import each other in a circle when they are loaded."""
    edges: dict[str, set[str]] = defaultdict(set)
    for path in _modules(package):
        own = ".".join(path.parent.relative_to(package).parts)
        for module, _, at_load in _imports(package, _tree(path)):
            room = _room(package, module)
            if at_load and own and room and room != own:
                edges[own].add(room)
    found = []

    def walk(room: str, way: tuple[str, ...]) -> None:
        if room in way:
            circle = way[way.index(room) :]
            if circle[0] == min(circle):
                found.append(f"rooms in a circle: {' -> '.join([*circle, room])}")
            return
        for other in sorted(edges[room]) if room in edges else ():
            walk(other, (*way, room))

    for room in sorted(edges):
        walk(room, ())
    return sorted(set(found))


def folders_are_small(package: Path) -> list[str]:
    """A folder holds at most sixteen modules, and either rooms or modules."""
    found = []
    for folder in sorted({p.parent for p in _modules(package)} - {package}):
        held = [p for p in folder.glob("*.py") if p.name != "__init__.py"]
        if len(held) > MOST["modules"]:
            found.append(f"{_where(package, folder)} holds {len(held)} modules")
        rooms = [p for p in folder.iterdir() if (p / "__init__.py").exists()]
        if held and rooms and not all(r.name in NAMED_AS_WHAT_THEY_RUN_OR_DRAW for r in rooms):
            found.append(f"{_where(package, folder)} holds modules beside rooms")
    return found


def names_of_modules_are_told_apart(package: Path) -> list[str]:
    """No module name occurs twice."""
    names = Counter(
        p.stem
        for p in _modules(package)
        if p.name not in ("__init__.py", "__main__.py") and p.parent.name not in NAMED_AS_WHAT_THEY_RUN_OR_DRAW
    )
    return [f"{name}.py occurs {count} times" for name, count in sorted(names.items()) if count > 1]


def exported_names_are_told_apart(package: Path) -> list[str]:
    """No two modules export the same name."""
    homes: dict[str, list[str]] = defaultdict(list)
    for path in _modules(package):
        if path.name != "__init__.py" and path.parent.name != "commands":
            tree = _tree(path)
            for name in set(_exported(tree)) & _defined(tree):
                homes[name].append(_where(package, path))
    return [f"{name} is exported by {' and '.join(where)}" for name, where in sorted(homes.items()) if len(where) > 1]


def modules_and_functions_are_small(package: Path) -> list[str]:
    """A module has at most 400 lines, a function 60 without its docstring."""
    found = []
    for path in _modules(package):
        lines = path.read_text(encoding="utf-8").count("\n")
        if lines > MOST["module lines"]:
            found.append(f"{_where(package, path)} has {lines} lines")
        for node in ast.walk(_tree(path)):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                documented = ast.get_docstring(node, clean=False)
                body = node.end_lineno - node.lineno + 1 - (documented.count("\n") + 1 if documented else 0)
                if body > MOST["function lines"]:
                    found.append(f"{_where(package, path)}: {node.name} has {body} lines without its docstring")
    return found


def arguments_are_few(package: Path) -> list[str]:
    """A function takes at most seven parameters, at most three of them by position."""
    found = []
    for path in _modules(package):
        for node in ast.walk(_tree(path)):
            if not isinstance(node, ast.FunctionDef) or node.name in CONTRACT:
                continue
            by_position = [a.arg for a in [*node.args.posonlyargs, *node.args.args] if a.arg not in ("self", "cls")]
            count = len(by_position) + len(node.args.kwonlyargs)
            if count > MOST["parameters"]:
                found.append(f"{_where(package, path)}: {node.name} takes {count} parameters")
            if len(by_position) > MOST["positional"]:
                found.append(f"{_where(package, path)}: {node.name} takes {len(by_position)} by position")
    return found


def modules_say_what_they_hold_and_export(package: Path) -> list[str]:
    """A module opens with a sentence and names what it hands out."""
    found = []
    for path in _modules(package):
        tree = _tree(path)
        if not ast.get_docstring(tree):
            found.append(f"{_where(package, path)} has no first sentence")
        if path.name == "__init__.py" or path.parent.name == "commands":
            continue
        defined = {
            n.name for n in tree.body if isinstance(n, ast.FunctionDef | ast.ClassDef) and not n.name.startswith("_")
        }
        missing = sorted(defined - set(_exported(tree)))
        if missing:
            found.append(f"{_where(package, path)}: missing from __all__: {', '.join(missing)}")
    return found


def documentation_is_short(package: Path) -> list[str]:
    """Docstrings have at most 0.35 lines per line of code, and none says that nothing is raised or returned."""
    code, documentation, found = 0, 0, []
    for path in _modules(package):
        text = path.read_text(encoding="utf-8")
        lines = 0
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and ast.get_docstring(node):
                lines += node.body[0].end_lineno - node.body[0].lineno + 1
                doc = ast.get_docstring(node) or ""
                where = f"{_where(package, path)}: {getattr(node, 'name', 'module')}"
                found += [f"{where} documents nothing" for empty in NOTHING if empty in f"{doc}\n"]
        documentation += lines
        code += sum(1 for line in text.splitlines() if line.strip()) - lines
    if documentation > MOST_DOCUMENTATION * code:
        found.append(f"{documentation} lines of docstrings stand beside {code} lines of code")
    return found


def public_names_are_documented(package: Path) -> list[str]:
    """What the package hands out says what enters, what leaves, and what is raised where something is raised."""
    public = set(_exported_of_package(package))
    found = []
    for path in _modules(package):
        for node in _tree(path).body:
            if getattr(node, "name", None) not in public:
                continue
            functions = [node] if isinstance(node, ast.FunctionDef) else []
            if isinstance(node, ast.ClassDef):
                functions = [n for n in node.body if isinstance(n, ast.FunctionDef) and not n.name.startswith("_")]
                functions = [
                    n for n in functions if not n.decorator_list or "property" not in ast.unparse(n.decorator_list[0])
                ]
            for function in functions:
                found += [f"{_where(package, path)}: {function.name} has no section {s}" for s in _missing(function)]
    return found


def _missing(function: ast.FunctionDef) -> list[str]:
    text = ast.get_docstring(function) or ""
    arguments = [a.arg for a in [*function.args.args, *function.args.kwonlyargs] if a.arg not in ("self", "cls")]
    wanted = (["Parameters"] if arguments or function.args.vararg or function.args.kwarg else []) + ["Returns"]
    if any(isinstance(n, ast.Raise) for n in ast.walk(function)):
        wanted.append("Raises")
    if isinstance(function.returns, ast.Constant) and function.returns.value is None:
        wanted.remove("Returns")
    return [s for s in wanted if f"{s}\n---" not in text]


def nothing_is_swallowed_and_nothing_warns(package: Path) -> list[str]:
    """No handler takes every exception, and nothing is said by a warning."""
    found = []
    for path in _modules(package):
        for node in ast.walk(_tree(path)):
            if isinstance(node, ast.ExceptHandler):
                caught = ast.unparse(node.type) if node.type else "everything"
                if caught in ("everything", "Exception", "BaseException"):
                    found.append(f"{_where(package, path)} catches {caught}")
            if isinstance(node, ast.Call) and ast.unparse(node.func) == "warnings.warn":
                found.append(f"{_where(package, path)} warns; say it in notes or raise")
    return found


def markup_stands_in_templates(package: Path) -> list[str]:
    """No text of a module holds an element or an entity of HTML: pages come from template files."""
    found = []
    for path in _modules(package):
        for node in ast.walk(_tree(path)):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                found += [
                    f"{_where(package, path)}, line {node.lineno}: {element.group()} stands in a text of the code"
                    for element in MARKUP.finditer(node.value)
                ]
    return found


def sentences_are_not_read_back(package: Path) -> list[str]:
    """No code takes a sentence apart to find what was put into it: what is needed again travels as a value."""
    found = []
    for path in _modules(package):
        where = _where(package, path)
        for node in ast.walk(_tree(path)):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.args:
                text, does = node.func.value, node.func.attr in TAKES_APART
            elif isinstance(node, ast.Compare) and isinstance(node.ops[0], ast.In):
                text, does = node.comparators[0], True
            else:
                continue
            name = getattr(text, "attr", getattr(text, "id", ""))
            if does and name in SENTENCES and where != MAKES_REASONS_GENERAL:
                found.append(f"{where}:{node.lineno} reads back what {name} says")
    return found


def _exported(tree: ast.Module) -> list[str]:
    for node in tree.body:
        target = node.targets[0] if isinstance(node, ast.Assign) else getattr(node, "target", None)
        if isinstance(target, ast.Name) and target.id == "__all__" and node.value is not None:
            return [e.value for e in getattr(node.value, "elts", [])]
    return []


def _defined(tree: ast.Module) -> set[str]:
    """Names that a module makes itself, not those that it hands on."""
    names = set()
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            names.add(node.name)
        targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
        names |= {t.id for t in targets if isinstance(t, ast.Name)}
    return names


def _exported_of_package(package: Path) -> list[str]:
    for node in _tree(package / "__init__.py").body:
        if (
            isinstance(node, ast.Assign)
            and isinstance(node.value, ast.Dict)
            and ast.unparse(node.targets[0]) == "_HOMES"
        ):
            return [k.value for k in node.value.keys]
    return []


RULES = (
    imports_follow_the_flow,
    rooms_are_entered_by_the_door,
    rooms_make_no_circle,
    folders_are_small,
    names_of_modules_are_told_apart,
    exported_names_are_told_apart,
    modules_and_functions_are_small,
    arguments_are_few,
    modules_say_what_they_hold_and_export,
    documentation_is_short,
    public_names_are_documented,
    nothing_is_swallowed_and_nothing_warns,
    markup_stands_in_templates,
    sentences_are_not_read_back,
)
