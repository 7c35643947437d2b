"""A plan and a survey made from a scan on a map site, in metres or in feet, for files that leave.

The scan is of ``scenes.cluttered_room``; each is worked out once for all tests.
"""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path

import numpy as np

import scenes
from pourdatum.job import Job
from pourdatum.outcome import Plan, Survey
from pourdatum.pipeline import plan_scan, survey_scan
from pourdatum.units import LENGTH_UNITS
from pourdatum.write.scan_files import write_scan

TITLE = r"Annex \P{\C1;x} %%u <b>"


@cache
def scan_file(unit: str = "m", seed: int = 11) -> Path:
    """The scan as LAZ in a unit."""
    shot = scenes.shot_of(scenes.cluttered_room(), seed=seed, setups=3, points=90_000)
    folder = Path(tempfile.mkdtemp(prefix="pourdatum-test-"))
    return write_scan(folder / "annex.laz", shot.points_m / LENGTH_UNITS[unit], shot.station)


def _job(unit: str, system: str) -> Job:
    return Job.model_validate({"title": TITLE, "units": system, "scan": {"units": unit}})


@cache
def planned(unit: str = "m", system: str = "metric") -> Plan:
    """The plan of it."""
    return plan_scan([scan_file(unit)], _job(unit, system))


@cache
def surveyed(unit: str = "m", system: str = "metric") -> Survey:
    """The survey of it."""
    return survey_scan([scan_file(unit)], _job(unit, system))


def plane_floor(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """A floor that falls evenly, for ``finished.make_survey``: its contours are straight."""
    return 0.0015 * x - 0.0008 * y
