"""The changes that the laws are known to notice still stand in the sources as they are today."""

from pathlib import Path

import pytest

from tests.studies.law_mutants import MUTANTS

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda mutant: mutant.told)
def test_a_change_can_still_be_made(mutant):
    assert (ROOT / mutant.module).read_text(encoding="utf-8").count(mutant.before) == 1
    assert mutant.after != mutant.before
