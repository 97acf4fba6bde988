"""Law of the registry: every public function that takes lives is asked by the laws."""

import importlib
import inspect
import pkgutil
import typing

import workbench
from tests.laws.registry import PARTS, QUESTIONS
from workbench.lives import Lives
from workbench.results import Result

ROOMS = ("estimate", "ranking", "teardown", "planning")


def _takes_lives(function) -> bool:
    return any(p.annotation is Lives for p in inspect.signature(function).parameters.values())


def _gives_result(function) -> bool:
    gives = inspect.signature(function).return_annotation
    return any(inspect.isclass(t) and issubclass(t, Result) for t in (gives, *typing.get_args(gives)))


def public_functions_of_lives() -> set[str]:
    """Names that callers may use and that take lives: public ones, and those of the rooms that give a result."""
    found = {n for n in workbench.__all__ if inspect.isfunction(f := getattr(workbench, n)) and _takes_lives(f)}
    for room in ROOMS:
        package = importlib.import_module(f"workbench.{room}")
        for module in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
            for name, function in inspect.getmembers(importlib.import_module(module.name), inspect.isfunction):
                if not name.startswith("_") and _takes_lives(function) and _gives_result(function):
                    found.add(name)
    return found


def test_every_public_function_of_lives_is_asked():
    asked = {question.function.__name__ for question in QUESTIONS.values()}
    assert not asked & set(PARTS)
    assert public_functions_of_lives() == asked | set(PARTS), "add it to tests/laws/registry.py"


def test_a_function_that_is_not_registered_is_noticed(monkeypatch):
    def count_lives(lives: Lives) -> Result: ...

    module = importlib.import_module(QUESTIONS["curve"].function.__module__)
    monkeypatch.setattr(module, "count_lives", count_lives, raising=False)
    assert "count_lives" in public_functions_of_lives()
