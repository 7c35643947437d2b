"""What every test may use: the project's places, and the heavy packages that may be absent."""

from __future__ import annotations

import importlib
import os
from collections.abc import Iterator
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
