"""Zones with datums of their own: sums by formula, the same as one floor where they are one."""

from __future__ import annotations

import csv
import shutil
import subprocess
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

import pourdatum as pdm
from pourdatum.datum import Datum, ZoneDatum, in_zones
from pourdatum.errors import JobError
from pourdatum.geometry import Plane
from pourdatum.job import Job
from pourdatum.labelled import surface_dataset
from pourdatum.outcome import Plan
from pourdatum.pipeline import result_data
from pourdatum.pipeline.remarks import unused_keys
from pourdatum.placedepth import depth_at, depth_draws_m
from pourdatum.report import words
from pourdatum.report.grind_block import decision
from pourdatum.report.pdf import write_pdf
from pourdatum.report.zones_block import step_told
from pourdatum.simulate import Hump, Relief
from pourdatum.tomlfile import check
from pourdatum.units import show_area, show_volume
from pourdatum.write.scan_files import write_scan
from pourdatum.zones import borders_of, cut_zones
from scenes import falling_room, rectangle, shot_of

LONG_M, WIDE_M = 5.0, 4.0
HALL = shapely.box(0.0, 0.0, 8.0, 5.0)
SLOPE = 0.002


def job_of(**parts: Any) -> Job:
    """A job from plain values, as a file gives them."""
    return check(Job, parts, "job", "")


def box(x0: float, y0: float, x1: float, y1: float) -> list[list[float]]:
    """Corners of a rectangle."""
    return [[x0, y0], [x1, y0], [x1, y1], [x0, y1]]


@cache
def surface_of(scene: Any) -> Any:
    """The levels of a scene, scanned from two places."""
    import tempfile

    shot = shot_of(scene)
    with tempfile.TemporaryDirectory() as folder:
        path = write_scan(Path(folder) / "room.ply", shot.points_m, shot.station)
        scan = pdm.read_scan(str(path))
        surface = pdm.make_surface(scan, pdm.find_floor(scan))
        scan.wait_for_hashes()
    return surface


FALL = falling_room(slope_x=SLOPE, slope_y=0.0)
WEST_Z, EAST_Z, BORDER_X = 0.012, 0.018, 2.0
TWO = {
    "zone": [
        {"name": "west", "points": box(-1, -1, BORDER_X, 5), "kind": "level", "z_m": WEST_Z},
        {"name": "east", "points": box(BORDER_X, -1, 6, 5), "kind": "level", "z_m": EAST_Z},
    ]
}


@cache
def two() -> Plan:
    """A floor that falls, z = 0.002 x, in two zones: one given level each."""
    return pdm.plan_pour(surface_of(FALL), job_of(**TWO, pour={"mixers": 4}))


def fill_of(z_m: float, x0: float, x1: float) -> float:
    """Fill of z = 0.002 x up to a level over it, by formula [m³]."""
    return WIDE_M * (z_m * (x1 - x0) - SLOPE * (x1**2 - x0**2) / 2.0)


def test_each_zone_is_filled_to_its_own_level() -> None:
    """Volumes of a falling plane under two levels, in closed form, within the scan's error."""
    west, east = two().zones
    wanted = (fill_of(WEST_Z, 0.0, BORDER_X), fill_of(EAST_Z, BORDER_X, LONG_M))
    found = (west.plan.volume.volume_m3, east.plan.volume.volume_m3)
    # The tripod's budget is 0.2 mm of warp: a fiftieth of these depths.
    assert found == pytest.approx(wanted, rel=0.02)
    assert west.plan.volume.outline_m2 == pytest.approx(BORDER_X * WIDE_M, rel=0.005)
    for zone, truth in zip((west, east), wanted, strict=True):
        low, high = zone.plan.volume_interval_m3
        assert low < truth < high


def test_the_whole_is_the_sum_of_its_zones() -> None:
    """Area, litres, powder and opened bags of the zones add up to those of the plan."""
    plan = two()
    parts = [zone.plan for zone in plan.zones]
    assert plan.volume.volume_m3 == pytest.approx(sum(p.volume.volume_m3 for p in parts), rel=1e-12)
    assert plan.volume.outline_m2 == pytest.approx(plan.floor.outline.area, rel=1e-9)
    assert plan.order.powder_kg == pytest.approx(sum(p.order.powder_kg for p in parts), rel=1e-12)
    assert sum(zone.bags for zone in plan.zones) == plan.order.bags
    assert plan.unzoned_m2 == pytest.approx(0.0, abs=1e-9)
    assert plan.surface.measured_m2 + plan.surface.inferred_m2 == pytest.approx(
        plan.volume.outline_m2, rel=1e-9
    )
    assert plan.besides.stop_ends_m == pytest.approx(WIDE_M, abs=0.15)


def test_depth_steps_at_the_border() -> None:
    """The depth map is each zone's level less the floor; pins stand on both sides."""
    plan = two()
    x_m, y_m = plan.surface.grid.mesh()
    x0_m = plan.origin_m[0]
    known = plan.surface.measured & (np.abs(x_m + x0_m - BORDER_X) > 0.01)
    level = np.where(x_m + x0_m < BORDER_X, WEST_Z, EAST_Z) - plan.origin_m[2]
    wanted = level - plan.surface.height_m
    assert np.abs(plan.depth_m - wanted)[known].max() < 1e-12
    assert y_m.shape == plan.depth_m.shape
    beside = [pin for pin in plan.pins.pins if pin.kind == "border"]
    sides = {pin.place_m[0] + x0_m < BORDER_X for pin in beside}
    assert sides == {True, False}
    for pin in beside:
        own = WEST_Z if pin.place_m[0] + x0_m < BORDER_X else EAST_Z
        assert pin.z_m + plan.origin_m[2] == pytest.approx(own, abs=1e-9)
        assert pin.low_m < pin.depth_m < pin.high_m
    (border,) = plan.borders
    assert border.length_m == pytest.approx(WIDE_M, abs=0.03)
    assert border.step_m == pytest.approx((EAST_Z - WEST_Z,) * 2, abs=1e-12)


def test_no_batch_crosses_the_border() -> None:
    """Each batch lies in one zone, each bay as well, and the litres of a zone's are its own."""
    plan = two()
    assert plan.pour is not None
    outlines = [zone.outline for zone in plan.datum.zones]
    inside = in_zones(outlines, *plan.surface.grid.mesh())
    seen = [set(np.unique(plan.pour.batch_of[own])) - {0} for own in inside]
    assert not seen[0] & seen[1]
    litres = [sum(b.volume_m3 for b in plan.pour.batches if b.number in own) for own in seen]
    assert litres == pytest.approx([z.plan.volume.volume_m3 for z in plan.zones], rel=1e-9)
    bays = [{b.bay for b in plan.pour.batches if b.number in own} for own in seen]
    assert not bays[0] & bays[1]


def test_one_zone_over_all_is_the_floor() -> None:
    """A zone that covers the whole floor gives the plan that the floor has without zones."""
    surface = surface_of(FALL)
    plain = pdm.plan_pour(surface, job_of())
    zoned = pdm.plan_pour(surface, job_of(zone=[{"name": "all", "points": box(-1, -1, 6, 5)}]))
    (zone,) = zoned.zones
    assert zone.plan.datum.plane.z0_m == pytest.approx(plain.datum.plane.z0_m, abs=1e-9)
    assert zoned.volume.volume_m3 == pytest.approx(plain.volume.volume_m3, rel=1e-9)
    assert zoned.volume_interval_m3 == pytest.approx(plain.volume_interval_m3, rel=1e-6)
    assert zoned.order.bags_to_buy == plain.order.bags_to_buy
    assert zone.plan.order == replace(plain.order, short=zone.plan.order.short)
    assert len(zoned.pour.batches) == len(plain.pour.batches)  # type: ignore[union-attr]
    assert zoned.besides.edge_strip_m == pytest.approx(plain.besides.edge_strip_m, rel=1e-6)


def test_errors_of_one_scan_are_shared_by_its_zones() -> None:
    """Given levels in two zones: the scan's own level is wrong in both at once (JCGM 100, 5.2)."""
    surface = surface_of(FALL)
    sensor = {"tilt_mm_per_m": 0.0, "warp_mm": 0.0, "level_mm": 2.0, "lengths_mm_per_m": 0.0}
    plan = pdm.plan_pour(surface, job_of(**TWO, sensor=sensor))
    widths = [np.ptp(zone.plan.volume_interval_m3) for zone in plan.zones]
    # 2 mm of level is 2 l on each m² of both zones: the widths add up, not their squares.
    assert np.ptp(plan.volume_interval_m3) == pytest.approx(sum(widths), rel=0.02)
    assert np.ptp(plan.volume_interval_m3) > 1.2 * np.hypot(*widths)


def humps() -> Any:
    """Two humps, one in each half of a level floor."""
    relief = Relief(
        humps=(Hump(1.2, 2.0, 0.006, 0.5, "cosine"), Hump(3.8, 2.0, 0.006, 0.5, "cosine"))
    )
    return rectangle(name="two-humps", relief=relief)


HALVES = [{"name": "a", "points": box(-1, -1, 2.5, 5)}, {"name": "b", "points": box(2.5, -1, 6, 5)}]


def test_grinding_is_set_up_once() -> None:
    """A set-up that neither zone's hump is worth alone is worth both, and is in the cost once."""
    surface = surface_of(humps())

    def plan_at(setup: float) -> Plan:
        grind = {"price_per_m2": 1.0, "price_per_m2_mm": 0.5, "setup_price": setup}
        return pdm.plan_pour(
            surface, job_of(zone=HALVES, grind=grind, material={"price_per_bag": 20.0})
        )

    free = plan_at(0.0)
    saved = [z.plan.grinding.unground_cost - z.plan.grinding.cost for z in free.zones]  # type: ignore[union-attr]
    assert min(saved) > 10.0
    both = plan_at(1.5 * max(saved))
    assert all(z.plan.grinding.ground for z in both.zones)  # type: ignore[union-attr]
    grinding = both.grinding
    assert grinding is not None
    assert grinding.unground_cost - grinding.cost == pytest.approx(
        sum(saved) - 1.5 * max(saved), abs=0.01
    )
    none = plan_at(1.1 * sum(saved))
    assert not any(z.plan.grinding.ground for z in none.zones)  # type: ignore[union-attr]
    assert none.grinding is not None
    assert none.grinding.cost == pytest.approx(none.grinding.unground_cost)


def test_a_high_zone_does_not_lift_the_others() -> None:
    """A hump of 6 mm in one half: the other half is filled over its own high point alone."""
    relief = Relief(humps=(Hump(1.2, 2.0, 0.006, 0.5, "cosine"),))
    surface = surface_of(rectangle(name="one-hump", relief=relief))
    plan = pdm.plan_pour(surface, job_of(zone=HALVES))
    levels = [z.plan.datum.plane.z0_m + plan.origin_m[2] for z in plan.zones]
    # Least depth of the standard sheet 2 mm; a patch of 100 mm on the cosine's top is 0.15 mm low.
    assert levels == pytest.approx([0.008, 0.002], abs=0.0006)


def test_floor_outside_all_zones_is_not_poured_and_said() -> None:
    """One zone of two: the other half is not in area, litres or batches, and a line says so."""
    surface = surface_of(FALL)
    plan = pdm.plan_pour(surface, job_of(zone=TWO["zone"][:1]))
    off_m2 = (LONG_M - BORDER_X) * WIDE_M
    assert plan.unzoned_m2 == pytest.approx(off_m2, rel=0.01)
    assert plan.volume.outline_m2 == pytest.approx(BORDER_X * WIDE_M, rel=0.01)
    told = [item.text for item in plan.warnings if item.code == "zones-leave-floor"]
    assert len(told) == 1
    assert f"{plan.unzoned_m2:.2f} m²" in told[0]
    x_m, _ = plan.surface.grid.mesh()
    beyond = x_m + plan.origin_m[0] > BORDER_X + 0.001
    assert np.isnan(plan.depth_m[beyond]).all()
    assert plan.pour is not None
    assert not plan.pour.batch_of[beyond].any()
    # Towards floor that is not poured the pour ends at a stop-end, not at an edge strip.
    assert plan.besides.stop_ends_m == pytest.approx(WIDE_M, abs=0.1)
    assert plan.besides.edge_strip_m == pytest.approx(2 * BORDER_X + WIDE_M, abs=0.1)


def test_what_is_written() -> None:
    """Zones with datum, fill, powder and bags in ``result.json``; a whole without one level."""
    data = result_data(two())
    assert [zone["name"] for zone in data["zones"]] == ["west", "east"]
    assert [zone["datum"]["z_m"] for zone in data["zones"]] == pytest.approx([WEST_Z, EAST_Z])
    assert (data["datum"]["kind"], data["datum"]["z_m"]) == ("zones", None)
    total = sum(zone["fill"]["volume_l"] for zone in data["zones"])
    assert total == pytest.approx(data["fill"]["volume_l"], abs=0.002)
    assert sum(zone["bags"] for zone in data["zones"]) == data["material"]["bags"]
    (border,) = data["zone_borders"]
    assert border["zones"] == ["west", "east"]
    assert border["step_mm"] == pytest.approx([6.0, 6.0], abs=1e-3)
    assert data["unzoned_m2"] == 0.0
    assert result_data(pdm.plan_pour(surface_of(FALL), job_of()))["zones"] == []


def test_tables_and_result_name_the_zone_of_each_row(tmp_path: Path) -> None:
    """By the border's x: what lies west of it is in the zone west. A floor without zones has none.

    Litres of the batches of a zone are its fill, so the column may be added up by.
    """
    plan = two()
    pdm.write_results(plan, tmp_path / "out", files="tables,result")
    data = result_data(plan)
    for name in ("batches.csv", "pins.csv"):
        with (tmp_path / "out" / name).open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        for row in rows:
            assert row["zone"] == ("west" if float(row["x_m"]) < BORDER_X else "east")
    for zone in data["zones"]:
        own = [one for one in data["pour"]["batches"] if one["zone"] == zone["name"]]
        litres = sum(one["volume_l"] for one in own)
        assert litres == pytest.approx(zone["fill"]["volume_l"], rel=1e-3)
        assert sum(one["bags"] for one in own) == zone["bags"]
    assert {pin["zone"] for pin in data["pins"]} == {"west", "east"}
    plain = result_data(pdm.plan_pour(surface_of(FALL), job_of()))
    assert {one["zone"] for one in (*plain["pour"]["batches"], *plain["pins"])} == {None}


def test_humps_name_their_zone() -> None:
    """Two humps in two halves: each is listed under its own."""
    data = result_data(pdm.plan_pour(surface_of(humps()), job_of(zone=HALVES)))
    places = {hump["zone"]: hump["place"][0] for hump in data["grind"]["humps"]}
    assert places["a"] == pytest.approx(1.2, abs=0.1)
    assert places["b"] == pytest.approx(3.8, abs=0.1)


def test_costs_of_zones_that_were_not_weighed_are_not_mixed_in() -> None:
    """One zone to a given level: the cost is that of the other, has no interval, and says so."""
    surface = surface_of(humps())
    given = {"kind": "level", "z_m": 0.012}
    grind = {"price_per_m2": 1.0, "price_per_m2_mm": 0.5}
    both = pdm.plan_pour(
        surface, job_of(zone=HALVES, grind=grind, material={"price_per_bag": 20.0})
    )
    one = pdm.plan_pour(
        surface,
        job_of(zone=[HALVES[0], HALVES[1] | given], grind=grind, material={"price_per_bag": 20.0}),
    )
    assert one.cost_interval is None
    assert "in the zones that were weighed" in decision(one)
    assert both.cost_interval is not None
    low, high = both.cost_interval
    assert both.grinding is not None
    assert low < both.grinding.cost < high
    assert "in all zones" in decision(both)


def test_the_print_tells_each_zone(tmp_path: Path) -> None:
    """On paper as on the page: datum, area and fill of each, and the step between them once."""
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext (poppler-utils) is not there")
    write_pdf(two(), tmp_path / "report.pdf")
    done = subprocess.run(
        ["pdftotext", "-layout", str(tmp_path / "report.pdf"), "-"], capture_output=True, check=True
    )
    text = " ".join(done.stdout.decode().split())
    for zone, z_m in zip(two().zones, (WEST_Z, EAST_Z), strict=True):
        volume = zone.plan.volume
        row = (
            words.level(z_m, "metric"), show_area(volume.outline_m2, "metric"),
            show_volume(volume.volume_m3, "metric"), f"{zone.bags}",
        )  # fmt: skip
        assert " ".join(row) in text
    for zone in two().zones:
        assert f"{zone.name} – The datum is the level given" in text
    (border,) = two().borders
    assert text.count(step_told("east", border, two())) == 1


def test_sums_hold_on_drawn_zones(seed: int) -> None:
    """Any way of cutting a floor in two or three: areas and fills add up, nothing counts twice."""
    rng = np.random.default_rng(seed)
    for _ in range(200):
        x1, x2 = np.sort(rng.uniform(0.3, 7.7, 2))
        lean = rng.uniform(-0.15, 0.15)
        slack = rng.uniform(0.0, 0.009)  # Drawn a little over one another, as people do.
        cuts = [(-0.2, x1 + slack), (x1 - slack, x2 + slack), (x2 - slack, 8.2)]
        drawn = [
            (f"{k}", shapely.Polygon([(a, -0.2), (b, -0.2), (b + lean, 5.2), (a + lean, 5.2)]))
            for k, (a, b) in enumerate(cuts)
            if b - a > 0.1
        ]
        shapes = cut_zones(drawn, HALL)
        areas = sum(one.outline.area for one in shapes)
        both = shapely.union_all([one.outline for one in shapes]).area
        assert areas == pytest.approx(both, rel=1e-12), f"seed {seed}"
        parts = [ZoneDatum(one.outline, level(0.01 * k)) for k, one in enumerate(shapes)]
        if len(parts) == 3:
            assert [(b.first, b.second) for b in borders_of(parts, HALL)] == [(0, 1), (1, 2)], (
                f"seed {seed}"
            )


@pytest.mark.parametrize("off_m", [-0.004, -0.0004, 0.0, 0.0004, 0.004])
def test_a_border_along_a_wall_is_the_walls(off_m: float) -> None:
    """An L of 5 by 4 m with a corner of 2 by 1.5 out of it, parted where that corner begins.

    Drawn to the millimetre, a zone gets a sliver along the wall or not: zones meet over 2.5 m
    either way, and their areas are 3 x 4 and 2 x 2.5 m² to what the line is off.
    """
    floor = shapely.box(0, 0, 5, 4).difference(shapely.box(3, 2.5, 5, 4))
    x = 3.0 + off_m
    drawn = [("a", shapely.box(-1, -1, x, 5)), ("b", shapely.box(x, -1, 6, 5))]
    shapes = cut_zones(drawn, floor)
    parts = [ZoneDatum(one.outline, level(0.01 * k)) for k, one in enumerate(shapes)]
    (border,) = borders_of(parts, floor)
    assert border.length_m == pytest.approx(2.5, abs=0.03)
    assert [one.outline.area for one in shapes] == pytest.approx([12.0, 5.0], abs=0.03)
    assert sum(one.outline.area for one in shapes) == pytest.approx(17.0, rel=1e-9)


def level(z_m: float) -> Datum:
    """A given level."""
    return Datum("level", Plane(z_m), (z_m, z_m), None, 0.002)


@pytest.mark.parametrize(
    ("drawn", "said"),
    [
        ([box(0, 0, 4, 5), box(3, 0, 8, 5)], r"zones 1, a, and 2, b, lie over .* 5\.00 m²"),
        ([box(20, 0, 24, 5)], r"20\.00 of the 20\.00 m² of zone 1, a, lie off the floor"),
        ([[[0, 0], [4, 5], [4, 0], [0, 5]]], "crosses itself"),
        ([[[-1, 1], [9, 1], [9, 2], [-1, 2]], [[3, -1], [4, -1], [4, 6], [3, 6]]], "lie over"),
    ],
)
def test_zones_that_are_refused(drawn: list[Any], said: str) -> None:
    """Over one another, off the floor, no area: in one line, with the zone and what to do."""
    shapes = [(name, shapely.Polygon(one)) for name, one in zip("ab", drawn, strict=False)]
    with pytest.raises(JobError, match=said):
        cut_zones(shapes, HALL)


def test_a_zone_in_pieces_is_refused() -> None:
    """One datum over two rooms is two zones: they are poured apart."""
    rooms = shapely.box(0, 0, 3, 5).union(shapely.box(5, 0, 8, 5))
    with pytest.raises(JobError, match=r"2 pieces of floor, of 15\.00 and 15\.00 m²"):
        cut_zones([("a", HALL)], HALL.intersection(rooms.buffer(0.0)))


@pytest.mark.parametrize(
    ("parts", "said"),
    [
        ({"datum": {"kind": "parallel"}, "zone": HALVES}, "both datum and zone"),
        ({"zone": [HALVES[0], HALVES[0]]}, "two zones are named 'a'"),
        ({"zone": [{"name": "a", "points": [[0, 0], [1, 1]]}]}, "at least 3"),
        ({"zone": [HALVES[0] | {"kind": "level"}]}, 'zone "a".* needs z_m'),
        ({"zone": [HALVES[0] | {"z_m": 1.0}]}, 'zone "a" has z_m and no kind'),
        ({"zone": [HALVES[0] | {"level": 1.0}]}, "level"),
    ],
)
def test_jobs_that_are_refused(parts: dict[str, Any], said: str) -> None:
    """What contradicts itself names the zone and the key."""
    with pytest.raises(JobError, match=said):
        job_of(**parts)


def test_a_level_of_another_vertical_names_its_zone() -> None:
    """A level half a metre off is refused, with the zone that has it."""
    far = [TWO["zone"][0], TWO["zone"][1] | {"z_m": 4.0}]
    with pytest.raises(JobError, match=r"zone\[2\]\.z_m: the datum 4\.000 m lies"):
        pdm.plan_pour(surface_of(FALL), job_of(zone=far))


def test_keys_of_another_kind_are_told() -> None:
    """A level given to a zone over its high point, and a hose without a pump, are not used."""
    zone = HALVES[0] | {"kind": "high-point", "z_m": 1.0}
    told = unused_keys(job_of(zone=[zone], pour={"hose_l": 50.0}))
    assert [(item.code, item.text.split(" is")[0]) for item in told] == [
        ("datum-key-unused", 'zone "a".z_m'),
        ("pour-key-unused", "pour.hose_l"),
    ]


def test_depths_are_asked_by_place() -> None:
    """Draws of depths lie about those of each zone; a shared error of level is one in both."""
    plan = two()
    x0_m, y0_m, _ = plan.origin_m
    place = np.array([[1.0 - x0_m, 2.0 - y0_m], [4.0 - x0_m, 2.0 - y0_m]])
    found = depth_at(plan.surface, plan.datum, place)
    wanted = [WEST_Z - SLOPE * 1.0, EAST_Z - SLOPE * 4.0]
    assert found.value_m == pytest.approx(wanted, abs=0.0006)
    draws = depth_draws_m(plan.surface, plan.datum, place)
    assert np.median(draws, axis=0) == pytest.approx(found.value_m, abs=0.0001)
    level = {"tilt_mm_per_m": 0.0, "warp_mm": 0.0, "level_mm": 2.0, "lengths_mm_per_m": 0.0}
    off = pdm.plan_pour(surface_of(FALL), job_of(**TWO, sensor=level))
    west, east = depth_draws_m(off.surface, off.datum, place).T
    assert np.corrcoef(west, east)[0, 1] > 0.98


def test_a_grid_of_zones_has_no_one_plane() -> None:
    """``surface.nc`` says the kind and holds the depths; a level of the whole would be a lie."""
    plan = two()
    data = surface_dataset(plan.surface, plan.datum)
    assert data.attrs["datum_kind"] == "zones"
    assert "datum_z_m" not in data.attrs
    depth = data["depth"].to_numpy()
    assert np.array_equal(depth, plan.depth_m, equal_nan=True)
