"""The story in plain calls: what the command line does, and what a script can do."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

import pourdatum as pdm
from pourdatum.errors import JobError, OutputError
from pourdatum.job import Job
from pourdatum.outcome import Plan, Survey
from pourdatum.pipeline import survey_scan, wants_grinding
from pourdatum.pipeline.onedatum import datum_request
from pourdatum.scan import Frame, InputFile, Scan
from pourdatum.stripes import Stripes
from pourdatum.write.sample_files import write_sample


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small simulated scan; its truth lies beside it."""
    path = tmp_path_factory.mktemp("room") / "room.ply"
    write_sample("plain-room", path, seed=5, points=60_000)
    return path


def test_every_public_name_is_there() -> None:
    """Each name that the package offers can be fetched, and no other."""
    for name in pdm.__all__:
        assert getattr(pdm, name) is not None
        assert name in dir(pdm)
    with pytest.raises(AttributeError, match="no attribute 'plan_floor'"):
        pdm.plan_floor  # noqa: B018


def test_the_story_in_plain_calls(room: Path, tmp_path: Path) -> None:
    """Scan, floor, surface, plan, folder: the same that the command line does in one go."""
    job = tmp_path / "job.toml"
    job.write_text('title = "Cooperage"\n[material]\nsheet = "rapid"\n')
    scan = pdm.read_scan(str(room))
    surface = pdm.make_surface(scan, pdm.find_floor(scan))
    plan = pdm.plan_pour(surface, job)
    assert isinstance(plan, Plan)
    assert plan.datum.plane.z0_m == pytest.approx(plan.survey.figures.high_m + 0.002, abs=1e-9)
    assert np.nanmax(plan.depth_m) >= plan.volume.mean_depth_m
    folder = pdm.write_results(plan, tmp_path / "plan", files="result")
    data = json.loads((folder / "result.json").read_text("utf-8"))
    assert (data["title"], data["material"]["name"]) == ("Cooperage", plan.sheet.name)
    with pytest.raises(OutputError, match="exists"):
        pdm.write_results(plan, folder)


def test_a_survey_in_one_call(room: Path) -> None:
    """Files in, figures out; stages are told to whoever listens."""
    heard: list[str] = []
    survey = survey_scan([room], progress=lambda stage, done, _=0: heard.append(stage))
    assert isinstance(survey, Survey)
    truth = json.loads(room.with_name("room.truth.json").read_text())
    origin_m = survey.origin_m[2]
    assert survey.figures.high_m + origin_m == pytest.approx(truth["high_z_m"], abs=0.0005)
    assert survey.figures.mean_m + origin_m == pytest.approx(truth["mean_z_m"], abs=0.0005)
    assert survey.scan.inputs[0].file == "room.ply"
    assert len(set(heard)) > 2


def scan_in(frame: Frame) -> Scan:
    """A scan of which only the frame matters."""
    file = InputFile("a.laz", "0" * 64, 1, "LAZ", "?", frame.up)
    return Scan((file,), (), frame, (0.0, 0.0, 0.0), (1.0, 1.0, 1.0))


def test_levels_are_taken_in_their_units() -> None:
    """``--datum`` is in the unit of the scan's heights, ``z_m`` in metres, both in its vertical."""
    feet = scan_in(Frame(unit_m=1.0, height_unit_m=0.3048, origin_m=(5.0, 6.0, 30.0)))
    typed = Job(datum={"kind": "level", "z": 100.0})  # type: ignore[arg-type]
    filed = Job(datum={"kind": "level", "z_m": 30.48})  # type: ignore[arg-type]
    assert datum_request(typed, feet).z_m == pytest.approx(0.48)
    assert datum_request(filed, feet).z_m == pytest.approx(0.48)


def test_a_fall_points_to_its_place() -> None:
    """``toward`` is in the scan's plan coordinates and unit; the request is local metres."""
    scan = scan_in(Frame(unit_m=0.001, origin_m=(10.0, 20.0, 0.0)))
    fall = {"kind": "fall", "slope_mm_per_m": 10.0, "toward": (14_000.0, 22_500.0)}
    request = datum_request(Job(datum=fall), scan)  # type: ignore[arg-type]
    assert request.slope == pytest.approx(0.010)
    assert request.toward_m == pytest.approx((4.0, 2.5))


def test_a_fall_that_the_sheet_does_not_hold(room: Path) -> None:
    """A material that finds its own level is refused for a fall before the scan is read."""
    fall = {"kind": "fall", "slope_mm_per_m": 10.0, "toward": (1.0, 1.0)}
    with pytest.raises(JobError, match=r"a fall of 10 mm per m is steeper .* a screed to falls"):
        pdm.plan_pour(cast(Any, SimpleNamespace(floor=SimpleNamespace(scan=None))),
                      Job(datum=fall))  # type: ignore[arg-type]  # fmt: skip


@pytest.mark.parametrize(
    ("keys", "wanted"),
    [
        ({}, False),
        ({"price_per_m2": 6.0}, True),
        ({"allowed": True}, True),
        ({"allowed": False, "price_per_m2": 6.0}, False),
    ],
)
def test_when_grinding_may_lower_the_datum(keys: dict[str, Any], wanted: bool) -> None:
    """Grinding counts where it is asked for or priced, and never where it is ruled out."""
    assert wants_grinding(Job(grind=keys)) is wanted  # type: ignore[arg-type]


SOUND = {"tilt_mm_per_m": 0.0, "warp_mm": 0.0, "lengths_mm_per_m": 0.0}


def half_width_l(plan: Plan) -> float:
    """Half the interval of a fill [l]."""
    low, high = plan.volume_interval_m3
    return 500.0 * (high - low)


def test_errors_that_the_job_states_take_the_place_of_the_usual(room: Path) -> None:
    """A level known to 1 mm lifts the whole floor: 1.96 litres on each m2, to a given level.

    Closed form: datum and floor share no error then, so the volume errs by area times 1 mm.
    """
    scan = pdm.read_scan(room)
    surface = pdm.make_surface(scan, pdm.find_floor(scan))
    at = {"kind": "level", "z_m": float(np.nanmax(surface.height_m)) + scan.origin_m[2] + 0.02}
    told = {**SOUND, "level_mm": 1.0, "source": "certificate 81"}
    plan = pdm.plan_pour(surface, Job.model_validate({"datum": at, "sensor": told}))
    alone = pdm.plan_pour(surface, Job.model_validate({"datum": at, "sensor": SOUND}))
    assert half_width_l(plan) == pytest.approx(
        np.hypot(1.96 * surface.floor.area_m2, half_width_l(alone)), rel=0.05
    )
    said = " ".join(plan.survey.assumptions)
    assert "as certificate 81 says" in said
    assert "0 mm per m of tilt, 0 mm of warp, 1 mm of level" in said


def test_a_tilt_that_the_job_states_is_that_of_the_level(room: Path) -> None:
    """0.4 mm per m about each axis: 95 % of the directions lie within 2.448 times that."""
    scan = pdm.read_scan(room)
    surface = pdm.make_surface(scan, pdm.find_floor(scan))
    job = Job.model_validate({"sensor": {**SOUND, "tilt_mm_per_m": 0.4}})
    found = pdm.survey_floor(surface, job)
    assert found.figures.tilt_95 * 1000 == pytest.approx(0.4 * 2.4477, rel=0.02)


def test_a_source_without_a_figure_is_refused() -> None:
    """A certificate of which nothing is taken would be printed as if it counted."""
    with pytest.raises(ValueError, match="sensor has a source and no figure"):
        Job.model_validate({"sensor": {"source": "certificate 81"}})


@pytest.mark.parametrize(("across_deg", "along"), [(0.0, 0), (90.0, 90), (30.0, 150)])
def test_stripes_of_a_scan_are_told(room: Path, across_deg: float, along: int) -> None:
    """Width, size and the way along: across x they run along y, which is 0 degrees from +y."""
    scan = pdm.read_scan(room)
    surface = pdm.make_surface(scan, pdm.find_floor(scan))
    assert "stripes" not in {w.code for w in pdm.survey_floor(surface).warnings}
    found = Stripes(0.001, 0.1, np.radians(across_deg))
    warned = pdm.survey_floor(replace(surface, stripes=found)).warnings
    text = next(w.text for w in warned if w.code == "stripes")
    assert f"about 100 mm wide, along {along}° from +y, lie 1.0 mm higher or lower" in text
