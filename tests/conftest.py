"""What people keep of their own, Jupyter's and IPython's folders, is left alone by every test and every run in one."""

import pytest


@pytest.fixture(scope="session", autouse=True)
def _own_folders(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        for variable in ("JUPYTER_DATA_DIR", "IPYTHONDIR"):
            patch.setenv(variable, str(tmp_path_factory.mktemp(variable.lower())))
        yield
