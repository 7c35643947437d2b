"""Sets up the project's environment and does one job in it.

    python scripts/environment.py demo      plan a sample floor
    python scripts/environment.py test      every test; further words go to pytest
    python scripts/environment.py check     format, lint, types, tests, wheel

``scripts/demo``, ``scripts/test`` and ``scripts/check`` are thin doors to it. It
uses the standard library alone, since nothing else is there yet, and prints plain
ASCII. Syntax is kept to what Python 3.7 reads, so that an old one can be refused
with a sentence. Why it works as it does: DEVELOPERS.md, "The set-up".
"""

from __future__ import annotations

import contextlib
import ctypes
import hashlib
import importlib
import json
import os
import platform
import shlex
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Iterator, Sequence

PROJECT = Path(__file__).resolve().parent.parent
DEMO_SCAN = "sample_scans/cooperage.laz"
DEMO_FOLDER = "demo-plan"

OLDEST = (3, 11)
MARK = "pourdatum-set-up.json"
MARK_VERSION = 1
"""Raise it when a change of this file makes environments made before it stale."""

OPEN3D_GLIBC = (2, 35)
OPEN3D_LIBRARIES = {
    "libEGL.so.1": "libegl1",
    "libGL.so.1": "libgl1",
    "libX11.so.6": "libx11-6",
    "libusb-1.0.so.0": "libusb-1.0-0",
}
LIBRARIES_MB = 240
BROWSERS = ("chromium", "chromium-browser", "google-chrome")
"""By any of these names tests/browser.py opens the report."""
BROWSER_MB = 400


class SetUpError(Exception):
    """What is in the way, and the line to type, in one message for a person."""


@dataclass(frozen=True)
class Environment:
    """A virtual environment that a set-up makes.

    Attributes
    ----------
    folder : Path
        Where it lies.
    requirements : tuple of Path
        Hash-pinned files that say what is in it.
    editable : bool
        Whether the package itself goes in, from the source as it stands.
    disk_mb, download_mb : int
        What it takes, as measured, for the words before the start.
    minutes : str
        Likewise.
    """

    folder: Path
    requirements: tuple[Path, ...]
    editable: bool
    disk_mb: int = 0
    download_mb: int = 0
    minutes: str = ""

    @property
    def python(self) -> Path:
        """Its interpreter."""
        return self.program("python")

    def program(self, name: str) -> Path:
        """One of its programs."""
        if os.name == "nt":
            return self.folder / "Scripts" / (name + ".exe")
        return self.folder / "bin" / name


def main(words: Sequence[str]) -> int:
    """Do the job that the first word names; gives the exit status."""
    jobs = {"demo": demo, "test": test, "check": check, "benchmark": benchmark,
            "coverage": coverage}  # fmt: skip
    if not words or words[0] not in jobs:
        print("usage: environment.py " + "|".join(jobs) + " [...]", file=sys.stderr)
        return 2
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    try:
        refuse_old_python(sys.version_info[:3])
        return jobs[words[0]](list(words[1:]))
    except SetUpError as reason:
        print(f"set-up: {reason}", file=sys.stderr)
        return 1
    except OSError as reason:
        print(f"set-up: {reason}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("\nInterrupted. Run it again; what is half made is made anew.", file=sys.stderr)
        return 130


# The jobs


def demo(words: list[str]) -> int:
    """Plan the sample floor and say where the report lies."""
    tools = set_up(main_environment())
    say("$ pourdatum plan " + " ".join(demo_words()))
    status = run([tools.program("pourdatum"), "plan", *demo_words(), *words])
    page = PROJECT / DEMO_FOLDER / "report.html"
    if status in (0, 1) and page.exists():
        say(f"\nOpen the report in a browser: {page}")
    return status


def demo_words() -> list[str]:
    """Arguments of the plan that the demo makes."""
    return [DEMO_SCAN, "--material", "standard", "-o", DEMO_FOLDER, "--overwrite"]


def test(words: list[str]) -> int:
    """Every test."""
    tools = set_up(main_environment())
    remind_of_libraries()
    provide_browser()
    return run([*pytest_of(tools), *words])


def pytest_of(tools: Environment) -> list[str | Path]:
    """Pytest on every core; among the words that follow ``-n 0`` takes one process alone.

    Each worker begins with files of its own, whose scenes are then made once, and takes from what
    is left to others when it is done: no long file is left for the end.
    """
    return [tools.python, "-m", "pytest", "-n", "logical", "--dist", "worksteal"]


def benchmark(words: list[str]) -> int:
    """Times side by side: reading alone, ours, and what one would chain instead."""
    tools = set_up(main_environment())
    remind_of_libraries()
    return run([tools.python, PROJECT / "scripts" / "benchmark.py", *words])


def coverage(words: list[str]) -> int:
    """How often the stated intervals hold on simulated scenes."""
    tools = set_up(main_environment())
    # Its matrices are small: threads that share one wait for each other most of the time.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    return run([tools.python, PROJECT / "scripts" / "accuracy_intervals.py", *words])


def check(words: list[str]) -> int:
    """Everything that a change must pass; goes on after a failure and sums up."""
    tools = set_up(main_environment())
    remind_of_libraries()
    provide_browser()
    steps = {
        "format": lambda: run([tools.program("ruff"), "format", "--check", "."]),
        "lint": lambda: run([tools.program("ruff"), "check", "."]),
        "types": lambda: run([tools.program("mypy")]),
        "tests": lambda: run([*pytest_of(tools), *words]),
        "wheel": lambda: check_wheel(tools),
    }
    failed = []
    for name, step in steps.items():
        say("\n== " + name)
        if step() != 0:
            failed.append(name)
    say("\nFailed: " + ", ".join(failed) if failed else "\nAll well: " + ", ".join(steps))
    return 1 if failed else 0


def check_wheel(tools: Environment) -> int:
    """Build the wheel, and use it with nothing but the locked base dependencies."""
    bare = set_up(wheel_environment())
    with tempfile.TemporaryDirectory() as place:
        build = [tools.python, "-m", "pip", "wheel", "--quiet", "--no-deps"]
        if run([*build, "--no-build-isolation", "--wheel-dir", place, PROJECT]) != 0:
            return 1
        (wheel,) = Path(place).glob("*.whl")
        pip = [bare.python, "-m", "pip"]
        plan = [bare.program("pourdatum"), "plan", PROJECT / DEMO_SCAN]
        commands = (
            [*pip, "install", "--quiet", "--no-deps", "--force-reinstall", wheel],
            [*pip, "check"],
            [bare.python, "-I", "-c", IMPORT_ALL],
            [bare.program("pourdatum"), "--version"],
            [*plan, "--material", "standard", "--quiet", "-o", Path(place) / "plan"],
        )
        return 1 if any(run(command, cwd=Path(place)) != 0 for command in commands) else 0


IMPORT_ALL = """
import importlib, pathlib, pourdatum
root = pathlib.Path(pourdatum.__file__).parent
assert "site-packages" in root.parts, root
files = [file.relative_to(root.parent).with_suffix("") for file in root.rglob("*.py")]
# Imported where the extra `fast` is installed, and only there.
loops = {"cellloop", "fitloop", "restloop"}
for file in files:
    if file.name not in loops | {"__main__"}:
        importlib.import_module(".".join(file.parts).removesuffix(".__init__"))
print(len(files), "modules of the wheel import with the base dependencies")
"""


# The environments


def main_environment() -> Environment:
    """The one for demo, test and check: every extra and every tool."""
    kinds = ("dev", "formats", "large", "page")
    files = [PROJECT / f"requirements-{kind}.txt" for kind in kinds]
    if open3d_has_wheel():
        files.append(PROJECT / "requirements-registration.txt")
    return Environment(PROJECT / ".venv", tuple(files), True, 1570, 377, "one to five minutes")


def wheel_environment() -> Environment:
    """The one in which check tries the built wheel: the base dependencies alone."""
    files = (PROJECT / "requirements.txt",)
    return Environment(PROJECT / ".venv-wheel", files, False, 540, 116, "one to three minutes")


def set_up(environment: Environment) -> Environment:
    """Make the environment unless it stands as it should; gives it back.

    Nothing is asked of the network, and nothing written, where the mark is current.

    Raises
    ------
    SetUpError
        If Python has no venv, the disk is too full, or the packages cannot be had.
    """
    if is_current(environment):
        return environment
    with one_at_a_time(environment.folder) as held:
        if is_current(environment):  # another run made it while this one waited
            return environment
        make(environment, held)
    return environment


def is_current(environment: Environment) -> bool:
    """Whether a finished set-up left its mark, with the key of today."""
    try:
        mark = json.loads((environment.folder / MARK).read_text())
    except (OSError, ValueError):
        return False
    return mark.get("key") == key_of(environment) and environment.python.exists()


def key_of(environment: Environment) -> str:
    """Hash of all that an environment depends on: files, Python, place, and this script."""
    parts = [str(MARK_VERSION), platform.python_implementation(), platform.machine()]
    parts += [str(sys.version_info[:2]), str(environment.folder), str(environment.editable)]
    for file in environment.requirements:
        parts += [file.name, hashlib.sha256(file.read_bytes()).hexdigest()]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def make(environment: Environment, held: Sequence[int] = ()) -> None:
    """Make the environment from nothing; the mark is written last.

    Parameters
    ----------
    held : sequence of int
        File descriptors that children inherit. While a child of a killed set-up still
        writes, it so keeps the lock, and the next set-up waits for it.
    """
    refuse_missing_venv()
    refuse_full_disk(environment)
    begin = time.monotonic()
    say(
        f"Set-up of {environment.folder.name}, once: {environment.disk_mb} MB of disk, "
        f"{environment.download_mb} MB to download, {environment.minutes}."
    )
    if environment.editable and may_install(missing_libraries()):
        say(f"System libraries that Open3D misses: up to {LIBRARIES_MB} MB of disk more.")
    say("It may be interrupted and run again.")
    clear_away(environment.folder)
    environment.folder.mkdir()
    # From here on the folder is known as ours, so that a half-made one may be thrown away.
    (environment.folder / MARK).write_text('{"state": "half made"}\n')
    log = environment.folder / "set-up.log"
    say("- virtual environment, Python " + platform.python_version())
    logged([base_python(), "-I", "-m", "venv", str(environment.folder)], log, held)
    pip = [str(environment.python), "-I", "-u", "-m", "pip"]
    if environment.requirements:
        say("- packages")
        install = [*pip, "install", "--require-hashes", "--only-binary", ":all:", "--no-input"]
        install += ["--disable-pip-version-check", "--no-warn-script-location"]
        for file in environment.requirements:
            install += ["-r", str(file)]
        logged(install, log, held, of=count_of_pins(environment.requirements))
    if environment.editable:
        say("- pourdatum itself, from src")
        itself = [*pip, "install", "--no-deps", "--no-build-isolation", "--no-input"]
        logged([*itself, "--disable-pip-version-check", "-e", str(PROJECT)], log, held)
        provide_libraries(log, held)
    mark = {"key": key_of(environment), "python": platform.python_version()}
    passing = environment.folder / (MARK + ".new")
    passing.write_text(json.dumps(mark) + "\n")
    passing.replace(environment.folder / MARK)
    say(f"Ready after {time.monotonic() - begin:.0f} s.\n")


def clear_away(folder: Path) -> None:
    """Remove an environment of ours; what is not ours is moved aside, never deleted."""
    for leftover in folder.parent.glob(folder.name + ".old-*"):
        shutil.rmtree(leftover, ignore_errors=True)
    if not folder.is_symlink() and not folder.exists():
        return
    ours = not folder.is_symlink() and ((folder / MARK).exists() or not any(folder.iterdir()))
    if ours:
        say("- the one that is there is half made or out of date, and is made anew")
        old = folder.with_name(f"{folder.name}.old-{os.getpid()}")
        folder.rename(old)  # in one step, so that no interruption leaves it half removed
        shutil.rmtree(old, ignore_errors=True)
        return
    number = 1
    while folder.with_name(f"{folder.name}.before-{number}").exists():
        number += 1
    aside = folder.with_name(f"{folder.name}.before-{number}")
    folder.rename(aside)
    say(f"- {folder.name} was not made by this script and is now {aside.name}")


@contextlib.contextmanager
def one_at_a_time(folder: Path) -> Iterator[tuple[int, ...]]:
    """Hold the lock beside a folder; the system frees it when the last holder ends."""
    with open(str(folder) + ".lock", "a") as file:
        wait_for_lock(file.fileno())
        yield () if os.name == "nt" else (file.fileno(),)


def wait_for_lock(descriptor: int) -> None:
    """Lock an open file, saying so once where another set-up has it."""
    said = False
    while True:
        try:
            if os.name == "nt":
                import msvcrt

                msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
            else:
                import fcntl

                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except (BlockingIOError, PermissionError):
            if not said:
                say("Another set-up is at work in this folder; waiting for it.")
            said = True
            time.sleep(0.3)
        except OSError:
            return  # a file system without locks: better unguarded than not at all
        else:
            return


# What may be in the way


def refuse_old_python(version: tuple[int, ...]) -> None:
    """Refuse a Python that the package does not run on."""
    if tuple(version) < OLDEST:
        raise SetUpError(
            f"pourdatum needs Python {OLDEST[0]}.{OLDEST[1]} or newer, and this is "
            f"{'.'.join(map(str, version))} ({sys.executable}); install a newer one and name it: "
            "PYTHON=/path/to/python3 scripts/demo"
        )


def refuse_missing_venv() -> None:
    """Refuse a Python that cannot make environments, with the line that mends it."""
    if has_venv():
        return
    if shutil.which("apt-get"):
        raise SetUpError(
            "Debian and Ubuntu keep venv in a package of its own; type this, then run it again:\n"
            f"    {sudo()}apt install {venv_package()}"
        )
    raise SetUpError(
        f"{sys.executable} has no venv or no ensurepip; add them, or name another Python: "
        "PYTHON=/path/to/python3 scripts/demo"
    )


def has_venv() -> bool:
    """Whether this Python brings venv and the pip that venv puts in."""
    try:
        importlib.import_module("venv")
        return bool(importlib.import_module("ensurepip").version())
    except Exception:  # absent, or there without its wheels: broken in any way is broken
        return False


def venv_package() -> str:
    """Debian's package that holds venv for this very Python."""
    own = f"python{sys.version_info[0]}.{sys.version_info[1]}"
    default = Path("/usr/bin/python3").resolve().name
    return "python3-venv" if own == default else own + "-venv"


def refuse_full_disk(environment: Environment) -> None:
    """Refuse to start what would fill the disk."""
    free_mb = shutil.disk_usage(environment.folder.parent).free // 1_000_000
    # What is downloaded lies beside what is unpacked until the end.
    need_mb = environment.disk_mb + environment.download_mb
    if free_mb < need_mb:
        raise SetUpError(
            f"{environment.folder.name} needs {need_mb} MB of disk and "
            f"{environment.folder.parent} has {free_mb} MB free; make room and run it again"
        )


def open3d_has_wheel() -> bool:
    """Whether Open3D, the heavy part of registration, installs on this system."""
    system, machine = platform.system(), platform.machine()
    if system == "Linux":
        libc, version = platform.libc_ver()
        new_enough = libc == "glibc" and tuple(map(int, version.split("."))) >= OPEN3D_GLIBC
        return new_enough and machine in ("x86_64", "aarch64")
    return (system, machine) in (("Darwin", "arm64"), ("Windows", "AMD64"))


def missing_libraries() -> list[str]:
    """Debian's packages of the system libraries that Open3D wants and that do not load."""
    if platform.system() != "Linux" or not open3d_has_wheel():
        return []
    missing = []
    for library, package in OPEN3D_LIBRARIES.items():
        try:
            ctypes.CDLL(library)
        except OSError:
            missing.append(package)
    return missing


def may_install(packages: Sequence[str]) -> bool:
    """Whether there is something to install, and this run may: root on Debian or its kin."""
    return bool(packages and shutil.which("apt-get") and os.geteuid() == 0)


def provide_libraries(log: Path, held: Sequence[int]) -> None:
    """Install Open3D's system libraries where that is allowed; never fails the set-up."""
    missing = missing_libraries()
    if may_install(missing):
        say("- system libraries: apt-get install " + " ".join(missing))
        apt = ["apt-get", "-o", "DPkg::Lock::Timeout=120", "-y", "--no-install-recommends"]
        for command in ([*apt, "install", *missing], [*apt, "update"], [*apt, "install", *missing]):
            with contextlib.suppress(SetUpError):  # what is still missing then is said
                logged(command, log, held)
            if not missing_libraries():
                break
    remind_of_libraries()


def remind_of_libraries() -> None:
    """Name the line that brings the system libraries, where some are missing."""
    missing = missing_libraries()
    if missing and shutil.which("apt-get"):
        say(
            "Open3D misses system libraries; registration and its tests do without until you type\n"
            f"    {sudo()}apt install {' '.join(missing)}"
        )
    elif missing:
        say(
            "Open3D misses system libraries; registration and its tests do without until your\n"
            "package manager brings " + ", ".join(OPEN3D_LIBRARIES)
        )


def provide_browser() -> None:
    """Install the browser that the report is tested in where that is allowed; never fails."""
    if platform.system() != "Linux" or any(map(shutil.which, BROWSERS)):
        return
    folder = main_environment().folder
    mark = folder / "browser-tried"
    # Once: without a network every run would wait for it again.
    if may_install(["chromium"]) and not mark.exists():
        say(f"Chromium, in which the report is tested: up to {BROWSER_MB} MB of disk, once.")
        log = folder / "set-up.log"
        apt = ["apt-get", "-o", "DPkg::Lock::Timeout=120", "-y", "--no-install-recommends"]
        for command in ([*apt, "update"], [*apt, "install", "chromium"]):
            with contextlib.suppress(SetUpError, OSError):  # what is missing then is said
                logged(command, log, ())
        with contextlib.suppress(OSError):
            mark.write_text("")
    if not any(map(shutil.which, BROWSERS)):
        way = f"type\n    {sudo()}apt install chromium" if shutil.which("apt-get") else "install it"
        say(f"There is no Chromium: tests of the report in a browser are skipped until you {way}")


def sudo() -> str:
    """What goes before a line that only root may type."""
    return "" if os.name == "nt" or os.geteuid() == 0 else "sudo "


# Running things


def base_python() -> str:
    """The interpreter itself, also when called from inside an environment."""
    return getattr(sys, "_base_executable", None) or sys.executable


def clean_environ() -> dict[str, str]:
    """The user's variables, less those by which another Python's packages would leak in."""
    leaks = ("PYTHONPATH", "PYTHONHOME", "VIRTUAL_ENV", "__PYVENV_LAUNCHER__", "PIP_USER")
    return {name: value for name, value in os.environ.items() if name not in leaks}


def run(
    command: Sequence[object], *, cwd: Path = PROJECT, must: bool = False, quiet: bool = False
) -> int:
    """Run in the open, in the project's folder; gives the exit status."""
    sys.stdout.flush()
    out = subprocess.DEVNULL if quiet else None
    words = [str(word) for word in command]
    status = subprocess.call(words, cwd=str(cwd), env=clean_environ(), stdout=out)
    if must and status != 0:
        raise SetUpError("failed: " + shlex.join(str(word) for word in command))
    return status


def logged(command: Sequence[str], log: Path, held: Sequence[int], of: int = 0) -> None:
    """Run quietly into a log, counting packages on a terminal; the end of the log on failure."""
    environ = dict(clean_environ(), DEBIAN_FRONTEND="noninteractive")
    begin = log.stat().st_size if log.exists() else 0
    collected = 0
    with open(log, "a", encoding="utf-8", errors="replace") as file, subprocess.Popen(
        command, cwd=str(PROJECT), env=environ, pass_fds=tuple(held), encoding="utf-8",
        errors="replace", stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    ) as child:  # fmt: skip
        try:
            file.write("$ " + shlex.join(command) + "\n")
            for line in child.stdout or ():
                file.write(line)
                collected += line.startswith("Collecting ")
                if of and sys.stdout.isatty():
                    step = "unpacking" if line.startswith("Installing collected") else "fetching"
                    print(f"\r  {step} {collected} of {of} ", end="", flush=True)
        except BaseException:
            child.terminate()
            raise
    if of and sys.stdout.isatty():
        print("\r" + " " * 40 + "\r", end="", flush=True)
    if child.returncode != 0:
        with open(log, encoding="utf-8", errors="replace") as file:
            file.seek(begin)
            lines = [line.rstrip()[:200] for line in file if line.strip()]
        telling = [line for line in lines if "WARNING: " not in line]
        raise SetUpError(
            f"this step failed (it needs the network, once). The whole log is {log}, and ends\n"
            + "\n".join("    " + line for line in telling[-12:])
        )


def count_of_pins(files: Sequence[Path]) -> int:
    """How many packages the files pin, for the counter (markers leave some out)."""
    lines = [line for file in files for line in file.read_text().splitlines()]
    return len({line.split("==")[0] for line in lines if "==" in line and line[0].isalpha()})


def say(text: str) -> None:
    """Print at once: what is said before a long step must not wait in a buffer."""
    print(text, flush=True)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
