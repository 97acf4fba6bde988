"""What people keep of their own is left alone by every test, interruptions are heard, long tests begin first."""

import os
import signal

import pytest


def pytest_configure():
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # two processes with threads each would wait for one another
    if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:  # as a shell sets it for what runs in the background
        signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(scope="session", autouse=True)
def _own_folders(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        for variable in ("JUPYTER_DATA_DIR", "IPYTHONDIR"):
            patch.setenv(variable, str(tmp_path_factory.mktemp(variable.lower())))
        yield


SHARED = {"talk_of", "plain_review", "hostile_review"}
"""Fixtures that write whole reviews: files with tests that use them run in one process, so each is written once."""


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    """Keep the tests of a file in one process, and let the processes begin with the files that take longest."""
    kinds = {}
    for item in items:
        if item.path.suffix == ".ipynb":
            item.add_marker(pytest.mark.slow)
        names = {mark.name for mark in item.iter_markers()} | SHARED & set(getattr(item, "fixturenames", ()))
        kinds.setdefault(item.path, set()).update(names)
    for item in items:
        name = "reviews" if kinds[item.path] & SHARED else item.nodeid.partition("::")[0]
        item.add_marker(pytest.mark.xdist_group(name))
    items.sort(key=lambda item: tuple(not kinds[item.path] & kind for kind in (SHARED, {"browser"}, {"slow"})))
