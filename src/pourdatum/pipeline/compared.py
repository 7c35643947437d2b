"""Ways out of a job and a floor: which sheets, at what prices, over which datum."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from pourdatum.buying import buy_besides
from pourdatum.costcurve import Prices
from pourdatum.datum import LOCAL_LEVEL
from pourdatum.errors import JobError, NoFloor
from pourdatum.lifts import Offer, Terms
from pourdatum.patch import highest_patch
from pourdatum.sheetfile import read_sheet, shipped_sheets
from pourdatum.units import MM, show_load
from pourdatum.ways import compare_ways

if TYPE_CHECKING:
    from pourdatum.buying import Besides
    from pourdatum.datum import Datum
    from pourdatum.job import Job
    from pourdatum.material import Sheet
    from pourdatum.outcome import Plan
    from pourdatum.surface import Surface
    from pourdatum.way import Ways

_NOISES: Final = 4.0
"""Typical standard errors of a cell within which a shortfall is none."""
_DATUM_ERRORS: Final = 2.0
"""Standard errors of its high point by which a datum may stand too low: about 95 %."""


def shortfall_noise_m(surface: Surface, datum: Datum) -> float:
    """Shortfall of the least depth that is noise [m].

    A high-point datum stands the least depth over the floor's true top, so that about
    half the cells of a flat floor fall short of it by their own noise. That top itself is known to
    its standard error, by which all of them may seem short at once.
    """
    errors = surface.standard_error_m[surface.measured | surface.inferred]
    errors = errors[errors == errors]
    middle = len(errors) // 2
    own_m = _NOISES * float(np.partition(errors, middle)[middle]) if len(errors) else 0.0
    if datum.kind != "high-point" or datum.lowered_m > 0.0:
        return own_m
    return math.hypot(own_m, _DATUM_ERRORS * datum.standard_error_m)


def ways_of(plan: Plan, job: Job, top: Surface) -> Ways:
    """The ways to this floor, the plan as asked among them.

    Parameters
    ----------
    plan : Plan
        As asked, with its obstacles.
    job : Job
    top : Surface
        The floor as prepared, whose top sets a datum; ``plan.surface`` is what is filled.
    """
    grinding, datum = plan.grinding, plan.datum
    plane = datum.plane.raised(datum.lowered_m)
    clear_m = 0.0
    if datum.kind == "level":
        try:
            high_m = highest_patch(top, LOCAL_LEVEL).z_m
            clear_m = high_m + plan.sheet.least_m - plane.z0_m
        except NoFloor:  # What was not seen well enough sets no other datum.
            clear_m = 0.0
    terms = Terms(
        kind=datum.kind,
        clear_m=clear_m,
        slope=plane.slope,
        noise_m=shortfall_noise_m(plan.surface, datum),
        roughness_m=plan.roughness_m,
        may_grind=job.grind.allowed and plan.surface.between is None,
        deepest_grind_m=None if job.grind.max_depth_mm is None else job.grind.max_depth_mm / MM,
        grind=grind_prices(job) if job.grind.priced else None,
        waste=job.material.waste,
        absorbency=job.preparation.absorbency,
        max_load_kg_per_m2=job.pour.max_load_kg_per_m2,
        system=job.units,
    )
    ground = None
    if grinding is not None and grinding.ground:
        ground = (grinding.volume_m3, grinding.area_m2)
    return compare_ways(
        plan.surface,
        plane,
        offers_of(plan.sheet, job),
        terms,
        lowered_m=datum.lowered_m,
        ground=ground,
        against=plan.obstacles,
    )


def besides_of(plan: Plan) -> Besides:
    """What the plan as asked takes besides its material, with the money of its way."""
    stop_ends = () if plan.pour is None else plan.pour.stop_ends
    cost = next((way.cost for way in plan.ways.each if way.asked), None)
    return buy_besides(
        plan.surface,
        plan.depth_m,
        stop_ends_m=sum(line.length for line in stop_ends),
        cost=cost,
    )


def offers_of(sheet: Sheet, job: Job) -> tuple[Offer, ...]:
    """The sheet asked for at the job's price, then the shipped ones at their own.

    A job's price is that of its own bag; a bag that nobody priced has none.
    """
    own, labour = job.material, job.material.labour_per_bag
    price = sheet.price_per_bag if own.price_per_bag is None else own.price_per_bag
    offers = [
        Offer(sheet, None if price is None else price + labour, own.sheet in shipped_sheets())
    ]
    for name in shipped_sheets():
        if name == own.sheet:
            continue
        other = read_sheet(name)
        cost = None if other.price_per_bag is None else other.price_per_bag + labour
        offers.append(Offer(other, cost, invented=True))
    return tuple(offers)


def grind_prices(job: Job, fill_per_m3: float = 0.0) -> Prices:
    """Rates of grinding as the job has them; what is left out counts as nothing."""
    wish = job.grind
    return Prices(
        fill_per_m3=fill_per_m3,
        grind_per_m2=wish.price_per_m2 or 0.0,
        grind_per_m3=(wish.price_per_m2_mm or 0.0) * MM,
        setup=wish.setup_price or 0.0,
    )


def check_load(job: Job, sheet: Sheet) -> None:
    """Refuse a load limit that no pour of this material keeps.

    Raises
    ------
    JobError
        Naming what the least depth weighs, and the lightest that the known sheets offer.
    """
    allowed = job.pour.max_load_kg_per_m2
    least_kg = sheet.depth_mm[0] * sheet.wet_kg_per_m2_mm
    if allowed is None or least_kg <= allowed:
        return
    others = {name: read_sheet(name) for name in shipped_sheets()}
    weighs = {name: one.depth_mm[0] * one.wet_kg_per_m2_mm for name, one in others.items()}
    name = min(weighs, key=lambda key: weighs[key])
    lightest = (
        f"the lightest shipped sheet, {name}, weighs {weighs[name]:.1f} at its least depth of"
        f" {others[name].depth_mm[0]:g} mm"
    )
    raise JobError(
        f"{allowed:g} kg per m²{_load_too(allowed, job)} is less than the {least_kg:.1f} that"
        f" {sheet.depth_mm[0]:g} mm of {sheet.name}, its least depth, weigh wet",
        where="pour.max_load_kg_per_m2",
        hint=f"{lightest}, so that nothing known fits under {min(least_kg, weighs[name]):.1f}; what"
        " the floor may carry is an engineer's question",
        id="load-too-low",
    )


def _load_too(kg_per_m2: float, job: Job) -> str:
    """The load in the unit of an imperial job as well; the key is metric."""
    return f" ({show_load(kg_per_m2, job.units)})" if job.units == "imperial" else ""
