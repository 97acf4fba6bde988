"""Nothing seen or measured in a simulated unit excludes anything else seen in it; more seasons in the study."""

import pytest

from tests.studies.signs import contradictions


@pytest.mark.parametrize("seed", range(300, 304))
def test_no_unit_of_a_simulated_season_contradicts_itself(seed):
    assert contradictions(seed) == []
