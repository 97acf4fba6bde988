"""Study on demand: does a test fail when one comparison, number, sign or word of truth in a module is changed?

    python -m tests.studies.mutants                            # every module of ROOMS, 20 changes each
    python -m tests.studies.mutants estimate 30                # one room
    python -m tests.studies.mutants estimate/curves/means.py 40 7  # one module, 40 changes, drawn with seed 7

Works on a copy of the project in a temporary folder. The tests and examples of a room run once to learn which lines
each of them executes; a change is then tried with the tests that execute its line, quickest first, and where none of
these notices it, with whole test files (values are shared by fixtures and remembered by caches). One line a module is
printed, below it the changes that no test noticed and the lines that no test runs. Words of errors are left alone.
"""

import ast
import os
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections import defaultdict
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
ROOMS = {
    "estimate": (
        "tests/estimate",
        "tests/published",
        "tests/test_lives.py",
        "workbench/lives.py",
        "workbench/estimate",
    ),
    "log": ("tests/log", "workbench/log"),
    "ranking": ("tests/ranking", "workbench/ranking"),
    "planning": ("tests/planning", "workbench/planning"),
}
LEFT_OUT = (
    "test_damage.py",
    "test_fleets.py",
    "test_fleet_sources.py",
    "test_classify.py",
)  # studies of their own, or slow
LONGEST = 5.0  # seconds; a test that takes longer is not asked
LEARNT = "lines_by_test"  # a file of the copy
PATIENCE = 10.0  # times as long as the tests took, and as many seconds more: then a change counts as noticed
PRELOADED = (
    "pytest",
    "scipy.stats",
    "scipy.optimize",
    "scipy.special",
    "pandas",
    "lifelines",
    "hypothesis",
    "openpyxl",
)

COMPARISONS = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip
SIGNS = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult}
CHOICES = {ast.And: ast.Or, ast.Or: ast.And}
UNCHANGED_KEYWORDS = {"frozen", "eq", "kw_only", "slots", "repr", "strict", "maxsize", "keepdims"}
LEFT_ALONE = (ast.Raise, ast.JoinedStr)  # the words that people read


def changeable(node: ast.AST) -> bool:
    """Whether a node is one of the five kinds that are changed."""
    return (
        (isinstance(node, ast.Compare) and type(node.ops[0]) in COMPARISONS)
        or (isinstance(node, ast.BinOp) and type(node.op) in SIGNS)
        or isinstance(node, ast.BoolOp)
        or (isinstance(node, ast.Constant) and isinstance(node.value, bool | int | float))
        or (isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.Invert))
    )


def walk(node: ast.AST, statement: ast.stmt | None = None) -> Iterator[tuple[ast.AST, ast.stmt]]:
    """Every changeable node with its innermost statement, past annotations, errors and words."""
    if isinstance(node, LEFT_ALONE) or (isinstance(node, ast.keyword) and node.arg in UNCHANGED_KEYWORDS):
        return
    statement = node if isinstance(node, ast.stmt) else statement
    if statement is not None and changeable(node):
        yield node, statement
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST):
                yield from walk(child, statement)


def span(node: ast.AST, statement: ast.stmt) -> range:
    """Lines one of which runs whenever the node does: the statement, or the head of a compound one up to the node."""
    last = node.end_lineno if hasattr(statement, "body") else statement.end_lineno
    return range(statement.lineno, last + 1)


def mutated(source: str, number: int) -> tuple[str, str]:
    """Return the source with one changeable node changed, and a line that says what."""
    tree = ast.parse(source)
    node = [node for node, _ in walk(tree)][number]
    before = ast.unparse(node)
    if isinstance(node, ast.Compare):
        node.ops[0] = COMPARISONS[type(node.ops[0])]()
    elif isinstance(node, ast.BinOp):
        node.op = SIGNS[type(node.op)]()
    elif isinstance(node, ast.BoolOp):
        node.op = CHOICES[type(node.op)]()
    elif isinstance(node, ast.UnaryOp):
        node.op = ast.UAdd() if isinstance(node.op, ast.Invert) else ast.Not()
        if isinstance(node.op, ast.Not):
            node.operand = ast.UnaryOp(op=ast.Not(), operand=node.operand)
    else:
        node.value = (not node.value) if isinstance(node.value, bool) else node.value + 1
    line = source.splitlines()[node.lineno - 1].strip()
    what = f"line {node.lineno}: {before}  ->  {ast.unparse(node)}    in  {line}"
    return ast.unparse(ast.fix_missing_locations(tree)), what


class Tracer:
    """Plugin of the test runner: which lines of the package each passing test executes, and how long it takes."""

    def __init__(self, package: Path):
        self.package = str(package)
        self.lines: dict[str, dict[int, set[str]]] = defaultdict(lambda: defaultdict(set))
        self.seconds: dict[str, float] = {}
        self.failed: set[str] = set()
        self.current = ""  # no test: lines that run on import

    def __call__(self, frame, event, arg):
        if not frame.f_code.co_filename.startswith(self.package):
            return None
        seen = self.lines[frame.f_code.co_filename]

        def each_line(frame, event, arg):
            seen[frame.f_lineno].add(self.current)
            return each_line

        return each_line(frame, event, arg)

    def pytest_runtest_logstart(self, nodeid):
        self.current = nodeid

    def pytest_runtest_logreport(self, report):
        self.seconds[report.nodeid] = self.seconds.get(report.nodeid, 0.0) + report.duration
        if not report.passed:
            self.failed.add(report.nodeid)

    def pytest_runtest_logfinish(self, nodeid):
        self.current = ""


class Chosen:
    """Plugin of the test runner: only these tests, in this order."""

    def __init__(self, names: list[str]):
        self.place = {name: at for at, name in enumerate(names)}

    def pytest_collection_modifyitems(self, items):
        items[:] = sorted((i for i in items if i.nodeid in self.place), key=lambda item: self.place[item.nodeid])


def run_tests(copy: Path, paths: list[str], plugin: object, *options: str) -> int:
    """Run tests inside this process, on the copy, and return their exit code."""
    import pytest

    os.chdir(copy)
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    sys.path[:0] = [str(copy)]
    for name in [n for n in sys.modules if n.split(".")[0] in ("tests", "workbench")]:
        del sys.modules[name]
    left_out = [f"--ignore-glob=*/{name}" for name in LEFT_OUT]
    command = ["-q", "-o", "addopts=", "--doctest-modules", "-p", "no:cacheprovider", *left_out]
    return int(pytest.main([*command, *options, *paths], plugins=[plugin]))


def apart(job: Callable[..., int], *arguments, seconds: float) -> int:
    """Run a job in a silent child process and return its exit code, or 1 when it takes far longer than `seconds`."""
    child = os.fork()
    if child == 0:
        quiet, code = os.open(os.devnull, os.O_WRONLY), 1
        os.dup2(quiet, 1)
        try:
            code = job(*arguments)
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(code)
    end = time.monotonic() + PATIENCE * (1.0 + seconds)
    while True:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return os.waitstatus_to_exitcode(status)
        if time.monotonic() > end:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return 1
        time.sleep(0.02)


def learn(copy: Path, paths: list[str]) -> int:
    """Run all tests of a room once; write down the lines that each executes, by file, and its seconds."""
    tracer = Tracer(copy / "workbench")
    sys.settrace(tracer)
    run_tests(copy, paths, tracer)
    sys.settrace(None)
    able = {name: took for name, took in tracer.seconds.items() if name not in tracer.failed and took < LONGEST}
    lines = {
        str(Path(file).relative_to(copy)): {
            line: sorted(n for n in by if not n or n in able) for line, by in of.items()
        }
        for file, of in tracer.lines.items()
    }
    (copy / LEARNT).write_text(repr((lines, able)), encoding="utf-8")
    return 0


def one_change(copy: Path, names: list[str]) -> int:
    """Run the named tests, stopping at the first that fails."""
    files = sorted({name.split("::")[0] for name in names})
    return run_tests(copy, files, Chosen(names), "-x")


def noticed(copy: Path, names: list[str], seconds: dict[str, float]) -> bool:
    """Whether a test that executes the line fails, or else any test of the same files."""
    files = {name.split("::")[0] for name in names}
    beside = [name for name in seconds if name.split("::")[0] in files and name not in names]
    for asked in (sorted(names, key=seconds.__getitem__), beside):
        if asked and apart(one_change, copy, asked, seconds=sum(seconds[name] for name in asked)):
            return True
    return False


def study(copy: Path, module: str, lines: dict, seconds: dict[str, float], most: int, seed: int) -> tuple[int, int]:
    """Try changes of one module, print what was found; return how many were tried and noticed."""
    source = (copy / module).read_text(encoding="utf-8")
    able, unrun = [], set()
    for number, (node, statement) in enumerate(walk(ast.parse(source))):
        where = {name for line in span(node, statement) for name in lines.get(line, ())}
        if where == {""}:  # runs on import: every test that enters the module
            where = {name for of in lines.values() for name in of}
        where.discard("")
        able += [(number, sorted(where))] if where else []
        unrun |= set() if where else {node.lineno}
    order = np.random.default_rng(seed).permutation(len(able))[:most]
    survived, begun = [], time.monotonic()
    for number, names in (able[int(at)] for at in order):
        changed, what = mutated(source, number)
        for old in (copy / module).parent.glob(f"__pycache__/{Path(module).stem}.*"):
            old.unlink()
        (copy / module).write_text(changed, encoding="utf-8")
        survived += [] if noticed(copy, names, seconds) else [what]
    (copy / module).write_text(source, encoding="utf-8")
    tried = len(order)
    took = time.monotonic() - begun
    print(f"{module}: {tried - len(survived)} of {tried} noticed, {len(able)} possible, {took:.0f} s")
    for what in sorted(survived, key=lambda what: int(what.split(":")[0][5:])):
        print(f"  survived: {what}")
    if unrun:
        print(f"  run by no test: lines {', '.join(map(str, sorted(unrun)))}")
    sys.stdout.flush()
    return tried, tried - len(survived)


def main(wanted: str = ",".join(ROOMS), most: int = 20, seed: int = 0) -> int:
    """Study rooms or modules, separated by commas; 1 when any change survived."""
    for name in PRELOADED:
        __import__(name)
    tried = seen = 0
    with tempfile.TemporaryDirectory() as scratch:
        copy = Path(scratch).resolve()
        for name in ("workbench", "tests", "sample_data"):
            shutil.copytree(ROOT / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy(ROOT / "pyproject.toml", copy)
        for room, paths in ROOMS.items():
            asked = [w for w in wanted.split(",") if w.split("/")[0] == room]
            if not asked:
                continue
            apart(learn, copy, list(paths), seconds=600.0)
            lines, seconds = ast.literal_eval((copy / LEARNT).read_text(encoding="utf-8"))
            print(f"{room}: {len(seconds)} tests and examples, {sum(seconds.values()):.0f} s", flush=True)
            if room in asked:
                found = (ROOT / "workbench" / room).rglob("[a-z]*.py")
                inside = (file.relative_to(ROOT / "workbench").as_posix() for file in found)
                asked = sorted(name for name in inside if "fleet" not in name)
            for name in asked:
                module = f"workbench/{name}"
                more, killed = study(copy, module, lines.get(module, {}), seconds, most, seed)
                tried, seen = tried + more, seen + killed
    print(f"all: {seen} of {tried} changes noticed")
    return 0 if seen == tried else 1


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:2], *(int(a) for a in sys.argv[2:])))
