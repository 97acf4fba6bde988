"""Reviews of two small seasons, one of them with hostile names, written once for all tests of this folder."""

import pytest

from tests.report.seasons import SETTINGS, write_hostile_log, write_plain_log
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
