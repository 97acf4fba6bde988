"""What people keep of their own is left alone by every test and every run in one, and interruptions are heard."""

import signal

import pytest


def pytest_configure():
    if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:  # as a shell sets it for what runs in the background
        signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(scope="session", autouse=True)
def _own_folders(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        for variable in ("JUPYTER_DATA_DIR", "IPYTHONDIR"):
            patch.setenv(variable, str(tmp_path_factory.mktemp(variable.lower())))
        yield
