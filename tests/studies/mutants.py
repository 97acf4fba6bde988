"""Study on demand: does a test fail when one comparison, number, sign or word of truth in a module is changed?

Run with `python -m tests.studies.mutants workbench/estimate/curves.py tests/estimate/test_curves.py [MOST] [SECONDS]`.
Works on a copy of the project in a temporary folder; prints the changes that no test noticed.
"""

import ast
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
COMPARISONS = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip
SIGNS = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult}
CHOICES = {ast.And: ast.Or, ast.Or: ast.And}


def places(tree: ast.Module) -> list[tuple[int, str]]:
    """Number of every node that can be changed, in the order of ast.walk, with what it is."""
    found = []
    for number, node in enumerate(ast.walk(tree)):
        if isinstance(node, ast.Compare) and type(node.ops[0]) in COMPARISONS:
            found.append((number, "comparison"))
        elif isinstance(node, ast.BinOp) and type(node.op) in SIGNS:
            found.append((number, "sign"))
        elif isinstance(node, ast.BoolOp):
            found.append((number, "and or"))
        elif isinstance(node, ast.Constant) and isinstance(node.value, bool | int | float):
            found.append((number, "constant"))
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.Invert):
            found.append((number, "not"))
    return found


def mutated(source: str, number: int) -> tuple[str, str]:
    """Return the source with one node changed, and a line that says what."""
    tree = ast.parse(source)
    for at, node in enumerate(ast.walk(tree)):
        if at != number:
            continue
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
        elif isinstance(node, ast.Constant):
            node.value = (not node.value) if isinstance(node.value, bool) else node.value + 1
        return ast.unparse(ast.fix_missing_locations(tree)), f"line {node.lineno}: {before}  ->  {ast.unparse(node)}"
    raise IndexError(number)


def main(module: str, test: str, most: int = 40, seconds: int = 600, seed: int = 0) -> int:
    """Change, test and count; 1 when any change survived."""
    source = (ROOT / module).read_text(encoding="utf-8")
    able = places(ast.parse(source))
    order = np.random.default_rng(seed).permutation(len(able))[:most]
    killed, survived, begun = 0, [], time.monotonic()
    with tempfile.TemporaryDirectory() as scratch:
        copy = Path(scratch)
        for name in ("workbench", "tests", "sample_data"):
            shutil.copytree(ROOT / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy(ROOT / "pyproject.toml", copy)
        command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *test.split(",")]
        for place in order:
            if time.monotonic() - begun > seconds:
                break
            changed, what = mutated(source, able[int(place)][0])
            (copy / module).write_text(changed, encoding="utf-8")
            try:
                code = subprocess.run(command, cwd=copy, capture_output=True, timeout=150, check=False).returncode
            except subprocess.TimeoutExpired:
                code = 1
            killed += code != 0
            survived += [what] if code == 0 else []
    print(f"{module}: {killed} of {killed + len(survived)} changes were noticed ({len(able)} possible)")
    print("\n".join(f"  survived: {what}" for what in sorted(survived)), flush=True)
    return 1 if survived else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], sys.argv[2], *(int(a) for a in sys.argv[3:])))
