"""Fleets on a cluster: the same lives from PySpark on a standalone master with two workers as from the file."""

import shutil
import socket
from urllib.parse import urlsplit

import numpy as np
import pytest

from tests.benchmarks.fleet_rows import write_fleet
from tests.fleet.spark_cluster import spark_session, standalone_master
from workbench.fleet.fleets import read_fleet

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(shutil.which("java") is None, reason="Spark runs on Java, which is not installed"),
    pytest.mark.filterwarnings("default:::pyspark"),
]

KEPT = ["lid_seal", "vent", "environment", "site", "season"]


def test_two_workers_give_the_lives_of_the_file_and_nothing_of_the_cluster_is_left(tmp_path):
    pytest.importorskip("pyspark", reason="needs the extra fleet-cluster")
    path = write_fleet(tmp_path / "fleet.parquet", 3000, dirt=3.0)
    from_file = read_fleet(path, covariates=KEPT)
    with standalone_master(tmp_path) as master, spark_session(master) as spark:
        aside = tmp_path / "aside.parquet"
        fleet = read_fleet(spark.read.parquet(str(path)), covariates=KEPT, set_aside_to=aside)
    assert (fleet.rows, fleet.used) == (from_file.rows, from_file.used)
    assert 0 < fleet.rows_set_aside < 100
    assert aside.is_file()
    assert fleet.set_aside.equals(from_file.set_aside)
    assert fleet.problems.equals(from_file.problems)
    lives, same = fleet.lives(), from_file.lives()
    assert lives.covariates.equals(same.covariates)
    for name in ("entry", "lower", "upper", "weight", "cause"):
        assert np.array_equal(getattr(lives, name), getattr(same, name))
    with socket.socket() as probe:
        assert probe.connect_ex((urlsplit(master).hostname, urlsplit(master).port)) != 0
