"""The set-up: what the locks hold, what is refused in which words, what interruptions leave."""

from __future__ import annotations

import importlib
import json
import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

LOCKS = [
    "requirements.txt",
    "requirements-formats.txt",
    "requirements-registration.txt",
    "requirements-large.txt",
    "requirements-dev.txt",
]
JOBS = ["demo", "test", "check", "benchmark"]
PIN = re.compile(r"(?P<name>[a-z0-9-]+)==(?P<version>[^ ;]+)(?: ; (?P<marker>[^\\]+?))? \\")
HASH = re.compile(r"    --hash=sha256:[0-9a-f]{64}(?: \\)?")


@pytest.fixture
def script(project: Path, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """scripts/environment.py as a module, fresh for each test."""
    monkeypatch.syspath_prepend(str(project / "scripts"))
    monkeypatch.delitem(sys.modules, "environment", raising=False)
    return importlib.import_module("environment")


@pytest.fixture
def bare(script: ModuleType, tmp_path: Path) -> Any:
    """An environment without packages, which takes no network to make."""
    lock = tmp_path / "requirements.txt"
    lock.write_text("")
    return script.Environment(tmp_path / ".venv", (lock,), editable=False)


def pins(file: Path) -> dict[tuple[str, str | None], str]:
    """Version by name and marker."""
    found = (PIN.fullmatch(line) for line in file.read_text().splitlines())
    return {(pin["name"], pin["marker"]): pin["version"] for pin in found if pin}


# The locks


@pytest.mark.parametrize("name", LOCKS)
def test_locks_hold_pins_and_hashes_only(project: Path, name: str) -> None:
    """Every line is a remark, a pin or a hash: no address, host or option is in a lock."""
    lines = (project / name).read_text().splitlines()
    assert all(
        line.startswith("# ") or PIN.fullmatch(line) or HASH.fullmatch(line) for line in lines
    )
    assert not any("://" in line or "--index" in line or "--find-links" in line for line in lines)


@pytest.mark.parametrize("name", LOCKS)
def test_every_pin_has_a_hash(project: Path, name: str) -> None:
    """What is installed is what was locked, whoever serves it."""
    lines = [line for line in (project / name).read_text().splitlines() if not line.startswith("#")]
    for this, following in zip(lines, [*lines[1:], ""], strict=True):
        if PIN.fullmatch(this):
            assert HASH.fullmatch(following), this


@pytest.mark.parametrize("package", ["numpy", "scipy"])
def test_python_3_11_has_pins_of_its_own(project: Path, package: str) -> None:
    """NumPy and SciPy have left Python 3.11, so that it and later ones are locked apart."""
    markers = {marker for name, marker in pins(project / "requirements.txt") if name == package}
    assert markers == {"python_full_version < '3.12'", "python_full_version >= '3.12'"}


def test_locks_agree(project: Path) -> None:
    """Installed together or one after the other, they never ask for two versions."""
    base, *larger = [pins(project / name) for name in LOCKS]
    names = {name for name, _ in base}
    for lock in larger:
        assert base.items() <= lock.items()
        assert {key: version for key, version in lock.items() if key[0] in names} == base


def test_locks_cover_what_the_project_names(project: Path) -> None:
    """Each dependency, extra and tool of pyproject.toml is in the lock that is its own."""
    table = tomllib.loads((project / "pyproject.toml").read_text())
    wanted = {
        "requirements.txt": table["project"]["dependencies"],
        "requirements-formats.txt": table["project"]["optional-dependencies"]["e57"],
        "requirements-large.txt": [
            name
            for extra in ("fast", "cluster")
            for name in table["project"]["optional-dependencies"][extra]
        ],
        "requirements-registration.txt": table["project"]["optional-dependencies"]["registration"],
        "requirements-dev.txt": table["dependency-groups"]["dev"],
    }
    for file, requirements in wanted.items():
        locked = {name for name, _ in pins(project / file)}
        named = {re.match(r"[a-z0-9-]+", requirement)[0] for requirement in requirements}  # type: ignore[index]
        assert named - locked == set(), file


def test_the_build_backend_is_locked(project: Path) -> None:
    """The package installs without the network, since what builds it is in the environment."""
    table = tomllib.loads((project / "pyproject.toml").read_text())
    (backend,) = table["build-system"]["requires"]
    assert backend in table["dependency-groups"]["dev"]


# The doors


@pytest.mark.parametrize("job", JOBS)
def test_each_job_has_its_doors(project: Path, job: str) -> None:
    """POSIX and Windows have a wrapper each for every job, and it hands over that job."""
    assert f'with_python.sh" {job} "$@"' in (project / "scripts" / job).read_text()
    assert f'environment.py" {job} %*' in (project / "scripts" / f"{job}.cmd").read_text()


@pytest.mark.skipif(os.name == "nt", reason="POSIX shells only")
@pytest.mark.parametrize("job", JOBS)
def test_the_doors_may_be_run(project: Path, job: str) -> None:
    """A clone can start each job by its name alone."""
    assert os.access(project / "scripts" / job, os.X_OK)
    assert os.access(project / ".ci" / "run", os.X_OK)


@pytest.mark.skipif(os.name == "nt", reason="POSIX shells only")
def test_the_door_refuses_what_is_no_new_python(project: Path, tmp_path: Path) -> None:
    """A named Python that is too old, or none, is refused with a sentence and no traceback."""
    old = tmp_path / "old python"
    old.write_text("#!/bin/sh\nexit 1\n")
    old.chmod(0o755)
    done = subprocess.run(
        ["sh", project / "scripts" / "demo"],
        env={**os.environ, "PYTHON": str(old)}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 1
    assert done.stdout == ""
    assert done.stderr.startswith(f"set-up: {old} is no Python 3.11 or newer; name one: PYTHON=")


def test_words_that_name_no_job_are_refused(
    script: ModuleType, capsys: pytest.CaptureFixture[str]
) -> None:
    """A misspelt job gets the usage and exit status 2."""
    assert script.main(["tset"]) == 2
    assert (
        capsys.readouterr().err
        == "usage: environment.py demo|test|check|benchmark|coverage [...]\n"
    )


def test_the_demo_has_its_scan(script: ModuleType, project: Path) -> None:
    """What the demo plans comes with the repository."""
    assert (project / script.DEMO_SCAN).is_file()


# What is in the way


@pytest.mark.parametrize("version", [(3, 10, 13), (2, 7, 18)])
def test_an_old_python_is_refused(script: ModuleType, version: tuple[int, ...]) -> None:
    """The sentence names both versions and what to type."""
    shown = ".".join(map(str, version))
    with pytest.raises(
        script.SetUpError, match=rf"needs Python 3\.11 or newer, and this is {shown}"
    ):
        script.refuse_old_python(version)


def test_the_oldest_python_is_the_one_the_package_states(script: ModuleType, project: Path) -> None:
    """The set-up and the package's own metadata refuse the same Pythons."""
    table = tomllib.loads((project / "pyproject.toml").read_text())
    assert table["project"]["requires-python"] == ">=" + ".".join(map(str, script.OLDEST))
    script.refuse_old_python((*script.OLDEST, 0))


@pytest.mark.parametrize(
    ("user", "line"), [(0, "    apt install "), (1000, "    sudo apt install ")]
)
def test_a_debian_python_without_venv_gets_the_line_to_type(
    script: ModuleType, monkeypatch: pytest.MonkeyPatch, user: int, line: str
) -> None:
    """Debian's own python3 lacks venv; the line for root has no sudo."""
    monkeypatch.setitem(sys.modules, "ensurepip", None)  # an import of it now fails
    monkeypatch.setattr(script.shutil, "which", lambda name: f"/usr/bin/{name}")
    monkeypatch.setattr(script.os, "geteuid", lambda: user, raising=False)
    with pytest.raises(script.SetUpError, match=line + r"python3(\.\d+)?-venv$"):
        script.refuse_missing_venv()


def test_a_python_with_venv_is_not_refused(script: ModuleType) -> None:
    """The Python that runs the tests once made their environment."""
    script.refuse_missing_venv()


def test_a_full_disk_is_refused_before_the_start(script: ModuleType, bare: Any) -> None:
    """Nothing is begun that would fill the disk; the words say how much is missing."""
    huge = script.Environment(bare.folder, (), editable=False, disk_mb=10**12)
    with pytest.raises(script.SetUpError, match=r"needs 1000000000000 MB of disk and .* MB free"):
        script.make(huge)
    assert not bare.folder.exists()


@pytest.mark.skipif(sys.platform != "linux", reason="Open3D brings its libraries elsewhere")
@pytest.mark.parametrize(
    ("user", "start"), [(0, "    apt install"), (1000, "    sudo apt install")]
)
def test_missing_libraries_get_the_line_to_type(
    script: ModuleType,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    user: int,
    start: str,
) -> None:
    """What does not load is named by its Debian package, and the set-up goes on."""
    monkeypatch.setattr(script, "open3d_has_wheel", lambda: True)
    monkeypatch.setattr(
        script, "OPEN3D_LIBRARIES", {"libnowhere.so.7": "libnowhere7", "libc.so.6": "libc6"}
    )
    monkeypatch.setattr(script.shutil, "which", lambda name: f"/usr/bin/{name}")
    monkeypatch.setattr(script.os, "geteuid", lambda: user)
    script.remind_of_libraries()
    assert capsys.readouterr().out.splitlines()[-1] == f"{start} libnowhere7"


@pytest.mark.skipif(sys.platform != "linux", reason="the browser is asked for on Linux alone")
@pytest.mark.parametrize(("user", "tries"), [(0, 2), (1000, 0)])
def test_a_missing_browser_stops_nothing(
    script: ModuleType,
    bare: Any,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    user: int,
    tries: int,
) -> None:
    """Root tries to install it, once; whether that fails or not, the tests run and say so."""
    bare.folder.mkdir()
    asked = []

    def fails(command: list[str], *_: Any) -> None:
        asked.append(command)
        raise script.SetUpError("no network")

    known = {"apt-get": "/usr/bin/apt-get"}
    monkeypatch.setattr(script, "main_environment", lambda: bare)
    monkeypatch.setattr(script, "logged", fails)
    monkeypatch.setattr(script.shutil, "which", known.get)
    monkeypatch.setattr(script.os, "geteuid", lambda: user)
    for _ in range(2):
        script.provide_browser()
        assert capsys.readouterr().out.splitlines()[-1].endswith("apt install chromium")
    assert len(asked) == tries
    known["chromium"] = "/usr/bin/chromium"
    script.provide_browser()
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize(
    ("system", "machine", "libc", "fits"),
    [
        ("Linux", "x86_64", ("glibc", "2.35"), True),
        ("Linux", "x86_64", ("glibc", "2.4"), False),
        ("Linux", "aarch64", ("glibc", "2.41"), True),
        ("Linux", "riscv64", ("glibc", "2.41"), False),
        ("Linux", "x86_64", ("", ""), False),
        ("Darwin", "arm64", ("", ""), True),
        ("Darwin", "x86_64", ("", ""), False),
        ("Windows", "AMD64", ("", ""), True),
        ("Windows", "ARM64", ("", ""), False),
    ],
)
def test_open3d_is_left_out_where_it_has_no_wheel(
    script: ModuleType,
    monkeypatch: pytest.MonkeyPatch,
    system: str,
    machine: str,
    libc: tuple[str, str],
    fits: bool,
) -> None:
    """One heavy extra without a wheel does not keep the rest from being installed."""
    monkeypatch.setattr(script.platform, "system", lambda: system)
    monkeypatch.setattr(script.platform, "machine", lambda: machine)
    monkeypatch.setattr(script.platform, "libc_ver", lambda: libc)
    assert script.open3d_has_wheel() is fits
    names = [file.name for file in script.main_environment().requirements]
    always = [f"requirements-{kind}.txt" for kind in ("dev", "formats", "large", "page")]
    assert names == always + ["requirements-registration.txt"] * fits


# Making environments


def test_a_finished_environment_is_left_alone(
    script: ModuleType, bare: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second set-up starts no program at all, so that it needs no network."""
    script.set_up(bare)
    assert subprocess.run([bare.python, "-c", "pass"], check=False).returncode == 0
    monkeypatch.setattr(
        script.subprocess, "Popen", lambda *_, **__: pytest.fail("started a program")
    )
    assert script.set_up(bare) is bare


def test_a_changed_lock_makes_it_stale(script: ModuleType, bare: Any) -> None:
    """One byte more in a requirement file is another environment."""
    bare.folder.mkdir()
    bare.python.parent.mkdir()
    bare.python.touch()
    (bare.folder / script.MARK).write_text(json.dumps({"key": script.key_of(bare)}))
    assert script.is_current(bare)
    bare.requirements[0].write_text("\n")
    assert not script.is_current(bare)


def test_another_python_makes_it_stale(
    script: ModuleType, bare: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The packages of one Python do not serve the next."""
    before = script.key_of(bare)
    monkeypatch.setattr(script.sys, "version_info", (3, 99, 0, "final", 0))
    assert script.key_of(bare) != before


@pytest.mark.parametrize("mark", ["", "{", '{"state": "half made"}', '{"key": "of another lock"}'])
def test_an_unfinished_environment_is_not_taken_for_whole(
    script: ModuleType, bare: Any, mark: str
) -> None:
    """Only a whole mark with the right key counts."""
    bare.python.parent.mkdir(parents=True)
    bare.python.touch()
    (bare.folder / script.MARK).write_text(mark)
    assert not script.is_current(bare)


def test_an_environment_whose_python_is_gone_is_not_whole(script: ModuleType, bare: Any) -> None:
    """An upgrade of the system can take away the Python that an environment points to."""
    bare.folder.mkdir()
    (bare.folder / script.MARK).write_text(json.dumps({"key": script.key_of(bare)}))
    assert not script.is_current(bare)


def test_a_failing_step_leaves_a_half_made_mark_and_shows_the_end_of_its_log(
    script: ModuleType, bare: Any, tmp_path: Path
) -> None:
    """A package that cannot be had stops the set-up with its words; the next one starts anew."""
    bare.requirements[0].write_text("no requirement at all!\n")  # refused before any network
    with pytest.raises(
        script.SetUpError, match=r"(?s)this step failed .*set-up\.log.*ERROR: Invalid requirement"
    ):
        script.set_up(bare)
    assert not script.is_current(bare)
    bare.requirements[0].write_text("")
    script.set_up(bare)
    assert script.is_current(bare)
    assert sorted(path.name for path in tmp_path.glob(".venv*")) == [".venv", ".venv.lock"]


def test_a_foreign_environment_is_moved_aside(
    script: ModuleType, bare: Any, tmp_path: Path
) -> None:
    """A folder that somebody else made is kept, under another name that is said."""
    bare.folder.mkdir()
    (bare.folder / "notes.txt").write_text("mine")
    script.clear_away(bare.folder)
    assert not bare.folder.exists()
    assert (tmp_path / ".venv.before-1" / "notes.txt").read_text() == "mine"


def test_an_empty_folder_is_no_foreign_environment(
    script: ModuleType, bare: Any, tmp_path: Path
) -> None:
    """A set-up that was stopped right after its first step leaves no rubbish."""
    bare.folder.mkdir()
    script.clear_away(bare.folder)
    assert list(tmp_path.glob(".venv*")) == []


@pytest.mark.skipif(os.name == "nt", reason="POSIX locks")
def test_a_second_set_up_waits_for_the_first(script: ModuleType, bare: Any, project: Path) -> None:
    """Two at once do not write into one folder, even where the first is a child left alone."""
    other = (
        "import sys; sys.path.insert(0, sys.argv[1]); import environment, pathlib\n"
        "with environment.one_at_a_time(pathlib.Path(sys.argv[2])): print('has it')"
    )
    command = [sys.executable, "-c", other, project / "scripts", bare.folder]
    with script.one_at_a_time(bare.folder) as held:
        # As when the set-up is killed while pip still writes: the child keeps the lock.
        child = subprocess.Popen(
            [sys.executable, "-c", "input()"], pass_fds=held, stdin=subprocess.PIPE, text=True
        )
    waiting = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert waiting.stdout is not None
    assert waiting.stdout.readline() == (
        "Another set-up is at work in this folder; waiting for it.\n"
    )
    assert waiting.poll() is None
    child.communicate("\n")
    assert waiting.communicate(timeout=30)[0] == "has it\n"


def test_no_package_of_another_python_leaks_in(
    script: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Variables that point to other packages are left out; the user's pip settings stay."""
    monkeypatch.setenv("PYTHONPATH", "/elsewhere")
    monkeypatch.setenv("PIP_TIMEOUT", "60")
    environ = script.clean_environ()
    assert "PYTHONPATH" not in environ
    assert environ["PIP_TIMEOUT"] == "60"
