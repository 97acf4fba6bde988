"""JupyterLab as it really starts: this machine alone, a token that stays secret, files that stay their owner's."""

import html
import json
import os
import re
import stat
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from workbench.notebook.notebook_folder import jupyter_command, make_season_folder
from workbench.notebook.running import read_notebook

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        not sys.platform.startswith("linux"),
        reason="reads sockets, command lines and masks from /proc, which other systems do not have",
    ),
]


@pytest.fixture(scope="module")
def server(lab):
    """Its address, its token, its season folder, its process and those of its processes."""
    address, folder = lab
    root, token = address.partition("lab/workspaces")[0], address.rpartition("token=")[2]
    told = json.loads(next((folder.parent / "runtime").glob("jpserver-*.json")).read_text())
    assert told["token"] == token
    _await(lambda: _answer(root + "api/status", token)[0] == 200)
    return root, token, folder, told["pid"]


def _await(holds, seconds=60):
    deadline = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < deadline
        time.sleep(0.1)


class _Unled(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *_):
        return None


def _answer(url, token="", *, method="GET", body=None, **headers):
    """Status, place that is redirected to, and content."""
    if token:
        headers["Authorization"] = f"token {token}"
    data = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(url, data, headers, method=method)
    try:
        with urllib.request.build_opener(_Unled).open(request, timeout=30) as answer:
            return answer.status, "", answer.read()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.headers.get("Location", ""), error.read()
    except urllib.error.URLError:
        return 0, "", b""


def _family(pid):
    """A process and those that it started."""
    parents = {}
    for status in Path("/proc").glob("[0-9]*/status"):
        try:
            parents[int(status.parent.name)] = int(re.search(r"PPid:\s+(\d+)", status.read_text())[1])
        except OSError:
            continue
    family = {pid}
    while more := {child for child, parent in parents.items() if parent in family} - family:
        family |= more
    return family


def _listening(pids):
    """Local addresses, as the kernel writes them, on which some processes wait for connections."""
    sockets = set()
    for pid in pids:
        try:
            links = list(Path(f"/proc/{pid}/fd").iterdir())
        except OSError:  # the process has ended meanwhile
            continue
        for link in links:
            try:
                sockets |= set(re.findall(r"socket:\[(\d+)\]", os.readlink(link)))
            except OSError:
                continue
    lines = [line.split() for name in ("tcp", "tcp6") for line in _lines(Path(f"/proc/net/{name}"))[1:]]
    return {line[1].partition(":")[0] for line in lines if line[3] == "0A" and line[9] in sockets}


def _lines(path):
    return path.read_text().splitlines() if path.exists() else [""]


LOOPBACK = {"0100007F", "00000000000000000000000001000000"}
"""127.0.0.1 and ::1 in /proc/net/tcp and tcp6."""


def test_nothing_listens_beyond_this_machine_and_kernels_neither(server):
    root, token, _, pid = server
    assert _listening({pid}) and _listening({pid}) <= LOOPBACK
    status, _, content = _answer(f"{root}api/kernels", token, method="POST", body={"name": "python3"})
    assert status == 201
    kernel = json.loads(content)["id"]
    _await(lambda: len(_family(pid)) > 1 and _listening(_family(pid) - {pid}))
    try:
        assert _listening(_family(pid)) <= LOOPBACK
        for child in _family(pid):
            assert "Umask:\t0077" in Path(f"/proc/{child}/status").read_text()
    finally:
        assert _answer(f"{root}api/kernels/{kernel}", token, method="DELETE")[0] == 204


@pytest.mark.parametrize("token", ["", "wrong"], ids=["no token", "a wrong token"])
def test_without_the_token_nothing_is_served(server, token):
    root, _, folder, _ = server
    log = next(folder.glob("*.xlsx")).name
    for place, method in [
        ("api/contents", "GET"), (f"api/contents/{log}", "GET"), (f"files/{log}", "GET"), ("api/kernels", "POST"),
        ("api/terminals", "POST"), ("api/sessions", "GET"), ("api/contents/x.txt", "PUT"), ("api/shutdown", "POST"),
        ("lab", "GET"), (f"nbconvert/html/{log}", "GET"),
    ]:  # fmt: skip
        status, to, content = _answer(root + place, token, method=method, body={} if method != "GET" else None)
        assert status == 403 or (status in (302, 405) and (status == 405 or "/login" in to)), (place, status, to)
        assert b"unit_id" not in content and b"PK\x03\x04" not in content
    assert not (folder / "x.txt").exists()


def test_the_page_names_no_place_outside_and_no_terminal(server):
    root, token, _, _ = server
    status, _, page = _answer(f"{root}lab", token)
    told = re.search(rb'<script id="jupyter-config-data" type="application/json">\s*(.*?)\s*</script>', page, re.S)
    config = json.loads(html.unescape(told[1].decode()))
    assert status == 200 and len(config) > 20
    texts = [text for value in config.values() for text in _texts(value)]
    hosts = {urlsplit(text).hostname for text in texts if re.match(r"(\w+:)?//", text)}
    assert hosts <= {None, "127.0.0.1"}
    assert config["news"] == {"disabled": True}
    assert config["extensionManager"]["can_install"] is False
    assert config["terminalsAvailable"] in (False, "false")
    assert _answer(f"{root}api/terminals", token, method="POST", body={})[0] == 404


def _texts(value):
    if isinstance(value, dict):
        return [text for one in value.values() for text in _texts(one)]
    return [text for one in value for text in _texts(one)] if isinstance(value, list) else [str(value)]


def test_what_a_page_can_ask_of_the_server_calls_nobody(server):
    root, token, folder, _ = server
    for place in ("lab/api/news", "lab/api/update", "lab/api/extensions?refresh=1&query=seal", "api/status"):
        assert _answer(root + place, token)[0] in (200, 404), place
    called = folder.parent / "called.txt"
    assert not called.exists(), called.read_text()
    # the watch itself sees a call: reserved for documentation (RFC 5737), nobody answers there
    code = "import socket\ns = socket.socket()\ns.setblocking(False)\ns.connect_ex(('192.0.2.1', 9))\n"
    environment = {**os.environ, "PYTHONPATH": str(folder.parent / "watch")}
    subprocess.run([sys.executable, "-c", code], env=environment, check=True)
    assert "192.0.2.1" in called.read_text()
    called.unlink()


def test_terminals_are_there_when_asked_for(tmp_path):
    plain, asked = (jupyter_command(tmp_path, port=1, browser=False, terminals=t) for t in (False, True))
    assert "--ServerApp.terminals_enabled=False" in plain and "--ServerApp.terminals_enabled=True" in asked


def test_a_page_of_another_name_cannot_borrow_the_server(server):
    """A name of the attacker's that leads to this machine (rebinding), and a page elsewhere that posts."""
    root, token, _, _ = server
    assert _answer(f"{root}api/contents", token, Host="elsewhere.example")[0] == 403
    status, _, _ = _answer(f"{root}api/kernels", method="POST", body={}, Origin="https://elsewhere.example")
    assert status in (403, 404)  # the server says of a call from elsewhere that there is no such place


def test_the_token_stands_in_no_command_line_and_in_no_file_that_others_can_read(server):
    _, token, folder, pid = server
    for line in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            assert token.encode() not in line.read_bytes(), line
        except OSError:
            continue
    assert stat.S_IMODE(Path(f"/proc/{pid}/environ").stat().st_mode) & 0o077 == 0
    holding = []
    for path in folder.parent.rglob("*"):
        if path.is_file() and path.name != "server.log" and token.encode() in path.read_bytes():  # the test's own log
            holding.append(path)
            assert stat.S_IMODE(path.stat().st_mode) & 0o077 == 0, path
    assert any(path.name.startswith("jpserver-") for path in holding)
    assert not [path for path in holding if folder in path.parents]


def test_what_the_lab_writes_is_its_owners_alone_and_permissions_that_were_given_stay(server):
    root, token, folder, _ = server
    names = sorted(path.name for path in folder.glob("*.ipynb"))
    assert all(stat.S_IMODE(path.stat().st_mode) & 0o077 == 0 for path in (folder, *folder.rglob("*")))
    (folder / names[1]).chmod(0o640)
    for name in names[:2]:
        content = json.loads(_answer(f"{root}api/contents/{name}", token)[2])["content"]
        model = {"type": "notebook", "format": "json", "content": content}
        assert _answer(f"{root}api/contents/{name}", token, method="PUT", body=model)[0] == 200
        assert _answer(f"{root}api/contents/{name}/checkpoints", token, method="POST", body={})[0] == 201
    model = {"type": "file", "format": "text", "content": "seals for next season"}
    assert _answer(f"{root}api/contents/notes.md", token, method="PUT", body=model)[0] == 201
    assert _answer(f"{root}api/contents/figures", token, method="PUT", body={"type": "directory"})[0] == 201
    modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in (folder, *folder.rglob("*"))}
    assert modes.pop(names[1]) == 0o640
    others = {name: oct(mode) for name, mode in modes.items() if mode & 0o077}
    assert not {name: mode for name, mode in others.items() if not name.startswith(Path(names[1]).stem)}
    assert (folder / ".ipynb_checkpoints").is_dir() and modes[".ipynb_checkpoints"] == 0o700
    assert read_notebook(folder / names[0]).cells


def test_a_folder_that_was_there_keeps_its_permissions_and_its_new_files_are_private(tmp_path):
    sample = Path(__file__).parents[2] / "sample_data" / "lantern_moor_2025.csv"
    folder = tmp_path / "shared"
    folder.mkdir()
    folder.chmod(0o750)
    make_season_folder(folder, log=str(sample))
    assert stat.S_IMODE(folder.stat().st_mode) == 0o750
    files = list(folder.iterdir())
    assert len(files) == 10 and {stat.S_IMODE(path.stat().st_mode) for path in files} == {0o600}
