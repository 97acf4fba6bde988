"""What people keep of their own is left alone by every test, interruptions are heard, long tests begin first."""

import gc
import os
import signal

import pytest

from tests.browser.serving import lab  # noqa: F401  a fixture
from workbench.threads import SEARCHES


def pytest_configure():
    gc.set_threshold(*SEARCHES)  # as commands do
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # two processes with threads each would wait for one another
    if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:  # as a shell sets it for what runs in the background
        signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(scope="session", autouse=True)
def _alone(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        for variable in ("JUPYTER_DATA_DIR", "IPYTHONDIR"):
            patch.setenv(variable, str(tmp_path_factory.mktemp(variable.lower())))
        patch.setattr("workbench.apart._has_room", lambda: False)  # tests fill the processors; those of it say so
        yield


REVIEWS = {"talk_of", "plain_review", "hostile_review"}
"""Fixtures that write whole reviews."""
TOGETHER = {"tests/report/": "reviews", "tests/browser/test_lab": "lab", "tests/notebook/test_lab_start": "lab"}
"""Files that share reviews or a server: they run in one process, so that each is made once."""


def pytest_collection_modifyitems(items):
    """Let the processes begin with the files that take longest."""
    first = {}
    for item in items:
        if REVIEWS & set(getattr(item, "fixturenames", ())) or item.path.suffix == ".ipynb":
            item.add_marker(pytest.mark.slow)
        kinds = {_kept_together(item.nodeid)} | {mark.name for mark in item.iter_markers()}
        order = [kind not in kinds for kind in ("reviews", "lab", "browser", "slow")]
        first[item.path] = min(order, first.get(item.path, order))
    items.sort(key=lambda item: first[item.path])


def _kept_together(nodeid):
    """What the tests of one process have in common: a review, a server, else their file."""
    return next((name for start, name in TOGETHER.items() if nodeid.startswith(start)), nodeid.partition("::")[0])


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    from xdist.scheduler import LoadFileScheduling

    class Together(LoadFileScheduling):
        def _split_scope(self, nodeid):
            return _kept_together(nodeid)

    return Together(config, log)
