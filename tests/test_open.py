"""`pourdatum open`: who may speak to its server, what it takes in, and what it leaves behind.

The server runs in this process, on a real socket; its worker is the real one.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import http.client
import importlib
import json
import os
import re
import signal
import socket
import subprocess
import sys
import tempfile
import time
import zipfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from io import BytesIO
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pourdatum.cli.guard import run
from pourdatum.cli.local import looks
from pourdatum.cli.local.intake import base_name
from pourdatum.cli.local.questions import question_of
from pourdatum.cli.local.routes import typed_path
from pourdatum.cli.local.serve import Served, served_page
from pourdatum.errors import MissingExtra
from pourdatum.read import source, vertical
from pourdatum.write.sample_files import write_sample

SOURCE = Path(__file__).resolve().parents[1] / "src"
UNIX = pytest.mark.skipif(sys.platform == "win32", reason="signals and limits of Unix")


def framework() -> None:
    """Skip with a sentence where the extra is not installed."""
    for name in ("starlette", "uvicorn"):
        try:
            importlib.import_module(name)
        except ImportError as reason:
            pytest.skip(f"the extra `page` is not installed ({reason})")


class Client:
    """Speaks to a served page as its own script does."""

    def __init__(self, page: Served, out: Path) -> None:
        self.page, self.out = page, out
        self.host, self.token = page.address.removeprefix("http://").rstrip("/").split("/")
        self.ours = {"Origin": f"http://{self.host}"}

    def ask(
        self, method: str, path: str, body: bytes = b"", **headers: str
    ) -> tuple[int, bytes, dict[str, str]]:
        """Status, body and headers of an answer; the path begins with a slash."""
        line = http.client.HTTPConnection(self.host, timeout=120)
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        line.request(method, path, body or None, named)
        answer = line.getresponse()
        told = answer.status, answer.read(), {k.lower(): v for k, v in answer.getheaders()}
        line.close()
        return told

    def get(self, path: str = "") -> tuple[int, bytes, dict[str, str]]:
        """Look at something behind the token."""
        return self.ask("GET", f"/{self.token}/{path}")

    def post(self, path: str, words: dict[str, Any] | None = None) -> tuple[int, dict[str, Any]]:
        """Post words as the page does."""
        body = json.dumps(words or {}).encode()
        status, told, _ = self.ask("POST", f"/{self.token}/{path}", body, **self.ours)
        return status, json.loads(told)

    def take(
        self, path: Path, name: str = "", *, first: bool = True, **more: str
    ) -> tuple[int, dict[str, Any]]:
        """Drop a file."""
        named = {
            "X-Name": quote(name or path.name),
            "X-First": str(int(first)),
            **self.ours,
            **more,
        }
        status, told, _ = self.ask("POST", f"/{self.token}/take", path.read_bytes(), **named)
        return status, json.loads(told)

    def begin(self, **words: Any) -> tuple[int, dict[str, Any]]:
        """Begin with the words of the first screen."""
        usual = {"command": "plan", "shown": "metric", "exit": "none", "folder": str(self.out)}
        return self.post("begin", usual | words)

    def state(self) -> dict[str, Any]:
        """How it stands."""
        told: dict[str, Any] = json.loads(self.get("state")[1])
        return told

    def until(self, *states: str) -> str:
        """Wait for one of these states; the screen then."""
        until = time.monotonic() + 120
        while time.monotonic() < until:
            if self.state()["state"] in states:
                return self.get()[1].decode()
            time.sleep(0.05)
        raise AssertionError(f"still {self.state()}")

    def number(self) -> int:
        """Number of the open question."""
        found = re.search(r'data-number="(\d+)"', self.get()[1].decode())
        assert found is not None
        return int(found[1])


@pytest.fixture
def client(tmp_path: Path) -> Iterator[Client]:
    """A served page whose results go to an empty folder."""
    framework()
    out = tmp_path / "results"
    out.mkdir()
    with served_page(out) as page:
        yield Client(page, out)


@pytest.fixture(scope="session")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small simulated scan in LAZ."""
    path = tmp_path_factory.mktemp("small") / "room.laz"
    write_sample("plain-room", path, seed=11, points=60_000)
    return path


@pytest.fixture(scope="session")
def in_feet(small: Path) -> Path:
    """The same as a table that states no unit: an ordinary room in feet, a tall one in metres."""
    import laspy

    points = laspy.read(small).xyz
    path = small.with_name("feet.xyz")
    np.savetxt(path, (points - points.min(axis=0)) / 0.3048, fmt="%.4f")
    return path


def by_command_line(out: Path, *words: str) -> dict[str, Any]:
    """result.json of the command line."""
    run([*words, "--quiet", "--out", str(out), "--files", "result"])
    told: dict[str, Any] = json.loads((out / "result.json").read_text())
    return told


# Who may speak to it.


def test_the_token_opens_the_page(client: Client) -> None:
    """With its address the page is there; it may load its own style and script, by hash alone."""
    status, body, headers = client.get()
    assert status == 200
    policy = headers["content-security-policy"]
    assert policy.startswith("default-src 'none'; style-src 'sha256-")
    assert "unsafe" not in policy
    assert "http" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cache-control"] == "no-store"
    text = body.decode()
    assert text.count("<script") == text.count("<style") == 1
    assert not re.search(r'(?:src|href)="(?:https?:)?//', text)
    assert not re.search(r'\bon\w+="|\bstyle="', text)


@pytest.mark.parametrize("path", ["/", "//", "/x/", "/{short}/", "/{token}x/", "/x/{token}/"])
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_without_the_token_all_is_refused(client: Client, path: str, method: str) -> None:
    """No token, a part of it, more than it, and one in another place: 403, and nothing told."""
    path = path.format(token=client.token, short=client.token[:-1])
    status, body, _ = client.ask(method, path, **client.ours)
    assert status == 403
    assert client.token.encode() not in body


def test_tokens_are_long_and_fresh(client: Client, tmp_path: Path) -> None:
    """Of 192 random bits at the least, six to a letter, and another each time."""
    assert len(client.token) >= 32
    with served_page(tmp_path) as other:
        assert client.token not in other.address


@pytest.mark.parametrize("host", ["pages.example", "localhost.example:80", "127.0.0.1", ""])
def test_a_foreign_host_is_refused(client: Client, host: str) -> None:
    """A name that somebody pointed to this computer (DNS rebinding) opens nothing."""
    status, _, _ = client.ask("GET", f"/{client.token}/", Host=host)
    assert status == 403


@pytest.mark.parametrize("origin", ["http://pages.example", "null", "https://{host}", None])
@pytest.mark.parametrize("what", ["begin", "take", "stop", "again", "end", "answer", "room"])
def test_a_foreign_origin_is_refused(client: Client, origin: str | None, what: str) -> None:
    """What changes something comes from our own page: with the token, another's may not."""
    headers = {} if origin is None else {"Origin": origin.format(host=client.host)}
    status, _, _ = client.ask("POST", f"/{client.token}/{what}", b"{}", **headers)
    assert status == 403
    assert client.state()["state"] == "ready"


def test_a_refusal_is_heard(client: Client) -> None:
    """The body comes a moment after the head: the line is not broken under the answer."""
    host, port = client.host.split(":")
    head = f"POST /x/stop HTTP/1.1\r\nHost: {client.host}\r\nContent-Length: 2\r\n\r\n"
    for _ in range(200):
        with socket.create_connection((host, int(port)), 5) as line:
            line.sendall(head.encode())
            time.sleep(0.001)
            line.sendall(b"{}")
            assert line.recv(12) == b"HTTP/1.1 403"
            while line.recv(1000):
                pass


def test_looking_from_another_site_is_refused(client: Client) -> None:
    """A link or a picture on a foreign page gets nothing, as Sec-Fetch-Site says whence it is."""
    for site, expected in (("cross-site", 403), ("same-site", 403), ("none", 200)):
        assert client.ask("GET", f"/{client.token}/", Sec_Fetch_Site=site)[0] == expected


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="other loopback addresses")
def test_it_listens_on_the_loopback_address_alone(client: Client) -> None:
    """Another address of this computer, though of the loopback too, does not answer."""
    port = int(client.host.rsplit(":", 1)[1])
    with pytest.raises(ConnectionRefusedError), socket.create_connection(("127.0.0.2", port), 5):
        pass


def test_words_that_are_none_are_refused(client: Client) -> None:
    """No JSON, no object, too much of it, and answers nobody asked for: a sentence, no fault."""
    for body in (b"", b"[1]", b"{", b"[" * 100_000, b'"' + b"a" * 300_000 + b'"'):
        status, told, _ = client.ask("POST", f"/{client.token}/begin", body, **client.ours)
        assert (status, "fault" in told.decode()) == (422, False)
    for number in ("x", float("inf"), float("nan"), None):
        assert client.post("answer", {"number": number})[0] == 422
    assert client.post("answer", {"number": 7, "answer": "m"})[0] == 200
    assert client.begin(command="verify")[0] == 422
    assert client.begin(shown="cubits")[0] == 422
    assert client.begin(paths="https://pages.example/a.laz")[0] == 422
    assert client.state() == {"state": "ready", "version": 0, "tell": client.state()["tell"]}


# What it takes in.


def test_a_name_with_a_path_is_a_name(client: Client, small: Path) -> None:
    """Only the last part of a told name is used: nothing is written beside the folder."""
    before = set(client.page.folder.parent.iterdir())
    for name in ("../../up.laz", "/abs.laz", "..\\..\\win.laz", "a/../b.laz", "..%2fx.laz"):
        assert client.take(small, name)[0] == 200
        (held,) = (client.page.folder / "scans").iterdir()
        assert held.is_file()
    assert set(client.page.folder.parent.iterdir()) == before


@given(st.text(max_size=300) | st.text("a. é/", max_size=9))
def test_base_names_are_names(told: str) -> None:
    """Whatever is told becomes one name that a file system takes, and no way up."""
    name = base_name(told)
    assert name == name.strip(" .") != ""
    assert not {"/", "\\", "\0"} & set(name)
    assert len(os.fsencode(name)) <= 255
    assert base_name(name) == name


def half_an_upload(host: str, token: str, name: str, size: int) -> socket.socket:
    """A line on which the first file of a campaign comes, of which half is sent."""
    head = (
        f"POST /{token}/take HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\n"
        f"X-First: 1\r\nX-Name: {name}\r\nContent-Length: {size}\r\n\r\n"
    )
    address, port = host.split(":")
    line = socket.create_connection((address, int(port)), 5)
    line.sendall(head.encode() + b"x" * (size // 2))
    return line


def wait_for_a_file(scans: Path) -> None:
    """Wait until something lies there; the folder is made anew for each campaign."""
    until = time.monotonic() + 10
    while time.monotonic() < until:
        with contextlib.suppress(FileNotFoundError):
            if any(scans.iterdir()):
                return
        time.sleep(0.01)
    raise AssertionError(f"nothing came into {scans}")


def what_stays(folder: Path, pattern: str = "*") -> list[Path]:
    """What still lies in a folder after ten seconds: the server tidies up once it has answered."""
    until = time.monotonic() + 10
    while list(folder.glob(pattern)) and time.monotonic() < until:
        time.sleep(0.01)
    return list(folder.glob(pattern))


def test_a_file_that_ends_too_early_is_not_kept(client: Client) -> None:
    """The line breaks after half of the bytes: nothing of it lies there."""
    scans = client.page.folder / "scans"
    with half_an_upload(client.host, client.token, "half.laz", 1_000_000):
        wait_for_a_file(scans)
        assert [item.name for item in scans.iterdir()] == ["half.laz"]
    assert what_stays(scans) == []
    assert client.begin(dropped=True) == (
        422,
        {"told": "no scan is given; drop one, choose one, or type its path"},
    )


def test_the_same_file_twice_is_refused(client: Client, small: Path) -> None:
    """Two files of one name cannot lie in one folder, and are one campaign's never."""
    assert client.take(small)[0] == 200
    status, told = client.take(small, first=False)
    assert (status, told["told"]) == (
        422,
        "room.laz: a file of this name is there already; drop each file once",
    )


def test_more_than_the_disk_holds_is_refused_before_it_comes(client: Client) -> None:
    """The page asks for room before it sends anything."""
    status, told = client.post("room", {"bytes": 10**18})
    assert status == 422
    assert "the disk for temporary files has" in told["told"]
    assert client.post("room", {"bytes": 10})[0] == 200


@pytest.fixture
def small_files(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """No file of this process and its children may be larger than 100 kB: as a full disk is."""
    import resource

    # Python would cut its own compiled files short, for every later test.
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    monkeypatch.setenv("PYTHONDONTWRITEBYTECODE", "1")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, before[1]))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, before)


@UNIX
def test_a_disk_that_fills_while_a_file_comes(
    client: Client, small: Path, small_files: None
) -> None:
    """The system refuses to write on: a sentence, and nothing is kept."""
    status, told = client.take(small)
    assert status == 422
    assert "give its path on this computer instead" in told["told"]
    assert list((client.page.folder / "scans").iterdir()) == []


@UNIX
def test_a_disk_that_fills_while_results_are_written(
    client: Client, small: Path, small_files: None
) -> None:
    """The sentence of the command line, and an empty folder."""
    assert client.begin(paths=str(small)) == (200, {})
    screen = client.until("failed", "done")
    assert "output cannot be written" in screen
    assert "make room on that disk, or give another folder" in screen
    assert list(client.out.iterdir()) == []


# What it does.


def test_a_result_is_that_of_the_command_line(client: Client, small: Path, tmp_path: Path) -> None:
    """Dropped under its name, planned, and delivered in every way: the same figures."""
    assert client.take(small) == (200, {"name": "room.laz", "campaign": 2})
    assert client.begin(dropped=True, material="rapid") == (200, {})
    assert client.begin(dropped=True)[0] == 422  # one at a time
    screen = client.until("done", "failed")
    assert "Levelling plan: room.laz" in screen
    expected = by_command_line(tmp_path / "cli", "plan", str(small), "--material", "rapid")
    lying = client.out / "room-plan"
    assert json.loads((lying / "result.json").read_text()) == expected
    assert json.loads(client.get("result/result.json")[1]) == expected
    status, packed, headers = client.get("result.zip")
    assert (status, headers["content-type"]) == (200, "application/zip")
    with zipfile.ZipFile(BytesIO(packed)) as held:
        assert held.testzip() is None
        assert {f"room-plan/{item.name}" for item in lying.iterdir()} == set(held.namelist())
        assert json.loads(held.read("room-plan/result.json")) == expected
    status, report, headers = client.get("result/report.html")
    assert (status, report) == (200, (lying / "report.html").read_bytes())
    policy = headers["content-security-policy"]
    assert policy.endswith("sandbox allow-downloads allow-scripts")  # and of no origin
    # Its one script runs, by hash: that of the letters between its own tags.
    script = report.decode().rsplit("<script>", 1)[1].split("</script>")[0].encode()
    digest = base64.b64encode(hashlib.sha256(script).digest()).decode()
    assert re.findall(r"script-src ([^;]*)", policy) == [f"'sha256-{digest}'"]
    assert "connect-src" not in policy
    assert "script-src" not in client.get("result/depth.png")[2]["content-security-policy"]


def test_nothing_but_the_result_is_served(client: Client, in_feet: Path) -> None:
    """Ways up and other names lead nowhere, before there is anything and while it is worked on."""
    (client.out / "secret.txt").write_text("not for you")
    names = (
        "..%2f..%2fsecret.txt", "%2e%2e%2fsecret.txt", "../secret.txt", "..\\secret.txt",
        "secret.txt", "room-plan%2fresult.json", "%2fetc%2fpasswd", ".", "..", "",
    )  # fmt: skip
    for begun in (False, True):
        if begun:
            client.begin(paths=str(in_feet), command="survey")
            client.until("asking", "failed")
        for name in names:
            status, told, _ = client.get(f"result/{name}")
            assert (status, b"not for you" in told) == (404, False)
        assert client.get("result.zip")[0] == 404


def test_a_link_laid_into_the_result_is_not_followed(client: Client, small: Path) -> None:
    """Who swaps a file of the result for a link to another gets nothing by it."""
    client.begin(paths=str(small), command="survey")
    client.until("done", "failed")
    report = client.out / "room-survey" / "report.html"
    report.unlink()
    report.symlink_to(small)
    assert client.get("result/report.html")[0] == 404


def test_the_unit_is_asked_and_the_answer_counts(
    client: Client, in_feet: Path, tmp_path: Path
) -> None:
    """The refusal of the command line is a question here; the answer is its option."""
    assert client.begin(paths=f'"{in_feet}"', shown="imperial") == (200, {})
    screen = client.until("asking", "failed")
    assert "In which unit are the coordinates of the scan?" in screen
    # Room and foot by hand: a storey of 8.6 is one in feet, and none in metres.
    assert "makes the room 7.4 x 5.21 m and 2.62 m high" in screen
    assert re.findall(r'name="answer" value="([a-z-]+)"', screen)[:2] == ["m", "ft"]
    client.post("answer", {"number": client.number(), "answer": "ft"})
    screen = client.until("done", "failed")
    job = tmp_path / "job.toml"
    job.write_text('units = "imperial"\n')
    expected = by_command_line(
        tmp_path / "cli", "plan", str(in_feet), "--units", "ft", "--job", str(job)
    )
    assert json.loads((client.out / "feet-plan" / "result.json").read_text()) == expected
    assert " gal" in screen


def test_the_exit_is_asked_where_the_floor_is_known(
    client: Client, small: Path, tmp_path: Path
) -> None:
    """A place off the floor is asked again; one at it is the exit of the job."""
    client.begin(paths=str(small), exit="ask")
    screen = client.until("asking", "failed")
    assert "Where does the crew leave the floor?" in screen
    for wrong, said in (
        ("1e5,1e5", "m from the floor"),
        ("x", "is no place"),
        ("nan,1", "no place"),
    ):
        client.post("answer", {"number": client.number(), "answer": wrong})
        assert said in client.until("asking", "failed")
    side = re.findall(r'<option value="([-\d.]+,[-\d.]+)">', screen)[1]
    client.post("answer", {"number": client.number(), "answer": side})
    client.until("done", "failed")
    job = tmp_path / "job.toml"
    job.write_text(f"[pour]\nexit = [{side}]\n")
    expected = by_command_line(tmp_path / "cli", "plan", str(small), "--job", str(job))
    assert json.loads((client.out / "room-plan" / "result.json").read_text()) == expected
    without = by_command_line(tmp_path / "without", "plan", str(small))
    assert expected["pour"]["batches"] != without["pour"]["batches"]


def test_an_older_result_is_kept_unless_said_otherwise(client: Client, small: Path) -> None:
    """The page asks; both are kept, or the new one takes the place."""
    for answer, expected in (
        ("", {"room-survey"}),
        ("beside", {"room-survey", "room-survey-2"}),
        ("replace", {"room-survey", "room-survey-2"}),
    ):
        client.post("again")
        client.begin(paths=str(small), command="survey")
        if answer:
            assert "is there already" in client.until("asking", "failed")
            client.post("answer", {"number": client.number(), "answer": answer})
        client.until("done", "failed")
        assert {item.name for item in client.out.iterdir()} == expected


def test_a_refusal_is_told_in_the_words_of_the_command_line(
    client: Client, sample_scans: Path, capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """A file that is no scan; the place where it was held is nobody's business."""
    text = sample_scans / "cooperage.truth.json"
    client.take(text)
    client.begin(dropped=True)
    screen = client.until("failed", "done")
    run(["plan", str(text), "--quiet", "--out", str(tmp_path / "no")])
    told = capfd.readouterr().err.removeprefix(f"pourdatum: {text}: ").split(";")[0]
    assert told
    assert told in re.sub(r"&#x27;", "'", screen)
    assert str(client.page.folder) not in screen
    assert list(client.out.iterdir()) == []


@UNIX
def test_a_file_name_with_markup_is_text(client: Client, small: Path) -> None:
    """On every screen a name is shown letter by letter, and is no element."""
    name = '"><img src=x onerror=alert(1)>.laz'
    assert client.take(small, name)[1]["name"] == name
    client.begin(dropped=True, exit="ask")
    screens = [client.get()[1].decode(), client.until("asking", "failed")]
    client.post("answer", {"number": client.number(), "answer": None})
    screens.append(client.until("done", "failed"))
    client.post("again")
    screens.append(client.get()[1].decode())
    for screen in screens:
        assert "&lt;img src=x" in screen
        assert "<img src=x" not in screen


def test_an_unreachable_folder_is_told_at_once(client: Client, small: Path) -> None:
    """A parent that is not there, or that is a file: a sentence, and nothing begins."""
    for folder, said in (
        (client.out / "none", "does not exist"),
        (small, "no folder can be made in it"),
    ):
        status, told = client.begin(paths=str(small), folder=str(folder))
        assert status == 422
        assert said in told["told"]
    assert client.begin(paths=str(small), folder="here")[0] == 422
    assert client.state()["state"] == "ready"


def test_a_folder_that_is_no_name_is_told_at_once(client: Client, small: Path) -> None:
    """Text that no file system takes: a zero byte, half of a surrogate pair."""
    for folder in (f"{client.out}/\0", f"{client.out}/\ud800"):
        status, told = client.begin(paths=str(small), folder=folder)
        assert status == 422
        assert "no folder can have this name" in told["told"]
    assert client.begin(paths="/scans/\0.laz")[0] == 422


@UNIX
def test_a_folder_that_goes_away_meanwhile(client: Client, small: Path, tmp_path: Path) -> None:
    """The folder is taken away while the page waits for an answer: told, and nothing is left."""
    client.begin(paths=str(small), exit="ask")
    client.until("asking", "failed")
    away = tmp_path / "away"
    client.out.rename(away)
    client.post("answer", {"number": client.number(), "answer": None})
    assert "output cannot be written" in client.until("failed", "done")
    assert not client.out.exists()
    assert list(away.rglob("result.json")) == []


@pytest.mark.parametrize("while_asking", [False, True])
def test_cancelling_leaves_nothing(client: Client, small: Path, while_asking: bool) -> None:
    """As Ctrl-C does: at work, and while a question is open; and the next scan may come."""
    client.begin(paths=str(small), exit="ask")
    if while_asking:
        client.until("asking", "failed")
    else:
        until = time.monotonic() + 60
        while not list(client.out.iterdir()) and time.monotonic() < until:
            time.sleep(0.01)  # The unfinished folder stands: it is really at work.
    assert [item.name[:11] for item in client.out.iterdir()] == [".pourdatum-"]
    client.post("stop")
    assert "Cancelled. Nothing was written." in client.until("ready", "done", "failed")
    assert list(client.out.iterdir()) == []
    assert client.begin(paths=str(small), command="survey")[0] == 200


@UNIX
def test_cancelled_before_it_began(client: Client, small: Path) -> None:
    """The wish to stop comes with the wishes: the worker ends, and prints nothing of its own."""
    wishes = {"command": "survey", "scans": [str(small)], "hide": "", "out": str(client.out / "s")}
    for _ in range(5):
        ended = subprocess.run(
            [sys.executable, "-P", "-m", "pourdatum.cli.local.worker"],
            input=f"{json.dumps(wishes)}\n{json.dumps({'stop': True})}\n",
            capture_output=True, text=True, check=False, timeout=60,
            env={**os.environ, "PYTHONPATH": str(SOURCE)},
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
        )  # fmt: skip
        assert (ended.stderr, list(client.out.iterdir())) == ("", [])


@UNIX
def test_a_worker_that_breaks_leaves_nothing(client: Client, small: Path) -> None:
    """Ended by the system, as where memory runs out: the page stays, and says so."""
    client.begin(paths=str(small), exit="ask")
    client.until("asking", "failed")
    (work,) = client.out.iterdir()
    os.kill(int(work.name.split("-")[-2]), signal.SIGKILL)
    assert "the work ended without a word (status -9)" in client.until("failed", "done")
    assert list(client.out.iterdir()) == []


def test_what_was_taken_in_may_be_used_again(client: Client, small: Path) -> None:
    """Another answer needs no second copy; another scan takes the place of the first."""
    client.take(small)
    client.begin(dropped=True, command="survey")
    client.until("done", "failed")
    client.post("again")
    assert "Use room.laz again" in client.get()[1].decode()
    client.take(small, "other.laz")
    assert [item.name for item in (client.page.folder / "scans").iterdir()] == ["other.laz"]


def test_two_tabs_do_not_take_each_others_scan(client: Client, small: Path, in_feet: Path) -> None:
    """What one tab drops takes the place of the other's, whose page is told before it begins."""
    _, first = client.take(small, "first.laz")
    _, other = client.take(in_feet, "other.xyz")
    for status, told in (
        client.begin(dropped=True, campaign=first["campaign"]),
        client.take(small, "more.laz", first=False, X_Campaign=str(first["campaign"])),
    ):
        assert status == 422
        assert "another tab has dropped another scan" in told["told"]
    assert client.begin(dropped=True, campaign=other["campaign"], command="survey")[0] == 200
    client.until("asking", "failed")
    client.post("stop")
    client.until("ready")
    assert f'name="kept" value="{other["campaign"]}"' in client.get()[1].decode()


def test_a_scan_that_comes_while_another_tab_drops_one(client: Client, small: Path) -> None:
    """The slower one is told, and neither its bytes nor its name are among the other's."""
    scans = client.page.folder / "scans"
    with half_an_upload(client.host, client.token, "room.laz", 1000) as line:
        wait_for_a_file(scans)
        assert client.take(small)[0] == 200
        line.sendall(b"x" * 500)
        assert b"422" in line.recv(100)
    assert (scans / "room.laz").read_bytes() == small.read_bytes()
    assert client.begin(dropped=True, command="survey")[0] == 200
    assert "Survey of a floor: room.laz" in client.until("done", "failed")


def test_the_result_as_one_file_for_several_at_once(client: Client, small: Path) -> None:
    """Two tabs, or a double click: each gets it whole, and nothing is left beside the scans."""
    client.begin(paths=str(small), command="survey")
    client.until("done", "failed")
    with ThreadPoolExecutor(8) as crowd:
        for status, packed, _ in crowd.map(lambda _: client.get("result.zip"), range(64)):
            assert status == 200
            with zipfile.ZipFile(BytesIO(packed)) as held:
                assert held.testzip() is None
    assert what_stays(client.page.folder, "*.zip") == []


@UNIX
def test_what_a_killed_program_held_is_cleared_away(
    small: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody can tidy up after ``kill -9`` but the next start; what still runs keeps its scan."""
    framework()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    foreign = tmp_path / "pourdatum-of-somebody"
    foreign.mkdir()
    running = subprocess.Popen(
        [sys.executable, "-m", "pourdatum", "open", "--no-browser", "-o", str(tmp_path)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "TMPDIR": str(tmp_path), "PYTHONPATH": str(SOURCE)},
    )
    assert running.stdout is not None
    found = re.search(r"http://127\.0\.0\.1:\d+/\S+", running.stdout.readline())
    assert found is not None
    (folder,) = (item for item in tmp_path.iterdir() if item != foreign)
    client = Client(Served(found[0], None, folder), tmp_path)  # type: ignore[arg-type]
    assert client.take(small)[0] == 200
    with served_page(tmp_path):
        assert (folder / "scans" / small.name).is_file()
    running.kill()
    running.communicate(timeout=30)
    assert folder.is_dir()
    with served_page(tmp_path):
        assert not folder.exists()
        assert foreign.is_dir()


@UNIX
def test_ctrl_c_ends_it_and_removes_what_was_taken_in(small: Path, tmp_path: Path) -> None:
    """From the command line: the address is printed, Ctrl-C ends with 0, nothing is left."""
    framework()
    place = tmp_path / "temporary"
    place.mkdir()
    (tmp_path / "out").mkdir()
    command = [sys.executable, "-m", "pourdatum", "open", "--no-browser", "-o", "out"]
    running = subprocess.Popen(
        command,
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "TMPDIR": str(place), "PYTHONPATH": str(SOURCE)},
        # Tests that run in the background are born with it ignored.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    assert running.stdout is not None
    found = re.search(r"http://127\.0\.0\.1:\d+/\S+", running.stdout.readline())
    assert found is not None
    (folder,) = place.iterdir()
    assert folder.stat().st_mode & 0o077 == 0
    client = Client(Served(found[0], None, folder), tmp_path / "out")  # type: ignore[arg-type]
    client.take(small)
    client.begin(dropped=True, exit="ask")
    client.until("asking", "failed")
    running.send_signal(signal.SIGINT)
    _, told = running.communicate(timeout=120)
    assert (running.returncode, told) == (0, "")
    assert [item for item in place.iterdir() if item.name.startswith("pourdatum-")] == []
    assert list((tmp_path / "out").iterdir()) == []


@UNIX
def test_ended_while_a_scan_comes(tmp_path: Path) -> None:
    """One line, and not one that says of results what nobody asked; nothing of the scan is left."""
    framework()
    place = tmp_path / "temporary"
    place.mkdir()
    running = subprocess.Popen(
        [sys.executable, "-m", "pourdatum", "open", "--no-browser", "-o", str(tmp_path)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "TMPDIR": str(place), "PYTHONPATH": str(SOURCE)},
    )
    assert running.stdout is not None
    found = re.search(r"http://(127\.0\.0\.1:\d+)/(\S+)/", running.stdout.readline())
    assert found is not None
    with half_an_upload(found[1], found[2], "half.laz", 1000):
        until = time.monotonic() + 10
        while not list(place.rglob("half.laz")) and time.monotonic() < until:
            time.sleep(0.01)
        running.send_signal(signal.SIGTERM)
        _, told = running.communicate(timeout=30)
    assert (running.returncode, told) == (143, "pourdatum: stopped by the system\n")
    assert list(place.iterdir()) == []


def test_the_page_itself_can_end_it(client: Client) -> None:
    """The button does what Ctrl-C does."""
    assert not client.page.ended.is_set()
    assert client.post("end")[0] == 200
    client.page.wait()


def test_a_taken_port_is_told(
    client: Client, capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """A port that another program has: exit 2 and a sentence."""
    port = client.host.rsplit(":", 1)[1]
    assert run(["open", "--no-browser", "--port", port, "-o", str(tmp_path)]) == 2
    assert f"port {port} cannot be had" in capfd.readouterr().err


@pytest.mark.parametrize("missing", ["uvicorn", "starlette.applications"])
def test_without_the_extra_it_says_what_to_type(
    missing: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither the framework nor its server is needed by anything else."""
    monkeypatch.setitem(sys.modules, missing, None)
    with pytest.raises(MissingExtra, match=r"pip install '\.\[page\]'"), served_page(tmp_path):
        pass


# Questions.


def test_refusals_about_the_vertical_are_questions(tmp_path: Path) -> None:
    """Each of the ways in which readers ask for ``--up`` becomes choices, by their own words."""
    path = tmp_path / "a.ply"
    path.write_text("x")
    file = source.find_source(path)
    cases = (
        (vertical._unknown(1, "a level layer each", file), ["y", "z"]),
        (vertical._unlikely(file, "z", "y", "2.6 m high"), ["y", "z"]),
        (vertical._upside_down(file, "z"), ["-z", "z"]),
    )
    for error, expected in cases:
        question = question_of(error, "out")
        assert question is not None
        assert question.name == "up"
        assert [value for value, _, _ in question.choices] == expected
    assert "if it is a shaft or a narrow hall" in str(question_of(cases[1][0], "out"))


def test_paths_are_read_as_people_paste_them() -> None:
    """Quotes of a file manager and a home's tilde are no part of a path."""
    assert typed_path(' "/scans/a b.laz" ') == str(Path("/scans/a b.laz"))
    assert typed_path("~/a.laz") == str(Path.home() / "a.laz")
    assert typed_path('"') == '"'


# The look.


def luminance(colour: str) -> float:
    """Relative luminance, as WCAG 2.2 defines it (sRGB, threshold 0.04045)."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    lit = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * lit[0] + 0.7152 * lit[1] + 0.0722 * lit[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio of WCAG 2.2."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("colours", [looks.LIGHT, looks.DARK], ids=["light", "dark"])
def test_contrast_is_that_of_the_guidelines(colours: dict[str, str]) -> None:
    """WCAG 2.2 AA: text 4.5 to 1 (1.4.3), edges of controls and what is drawn 3 to 1 (1.4.11)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    for text, on in (
        ("ink", "paper"), ("ink", "tint"), ("soft", "paper"), ("soft", "tint"), ("on-act", "act"),
    ):  # fmt: skip
        assert contrast(colours[text], colours[on]) >= 4.5, (text, on)
    for part, on in (
        ("line", "paper"), ("line", "tint"), ("focus", "paper"), ("focus", "tint"),
        ("alert", "tint"), ("act", "paper"), ("ink", "floor"), ("alert", "floor"),
    ):  # fmt: skip
        assert contrast(colours[part], colours[on]) >= 3.0, (part, on)
