"""What every test may use: the project's places, and the heavy packages that may be absent."""

from __future__ import annotations

import importlib
import os
import secrets
from collections.abc import Generator, Iterator
from hashlib import sha256
from pathlib import Path
from types import ModuleType

import pytest
from hypothesis import HealthCheck, settings

from browser import Browser, open_browser
from pourdatum.cli.limits import one_thread_for_algebra

# As the program itself does, before anything loads NumPy: two threads that wait for each other
# take four times the processor, take it from the tests beside them, and may change last bits.
one_thread_for_algebra()

# Commands that tests start in processes of their own would each compile all of our files anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# No test opens a window, wherever it runs.
os.environ["MPLBACKEND"] = "Agg"

# The same cases each time, on machines of any speed: a failure here is a failure there.
settings.register_profile(
    "project", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("project")

SEED = pytest.StashKey[int]()


def pytest_addoption(parser: pytest.Parser) -> None:
    """``--fresh`` draws other scenes than the last run; ``--seed N`` draws again what failed."""
    parser.addoption("--fresh", action="store_true", help="draw scenes that no run has seen")
    parser.addoption("--seed", type=int, help="the seed itself, for one test alone")


def draw_seed(request: pytest.FixtureRequest) -> int:
    """What was asked for, a fresh seed, or the test's own; kept to be told where a test fails."""
    asked: int | None = request.config.getoption("seed")
    if asked is None and request.config.getoption("fresh"):
        asked = secrets.randbelow(2**31)
    if asked is None:
        asked = int.from_bytes(sha256(request.node.nodeid.encode()).digest()[:4]) // 2
    request.node.stash[SEED] = asked
    return asked


@pytest.fixture
def seed(request: pytest.FixtureRequest) -> int:
    """The test's own, hashed from its name, so that a change is judged and not luck.

    Nobody chose it; ``--fresh`` draws another. A failure tells it.
    """
    return draw_seed(request)


@pytest.fixture(scope="module")
def module_seed(request: pytest.FixtureRequest) -> int:
    """The same for a scene that all tests of a file share."""
    return draw_seed(request)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Tell the seed of a test that failed, and how to have it again."""
    report = yield
    if report.failed:
        drawn = [node.stash[SEED] for node in item.listchain() if SEED in node.stash]
        told = [f'pytest "{item.nodeid}" --seed {seed}' for seed in drawn]
        report.sections.extend(("The same again", words) for words in told)
    return report


PROJECT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def project() -> Path:
    """Root of the repository."""
    return PROJECT


@pytest.fixture(scope="session")
def sample_scans() -> Path:
    """The folder of simulated scans, each with its truth beside it."""
    return PROJECT / "sample_scans"


@pytest.fixture(scope="session")
def reference() -> Path:
    """The folder of published numbers that tests, scripts and docs share."""
    return PROJECT / "shared"


@pytest.fixture(scope="session")
def open3d() -> ModuleType:
    """Open3D; where it does not load, for want of a wheel or a system library, a skip says so."""
    try:
        return importlib.import_module("open3d")
    except (ImportError, OSError) as reason:
        pytest.skip(f"Open3D does not load ({reason}); `pourdatum doctor` names what is missing")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """A headless Chromium; where there is none, a skip says so."""
    with open_browser() as found:
        yield found
