"""Reviews of two small seasons, one of them with hostile names, written once for all tests of this folder."""

from pathlib import Path

import pytest

from tests.report.seasons import SETTINGS, small_seasons, write_hostile_log, write_plain_log
from workbench.report.making.assembly import review


@pytest.fixture(scope="session")
def plain_log(tmp_path_factory):
    return write_plain_log(tmp_path_factory.mktemp("plain") / "season.csv")


@pytest.fixture(scope="session")
def hostile_log(tmp_path_factory):
    return write_hostile_log(tmp_path_factory.mktemp("hostile") / "season.csv")


@pytest.fixture(scope="session")
def plain_review(plain_log, tmp_path_factory):
    return review(plain_log, tmp_path_factory.mktemp("out") / "plain", settings=SETTINGS)


@pytest.fixture(scope="session")
def hostile_review(hostile_log, tmp_path_factory):
    return review(hostile_log, tmp_path_factory.mktemp("out") / "hostile", mission=150)


SAMPLES = Path(__file__).parents[2] / "sample_data"


@pytest.fixture(scope="session")
def talk_of(request, tmp_path_factory):
    """A function from the name of a season to its review, each written once."""
    folder, made = tmp_path_factory.mktemp("talks"), {}

    def written(name):
        if name not in made:
            made[name] = _write(name, folder / name.replace(" ", "_"), request)
        return made[name]

    return written


def _write(name, out, request):
    if name in ("plain", "hostile"):
        return request.getfixturevalue(f"{name}_review")
    if name.startswith("sample"):
        logs = {year: SAMPLES / f"lantern_moor_{year}.csv" for year in ("2024", "2025")}
        return review(logs[name[-4:]], out, previous=logs["2024"] if name.endswith("2025") else None)
    log = out.with_suffix(".csv")
    small_seasons()[name].to_csv(log, index=False)
    return review(log, out, settings=SETTINGS)
