"""One floor, or one zone of it, to one datum: what is filled, ordered, ground and in the way."""

from __future__ import annotations

from concurrent.futures import Future
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from pourdatum.datum import DatumRequest
from pourdatum.errors import JobError
from pourdatum.grind import find_humps
from pourdatum.grinding import Grinding, weigh_grinding
from pourdatum.material import obstacles, order
from pourdatum.outcome import UNTESTED, Notes, Plan, Survey
from pourdatum.pins import NO_PINS, PinPlan
from pourdatum.pipeline.compared import grind_prices, shortfall_noise_m
from pourdatum.sheetfile import read_sheet
from pourdatum.spread import (
    draws_to_buy_m3,
    fill_draws_m3,
    fill_interval,
    level_draws_m3,
    level_interval_m3,
    unsure_m3,
)
from pourdatum.units import MM
from pourdatum.volume import Volume, fill_volume

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pourdatum.datum import Datum
    from pourdatum.job import Job
    from pourdatum.jobfloor import DatumSection
    from pourdatum.material import Order, Sheet
    from pourdatum.scan import Scan
    from pourdatum.surface import Surface

_FAR_M: Final = 0.5
"""A level as far as this from the floor is no datum of a levelling pour [m]; common practice."""


def own_sheet(job: Job) -> Sheet:
    """The sheet asked for, its primers at the job's price where it has one.

    Raises
    ------
    JobError
        If it cannot be read.
    """
    sheet, price = read_sheet(job.material.sheet), job.material.primer_price_per_l
    if price is None:
        return sheet
    return replace(sheet, primer=tuple(replace(one, price_per_l=price) for one in sheet.primer))


def poured(
    poured_on: Surface,
    datum: Datum,
    sheet: Sheet,
    job: Job,
    survey: Future[Survey],
    grinding: Grinding | None,
    pins: PinPlan = NO_PINS,
) -> Plan:
    """Fill, order, humps and obstacles, and the survey when it is there."""
    volume = _fill(poured_on, datum, sheet, sheet.least_m)
    draws = None if poured_on.between is not None else fill_draws_m3(poured_on, datum, volume)
    interval = fill_interval(poured_on, datum, volume, draws)
    at_level = level_draws_m3(poured_on, datum, volume)
    to_buy = None if draws is None else draws_to_buy_m3(draws, datum, volume)
    unsearched_m3 = volume.area_m2 * datum.higher_mean_m
    bought = ordered(volume, sheet, job, interval, to_buy, unsearched_m3)
    humps = grinding.humps if grinding else tuple(find_humps(poured_on, datum))
    standing = obstacles(
        _judged(volume, poured_on, datum, sheet),
        sheet,
        area_m2=volume.outline_m2,
        datum_slope=datum.plane.slope,
        max_load_kg_per_m2=job.pour.max_load_kg_per_m2,
        system=job.units,
    )
    return Plan(
        survey=survey.result(),
        surface=poured_on,
        datum=datum,
        sheet=sheet,
        volume=volume,
        volume_interval_m3=interval,
        order=bought,
        level_interval_m3=level_interval_m3(
            volume.volume_m3, at_level, unsure_m3(poured_on, volume)
        ),
        humps=humps,
        obstacles=standing,
        removal_m=job.preparation.removal_mm / MM,
        roughness_m=job.preparation.roughness_mm / MM,
        tests=tests_of(job),
        mixers=job.pour.mixers,
        max_load_kg_per_m2=job.pour.max_load_kg_per_m2,
        grinding=grinding,
        pins=pins,
    )


def tests_of(job: Job) -> Notes:
    """What was found of the substrate by test, as the job has it."""
    had = job.preparation
    answers = (had.substrate, had.moisture, had.pull_off, had.cleanliness)
    return Notes(
        tuple((name, said) for (name, _), said in zip(UNTESTED.entries, answers, strict=True))
    )


def ordered(
    volume: Volume,
    sheet: Sheet,
    job: Job,
    interval_m3: tuple[float, float],
    draws_m3: NDArray[np.float64] | None,
    unsearched_m3: float = 0.0,
) -> Order:
    """What a fill takes of the material, at the job's prices."""
    return order(
        volume,
        sheet,
        volume_interval_m3=interval_m3,
        waste=job.material.waste,
        confidence=job.material.confidence,
        price_per_bag=job.material.price_per_bag,
        labour_per_bag=job.material.labour_per_bag,
        absorbency=job.preparation.absorbency,
        draws_m3=draws_m3,
        unsearched_m3=unsearched_m3,
        left_m3=(job.pour.hose_l or 0.0) / MM if job.pour.mode == "pump" else 0.0,
    )


def wants_grinding(job: Job) -> bool:
    """Whether grinding may lower the datum: allowed, and either priced or asked for."""
    asked = "allowed" in job.grind.model_fields_set
    return job.grind.allowed and (job.grind.priced or asked)


def grinding_lacks(job: Job, sheet: Sheet, surface: Surface) -> tuple[str, ...]:
    """What is missing before grinding can be weighed against filling; empty where nothing is."""
    lacks = []
    if not job.grind.priced:
        lacks.append("no price of grinding: give grind.price_per_m2 or grind.price_per_m2_mm")
    if job.material.price_per_bag is None and sheet.price_per_bag is None:
        lacks.append("no price of a bag: give material.price_per_bag, or one in the sheet")
    if job.datum.kind != "high-point":
        lacks.append(
            f'a datum of kind "{job.datum.kind}" is not lowered: only one over the high point is'
        )
    if surface.between is not None:
        lacks.append("levels shot singly do not show the shape of a hump: scan it")
    return tuple(lacks)


def weighed(
    surface: Surface, datum: Datum, sheet: Sheet, job: Job, *, setup: float | None = None
) -> Grinding:
    """Grinding against filling at the prices of job and sheet; ``setup`` in place of its own."""
    wish, material = job.grind, job.material
    price = sheet.price_per_bag if material.price_per_bag is None else material.price_per_bag
    assert price is not None
    bags_per_m3 = MM * sheet.powder_kg_per_m2_mm * (1.0 + material.waste) / sheet.bag_kg
    prices = grind_prices(job, (price + material.labour_per_bag) * bags_per_m3)
    if setup is not None:
        prices = replace(prices, setup=setup)
    return weigh_grinding(
        surface,
        datum,
        prices,
        # Roughness is what lies under the top of the texture, over ground floor as well.
        least_m=sheet.least_m + job.preparation.roughness_mm / MM,
        greatest_m=sheet.greatest_m,
        deepest_m=None if wish.max_depth_mm is None else wish.max_depth_mm / MM,
    )


def datum_request(job: Job, scan: Scan, z0_m: float | None = None) -> DatumRequest:
    """The datum asked for, local; ``z0_m`` is the level of the surface's origin."""
    x0_m, y0_m, own_m = scan.origin_m
    z0_m = own_m if z0_m is None else z0_m
    unit_m, height_m = scan.frame.unit_m, scan.frame.upright_unit_m
    wish = job.datum
    if wish.kind == "level":
        z_m = wish.z_m if wish.z is None else wish.z * height_m
        assert z_m is not None  # The job's model saw to it.
        return DatumRequest(kind="level", z_m=z_m - z0_m)
    if wish.kind == "fall":
        assert wish.slope_mm_per_m is not None
        assert wish.toward is not None
        x, y = wish.toward
        return DatumRequest(
            kind="fall",
            slope=wish.slope_mm_per_m / MM,
            toward_m=(x * unit_m - x0_m, y * unit_m - y0_m),
        )
    return DatumRequest(kind=wish.kind)


def check_fall(job: Job, sheet: Sheet) -> None:
    """Refuse a fall steeper than the material holds, of the floor or of a zone."""
    _check_fall(job.datum, sheet, "datum")
    for number, zone in enumerate(job.zone, 1):
        _check_fall(zone, sheet, f"zone[{number}]")


def _check_fall(datum: DatumSection, sheet: Sheet, where: str) -> None:
    slope = datum.slope_mm_per_m
    if datum.kind == "fall" and slope is not None and slope > sheet.max_fall_mm_per_m:
        raise JobError(
            f"a fall of {slope:g} mm per m is steeper than {sheet.name} holds "
            f"({sheet.max_fall_mm_per_m:g})",
            where=f"{where}.slope_mm_per_m",
            hint="lay a screed to falls, or choose a material that holds it",
            id="fall-too-steep",
        )


def check_far(surface: Surface, datum: Datum, where: str = "--datum") -> None:
    """Refuse a given level that no compound reaches: it is one of another vertical."""
    if datum.kind != "level":
        return
    known = surface.measured | surface.inferred
    floor_m = float(np.median(surface.height_m[known]))
    off_m = datum.plane.z0_m - floor_m
    if abs(off_m) > _FAR_M:
        z0_m = surface.origin_m[2]
        raise JobError(
            f"the datum {datum.plane.z0_m + z0_m:.3f} m lies {abs(off_m):.2f} m"
            f" {'over' if off_m > 0 else 'under'} the floor, whose middle is at"
            f" {floor_m + z0_m:.3f} m in the vertical of the scan",
            where=where,
            hint="give the level in that vertical and in the scan's unit, or shots from a"
            " benchmark (--control) that bring the scan into yours",
            id="datum-far",
        )


def as_prepared(surface: Surface, job: Job) -> tuple[Surface, Surface]:
    """The floor after its preparation: the top that sets the datum, the mean that is filled.

    Removal lowers everything. Roughness is depth below the top of the texture, which
    the powder fills and a straightedge does not feel.
    """
    removal_m = job.preparation.removal_mm / MM
    roughness_m = job.preparation.roughness_mm / MM
    top = surface if removal_m == 0.0 else replace(surface, height_m=surface.height_m - removal_m)
    mean = top if roughness_m == 0.0 else replace(top, height_m=top.height_m - roughness_m)
    return top, mean


def _fill(surface: Surface, datum: Datum, sheet: Sheet, least_m: float) -> Volume:
    """The fill of the floor, as ground where it is."""
    ground_m = datum.ground_depth_m
    over_m = 0.0 if ground_m is None else ground_m
    found = fill_volume(
        surface.height_m,
        surface.grid,
        surface.floor.outline,
        datum.plane.raised(-over_m),
        least_m=least_m - over_m,
        greatest_m=sheet.greatest_m - over_m,
    )
    return found if ground_m is None else _over_ground(found, ground_m)


def _over_ground(under: Volume, ground_m: float) -> Volume:
    """The fill of a ground floor, from that up to its ground level: a slab of one depth more."""
    area_m2 = under.outline_m2 if ground_m > 0.0 else under.area_m2
    volume_m3 = under.volume_m3 + ground_m * under.outline_m2
    return replace(
        under,
        volume_m3=volume_m3,
        area_m2=area_m2,
        mean_depth_m=volume_m3 / area_m2 if area_m2 > 0.0 else 0.0,
        min_depth_m=max(under.min_depth_m, 0.0) + ground_m,
        max_depth_m=under.max_depth_m + ground_m,
        short_m2=0.0,
        cut_m3=0.0,
    )


def _judged(volume: Volume, surface: Surface, datum: Datum, sheet: Sheet) -> Volume:
    """The fill as held against the sheet's least depth: a shortfall within the noise is none.

    A high-point datum stands the least depth over the floor's true top, so that about
    half the cells of a flat floor fall short of it by their own noise.
    """
    if volume.short_m2 == 0.0:
        return volume
    noise_m = shortfall_noise_m(surface, datum)
    return _fill(surface, datum, sheet, max(0.0, sheet.least_m - noise_m))
