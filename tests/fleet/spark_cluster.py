"""A Spark cluster of this machine for tests and studies: a master and two workers on loopback, always stopped."""

import os
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

__all__ = ["spark_session", "standalone_master"]

LOOPBACK = "127.0.0.1"
WORKERS = 2
PATIENCE = 120.0
OPTIONS = {
    "spark.driver.memory": "2g",
    "spark.driver.host": LOOPBACK,
    "spark.driver.bindAddress": LOOPBACK,
    "spark.sql.shuffle.partitions": "4",
    "spark.ui.enabled": "false",
    "spark.ui.showConsoleProgress": "false",
    # a session of a minute does not live to see what the second compiler would save
    "spark.driver.extraJavaOptions": "-XX:TieredStopAtLevel=1",
    "spark.executor.extraJavaOptions": "-XX:TieredStopAtLevel=1",
}


@contextmanager
def standalone_master(folder: Path) -> Iterator[str]:
    """The address of a standalone master with two workers of one core; logs and work go to a folder."""
    port = _free_port()
    address = f"spark://{LOOPBACK}:{port}"
    with ExitStack() as running:
        running.enter_context(_part_of_a_cluster("master.Master", folder / "master.log", "--port", str(port)))
        _wait_for(lambda: _answers(port), "master")
        logs = [folder / f"worker-{number}.log" for number in range(WORKERS)]
        for log in logs:
            options = ("--port", "0", "--cores", "1", "--memory", "1g", address)
            running.enter_context(_part_of_a_cluster("worker.Worker", log, *options))
        for log in logs:
            _wait_for(lambda log=log: "registered with master" in log.read_text().lower(), log.stem)
        yield address


@contextmanager
def spark_session(master: str) -> Iterator[Any]:
    """A session of a master that has done its first job; nothing of it is left afterwards."""
    from pyspark import SparkContext
    from pyspark.sql import SparkSession

    spark = SparkSession.builder.master(master).config(map=OPTIONS).getOrCreate()
    try:
        spark.sparkContext.setLogLevel("ERROR")
        spark.range(1).count()
        yield spark
    finally:
        spark.stop()
        gateway, SparkContext._gateway, SparkContext._jvm = SparkContext._gateway, None, None
        gateway.shutdown()
        gateway.proc.stdin.close()  # at which Java ends
        gateway.proc.wait(PATIENCE)


@contextmanager
def _part_of_a_cluster(name: str, log: Path, *options: str) -> Iterator[None]:
    import pyspark

    home = Path(pyspark.__file__).parent
    command = [str(home / "bin" / "spark-class"), f"org.apache.spark.deploy.{name}", "--host", LOOPBACK]
    own = {"SPARK_HOME": str(home), "SPARK_LOCAL_IP": LOOPBACK, "SPARK_WORKER_DIR": str(log.with_suffix(""))}
    with log.open("w") as said:
        process = subprocess.Popen(
            [*command, "--webui-port", "0", *options],
            env=os.environ | own,
            stdout=said,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
    try:
        yield
    finally:
        os.killpg(process.pid, signal.SIGTERM)
        try:
            process.wait(20)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        return int(probe.getsockname()[1])


def _answers(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex((LOOPBACK, port)) == 0


def _wait_for(done: Callable[[], bool], what: str) -> None:
    end = time.monotonic() + PATIENCE
    while not done():
        if time.monotonic() > end:
            raise TimeoutError(f"the {what} of the Spark cluster did not start within {PATIENCE:.0f} s")
        time.sleep(0.1)
