"""Dependencies: each direct one has a lower bound, is installed within its bounds and free to use; none is at odds."""

import ast
import re
import subprocess
import sys
import tomllib
from importlib.metadata import metadata, packages_distributions, version
from pathlib import Path

import pytest
from packaging.requirements import Requirement

PROJECT = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text(encoding="utf-8"))["project"]
DIRECT = [Requirement(line) for line in PROJECT["dependencies"]]
OPTIONAL = [Requirement(line) for lines in PROJECT["optional-dependencies"].values() for line in lines]
FREE = re.compile(r"BSD|MIT|Apache|Python Software|PSF|HPND|MIT-CMU|ISC", re.IGNORECASE)


def _imported() -> set[str]:
    """Packages that any module of ours imports, wherever in it."""
    names: set[str] = set()
    for path in (Path(__file__).parents[1] / "workbench").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                names |= {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
                names.add(node.module.split(".")[0])
    return names - set(sys.stdlib_module_names) - {PROJECT["name"]}


def test_what_is_imported_is_a_dependency_of_our_own():
    """A package that merely came along with another one is missing on a machine where the other does without it."""
    declared = {re.sub(r"[-_.]+", "-", wanted.name).lower() for wanted in DIRECT + OPTIONAL}
    homes = packages_distributions()
    for name in _imported():
        places = {re.sub(r"[-_.]+", "-", place).lower() for place in homes.get(name, [name])}
        assert places & declared, f"{name} is imported and not among the dependencies"


def test_what_the_workbench_is_built_on_is_declared_and_imported():
    """Figures, tables, classifiers and second opinions rest on these; none may drop out unnoticed."""
    names = {wanted.name for wanted in DIRECT}
    assert {"jupyterlab", "pandas", "scikit-learn", "lifelines", "seaborn"} <= names
    assert {"pandas", "sklearn", "lifelines", "seaborn"} <= _imported()


@pytest.mark.parametrize("wanted", DIRECT + OPTIONAL, ids=str)
def test_every_direct_dependency_has_a_lower_bound(wanted):
    if wanted.name == PROJECT["name"]:
        return
    assert any(bound.operator in (">=", "~=", "==") for bound in wanted.specifier), f"{wanted} has no lower bound"


@pytest.mark.parametrize("wanted", DIRECT, ids=str)
def test_what_is_installed_lies_within_the_bounds(wanted):
    assert wanted.specifier.contains(version(wanted.name), prereleases=True)


@pytest.mark.parametrize("wanted", DIRECT, ids=str)
def test_every_direct_dependency_may_be_used_and_handed_on_freely(wanted):
    about = metadata(wanted.name)
    classed = [c for c in about.get_all("Classifier") or [] if c.startswith("License")]
    said = " ".join([about.get("License-Expression") or "", (about.get("License") or "")[:200], *classed])
    assert FREE.search(said), f"{wanted.name}: {said or 'no licence is stated'}"


def test_no_installed_package_is_at_odds_with_another():
    done = subprocess.run([sys.executable, "-m", "pip", "check"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
