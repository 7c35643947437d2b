"""Pins of a whole plan: readings, tape and depths agree with each other and with the job.

Staff readings are differences of levels (height of instrument less level is the reading, as
in any book on levelling; from memory); depths are datum minus floor; tape is Pythagoras on a
room of whole metres.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import shapely
from numpy.testing import assert_allclose

from made_scan import surface_of, walled
from pourdatum.datum import DatumRequest, choose_datum
from pourdatum.errors import JobError
from pourdatum.job import Job
from pourdatum.jobfloor import (
    BuildUpSection,
    DatumSection,
    LineSection,
    PinsSection,
    PourSection,
    ThresholdSection,
)
from pourdatum.joints import Joint
from pourdatum.outcome import Plan
from pourdatum.pins import Pin, PinPlan, PinRequest, plan_pins
from pourdatum.pipeline import plan_pour
from pourdatum.pipeline.pinned import pin_request
from pourdatum.results import as_data, plan_result
from pourdatum.simulate import Hump, Relief
from pourdatum.surface import Surface
from pourdatum.thresholds import AtThreshold, Threshold

ROOM = shapely.box(0.0, 0.0, 4.0, 3.0)
HUMP = Relief(humps=(Hump(1.0, 0.8, 0.010, 0.5, "cosine"),))


@cache
def scanned() -> Surface:
    """A room of 4 by 3 m with one hump, scanned to a fraction of a millimetre."""
    rng = np.random.default_rng(614)
    return surface_of(walled(ROOM, rng, per_m2=3000.0, height=HUMP.height))


def planned(request: PinRequest | None = None, kind: Any = "level", **more: Any) -> PinPlan:
    """Pins of the room under a datum 20 mm over its zero point, or one of another kind."""
    asked = {"z_m": 0.02} if kind == "level" else {}
    if kind == "fall":
        asked = {"slope": 0.010, "toward_m": (100.0, 1.5)}  # type: ignore[dict-item]
    datum = choose_datum(scanned(), DatumRequest(kind, **asked), 0.002)  # type: ignore[arg-type]
    return plan_pins(scanned(), datum, request or PinRequest(), **more)


def only(pins: PinPlan, kind: str) -> list[Pin]:
    """Pins of a kind."""
    return [pin for pin in pins.pins if pin.kind == kind]


def test_a_level_datum_reads_alike_on_every_pin() -> None:
    """A mark 1 m over a level datum reads 1000 mm on every top; the depth is datum minus floor."""
    found = planned()
    places = np.array([pin.place_m for pin in found.pins])
    assert found.mark_m == pytest.approx(1.02, abs=1e-12)
    assert_allclose([pin.staff_m for pin in found.pins], 1.0, atol=1e-12)
    assert_allclose([pin.z_m for pin in found.pins], 0.02, atol=1e-12)
    depth = [pin.depth_m for pin in found.pins]
    assert_allclose(depth, 0.02 - HUMP.height(*places.T), atol=0.001)
    assert all(pin.low_m < pin.depth_m < pin.high_m for pin in found.pins)
    assert [pin.name for pin in found.pins] == [f"P{k + 1}" for k in range(len(found.pins))]


def test_the_hump_carries_a_pin() -> None:
    """The top of the hump is the highest floor, and its pin stands within a patch of it."""
    assert math.dist(only(planned(), "high")[0].place_m, (1.0, 0.8)) < 0.1
    lifted = planned(kind="high-point")
    assert math.dist(only(lifted, "high")[0].place_m, (1.0, 0.8)) < 0.1
    assert only(lifted, "high")[0].depth_m == pytest.approx(0.002, abs=0.001)


def test_a_falling_datum_reads_more_downhill() -> None:
    """On a fall of 10 mm per m in x the reading grows by 10 mm for each metre."""
    found = planned(PinRequest(mark_m=1.2, mark_given=True), kind="fall")
    x = np.array([pin.place_m[0] for pin in found.pins])
    staff = np.array([pin.staff_m for pin in found.pins])
    assert_allclose(staff - staff[0], 0.010 * (x - x[0]), atol=1e-5)
    assert_allclose(staff + [pin.z_m for pin in found.pins], 1.2, atol=1e-12)


def test_without_a_vertical_nothing_is_read() -> None:
    """A datum parallel to a floor of unknown level has depths and no readings."""
    found = planned(kind="parallel", levelled=False)
    assert found.mark_m is None
    assert {pin.staff_m for pin in found.pins} == {None}


def test_the_tape_agrees_with_the_coordinates() -> None:
    """From the corner by the exit: places again by along and across, checks by Pythagoras."""
    found = planned(PinRequest(exit_m=(3.9, 2.9)))
    (base,) = found.bases
    assert_allclose(base.corner.place_m, (4.0, 3.0), atol=0.01)
    for pin in found.pins:
        assert pin.along_across_m is not None
        along, across = pin.along_across_m
        assert_allclose(pin.place_m, base.corner.places(np.array([[along, across]]))[0], atol=1e-9)
        assert pin.diagonal_m == pytest.approx(math.hypot(along, across), abs=1e-9)
        assert pin.from_end_m == pytest.approx(math.hypot(base.wall_m - along, across), abs=1e-9)
        assert_allclose((4.0 - pin.place_m[0], 3.0 - pin.place_m[1]), (along, across), atol=0.02)
    # The exit is in the corner x = 4: the first row is the one far from it.
    assert found.pins[0].place_m[0] < 2.0 < found.pins[-1].place_m[0]


@pytest.mark.parametrize(
    ("request_", "id_", "where"),
    [
        (PinRequest(mark_m=0.01, mark_given=True), "mark-low", "pins.mark_z_m"),
        (PinRequest(mark_m=87.0, mark_given=True), "mark-far", "pins.mark_z_m"),
        (PinRequest(reach_m=0.05), "pins-too-many", "pins.reach_m"),
    ],
)
def test_what_no_staff_reads_and_nobody_sets_is_refused(
    request_: PinRequest, id_: str, where: str
) -> None:
    """A mark under the datum, one of another vertical, and pins without end."""
    with pytest.raises(JobError) as refused:
        planned(request_)
    assert refused.value.id == id_
    assert where in str(refused.value)


def test_joints_are_listed_and_the_carried_ones_have_pins() -> None:
    """Length of each on the floor; a crack has no pins, a line elsewhere no length."""
    lines = [[(2.5, -1.0), (2.5, 9.0)], [(0.0, 1.5), (1.0, 1.5)], [(50.0, 0.0), (51.0, 0.0)]]
    kinds: list[Any] = ["movement", "crack", "isolation"]
    joints = tuple(Joint(kind, np.array(line)) for kind, line in zip(kinds, lines, strict=True))
    found = planned(PinRequest(joints=joints))
    # As far as walls are found by a scan; what is drawn into them does not count.
    assert_allclose([one.length_m for one in found.joints], [3.0, 1.0, 0.0], atol=0.02)
    assert [one.carried for one in found.joints] == [True, False, True]
    x = np.array([pin.place_m[0] for pin in only(found, "joint")])
    assert_allclose(np.sort(np.unique(np.round(x, 6))), [2.35, 2.65], atol=1e-9)
    assert {pin.of for pin in only(found, "joint")} == {1}


def test_a_corner_where_no_walls_were_seen_is_said() -> None:
    """The edge of a scan is no wall: its corner must be marked before it serves."""
    floor = replace(scanned().floor, faces=())
    open_ = replace(scanned(), floor=floor)
    plan = plan_pour(open_, Job())
    assert [base.on_walls for base in plan.pins.bases] == [False]
    assert "mark it on the floor" in codes(plan)["corner-not-seen"]
    assert "corner-not-seen" not in codes(plan_pour(scanned(), Job()))


# Through the job.


def with_job(**keys: Any) -> Plan:
    """A plan of the room by a job."""
    return plan_pour(scanned(), Job(datum=DatumSection(kind="level", z_m=0.02), **keys))


def codes(plan: Plan) -> dict[str, str]:
    """Warnings by code."""
    return {one.code: one.text for one in plan.warnings}


def door(level: float, **more: Any) -> ThresholdSection:
    """A threshold in the west wall."""
    return ThresholdSection(place=(0.0, 1.5), level=level, **more)


def test_a_threshold_that_is_met_and_one_that_is_missed() -> None:
    """Datum 20 mm and build-up 12 mm: finished 32 mm meets 31 within 2, and misses 28 by 4."""
    build_up = BuildUpSection(mm=12.0)
    met = with_job(threshold=(door(0.031),), build_up=build_up)
    assert "threshold-missed" not in codes(met)
    missed = with_job(threshold=(door(0.028),), build_up=build_up)
    assert "4.0 mm over it" in codes(missed)["threshold-missed"]
    assert "4.0 mm lower" in codes(missed)["threshold-missed"]
    part = as_data(plan_result(missed))["setting_out"]["thresholds"][0]
    assert (part["over_mm"], part["met"], part["finished_z_m"]) == (4.0, False, 0.032)
    assert (
        with_job(threshold=(door(0.028, tolerance_mm=4.0),), build_up=build_up)
        .pins.thresholds[0]
        .met
    )
    assert len([pin for pin in met.pins.pins if pin.kind == "threshold"]) == 1


def test_a_threshold_of_another_floor_or_vertical() -> None:
    """One 5 m away is not used and said; one half a metre off in level is refused."""
    away = with_job(threshold=(ThresholdSection(place=(-5.0, 1.5), level=0.02),))
    assert "5.00 m from this floor" in codes(away)["threshold-off-floor"]
    assert as_data(plan_result(away))["setting_out"]["thresholds"][0]["met"] is None
    with pytest.raises(JobError) as refused:
        with_job(threshold=(door(12.372),))
    assert refused.value.id == "threshold-far"
    assert "threshold[1].level" in str(refused.value)


def test_lines_and_thresholds_are_no_longer_unused() -> None:
    """What enters the plan is not told as left out."""
    plan = with_job(
        threshold=(door(0.02),),
        line=(LineSection(kind="movement", points=((2.0, 0.0), (2.0, 3.0))),),
        build_up=BuildUpSection(mm=3.0),
    )
    assert not [code for code in codes(plan) if code.endswith("-not-used")]


def test_a_job_in_feet_far_away() -> None:
    """Places and levels of the job are in the scan's unit; the mark is in metres; all become local.

    1 ft is 0.3048 m: a place at (3 000 010, 20) ft, seen from an origin of 914 400 m and 0.
    """
    frame = SimpleNamespace(unit_m=0.3048, upright_unit_m=0.3048, origin_m=(914_400.0, 0.0, 90.0))
    surface: Any = SimpleNamespace(
        floor=SimpleNamespace(scan=SimpleNamespace(frame=frame)), origin_m=(914_400.0, 0.0, 91.44)
    )
    job = Job(
        pins=PinsSection(mark_z_m=92.44, reach_m=1.5),
        pour=PourSection(exit=(3_000_010.0, 20.0)),
        threshold=(ThresholdSection(place=(3_000_010.0, 20.0), level=300.5, tolerance_mm=3.0),),
        line=(LineSection(kind="day", points=((3_000_000.0, 0.0), (3_000_010.0, 0.0))),),
    )
    asked = pin_request(job, surface)
    assert asked.exit_m == pytest.approx((3.048, 6.096), abs=1e-6)
    assert asked.mark_m == pytest.approx(1.0)
    assert asked.thresholds[0].place_m == pytest.approx((3.048, 6.096), abs=1e-6)
    assert asked.thresholds[0].level_m == pytest.approx(0.5 * 0.3048, abs=1e-9)
    assert asked.thresholds[0].tolerance_m == pytest.approx(0.003)
    assert_allclose(asked.joints[0].points_m, [[0.0, 0.0], [3.048, 0.0]], atol=1e-6)
    assert (asked.reach_m, asked.mark_given) == (1.5, True)


def test_site_coordinates_cost_nothing() -> None:
    """At 6 000 000 m the file's places are those of corner, along and across to the micrometre."""
    far = replace(scanned(), origin_m=(6_000_000.0, 5_400_000.0, 300.0))
    plan = plan_pour(far, Job())
    near = plan_pour(scanned(), Job())
    data, here = as_data(plan_result(plan)), as_data(plan_result(near))
    for one, two in zip(data["pins"], here["pins"], strict=True):
        assert one["along_across_m"] == two["along_across_m"]
        assert one["staff_mm"] == two["staff_mm"] == 1000.0
        offset = np.array(one["place"]) - two["place"]
        assert_allclose(offset, (6_000_000.0, 5_400_000.0), atol=2e-6)
        assert one["z_m"] - two["z_m"] == pytest.approx(300.0, abs=2e-6)
        assert data["setting_out"]["mark_z_m"] - one["z_m"] == pytest.approx(1.0, abs=2e-6)


def test_preparation_lowers_floor_and_pins_together() -> None:
    """Depth at a pin is that of the floor that is poured on: 1 mm of texture makes it deeper."""
    from pourdatum.jobfloor import PreparationSection

    rough = with_job(preparation=PreparationSection(roughness_mm=1.0))
    smooth = with_job()
    deeper = [a.depth_m - b.depth_m for a, b in zip(rough.pins.pins, smooth.pins.pins, strict=True)]
    assert_allclose(deeper, 0.001, atol=1e-9)


@pytest.mark.parametrize(
    ("over_mm", "met"), [(2.0, True), (-2.04, True), (2.06, False), (-2.2, False)]
)
def test_a_tolerance_is_met_by_what_is_out_by_just_as_much(over_mm: float, met: bool) -> None:
    """As it is told, to a tenth of a millimetre: 2.0 under by a tolerance of 2.0 is no miss."""
    threshold = Threshold((0.0, 0.0), 1.0, 0.002)
    assert AtThreshold(threshold, 1, 1.0 + over_mm / 1000.0, 0.0).met is met
