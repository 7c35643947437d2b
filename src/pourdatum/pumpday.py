"""The day of a pour by its bays: when each begins, how long it takes, what must be there by then.

A bay is poured from one lot, so all of its material is at the pump, or at the mixers, before it
begins; with a pump, before the first of it enters the hose behind the bay before. The hose is full
when the last pass ends: that content is mixed, bought and not poured.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass, replace
from itertools import accumulate, groupby, pairwise
from typing import TYPE_CHECKING, Final

from pourdatum.material import bags_needed, powder_mass_kg
from pourdatum.pour import Pump
from pourdatum.units import MM

if TYPE_CHECKING:
    from pourdatum.material import Sheet
    from pourdatum.pour import PourSheet

_DAY_MIN: Final = 24 * 60
_HAIR: Final = 1e-9


@dataclass(frozen=True)
class Terms:
    """What the job says of the day.

    Attributes
    ----------
    waste : float
        Share of the powder that does not reach the floor.
    hose_m3 : float or None
        What the hose holds [m³]; None where nobody said.
    delivery_kg : float or None
        Powder that comes at a time [kg].
    start_min : float or None
        When the first pass begins, minutes after midnight.
    bags_to_buy : int or None
        What the lots and the deliveries add up to; None for what is opened, with the hose.
    """

    waste: float = 0.0
    hose_m3: float | None = None
    delivery_kg: float | None = None
    start_min: float | None = None
    bags_to_buy: int | None = None


@dataclass(frozen=True)
class BayDay:
    """One bay of the day.

    Attributes
    ----------
    number : int
    start_min, minutes : float
        From the first batch, and how long it takes.
    by_min : float
        When its material must be there: at its start, less the minutes in the hose.
    volume_m3, powder_kg : float
        What fills it, and its powder with the waste.
    bags : int
        Opened for it; of the last with those that stay in the hose.
    reserve : int
        Bags of its lot beyond those: its part of what is bought for the doubt of the fill.
    """

    number: int
    start_min: float
    minutes: float
    by_min: float
    volume_m3: float
    powder_kg: float
    bags: int
    reserve: int = 0

    @property
    def whole_min(self) -> int:
        """Minutes between its start and its end as a clock shows both: bays add up."""
        return math.floor(self.start_min + self.minutes + _HAIR) - math.floor(
            self.start_min + _HAIR
        )


@dataclass(frozen=True)
class PourDay:
    """The day by its bays; ``hose_m3`` is None where no hose was stated."""

    bays: tuple[BayDay, ...] = ()
    hose_m3: float | None = None
    hose_min: float = 0.0
    """Minutes in which the pump fills the hose."""
    hose_bags: int = 0
    """Bought for what stays in it."""
    start_min: float | None = None
    """Of the first batch, after midnight."""
    deliveries_min: tuple[float, ...] = ()
    """When each must be there at the latest, from the first batch; none where none was stated."""
    delivery_bags: tuple[int, ...] = ()
    """Of each."""


NO_DAY: Final = PourDay()


def pour_day(sheet: PourSheet, material: Sheet, terms: Terms) -> PourDay:
    """The day of a pour.

    Parameters
    ----------
    sheet : PourSheet
    material : Sheet
    terms : Terms
    """
    pumped = isinstance(sheet.crew, Pump)
    hose_m3 = terms.hose_m3 if pumped else None
    hose_min, hose_bags = 0.0, 0
    if isinstance(sheet.crew, Pump) and hose_m3:
        hose_min = hose_m3 * MM / sheet.crew.litres_per_minute
        hose_bags = bags_left(sheet.volume_m3, hose_m3, material, terms.waste)
    groups = [list(own) for _, own in groupby(sheet.batches, key=lambda batch: batch.bay)]
    bays: list[BayDay] = []
    for own, after in zip(groups, [*groups[1:], None], strict=True):
        begins = own[0].start_min
        if after is None:
            ends = sheet.minutes
        else:
            # The same hands go on: a bay lasts until the next one begins.
            ends = after[0].start_min
        volume_m3 = math.fsum(batch.volume_m3 for batch in own)
        kg = powder_mass_kg(volume_m3, material.powder_kg_per_m2_mm) * (1.0 + terms.waste)
        bays.append(
            BayDay(
                number=own[0].bay,
                start_min=begins,
                minutes=ends - begins,
                by_min=begins - hose_min,
                volume_m3=volume_m3,
                powder_kg=kg,
                bags=sum(batch.bags for batch in own) + (hose_bags if after is None else 0),
            )
        )
    bays = _with_reserve(bays, terms)
    deliveries = _deliveries(sheet, material, terms, bays, hose_min)
    return PourDay(
        bays=tuple(bays),
        hose_m3=hose_m3,
        hose_min=hose_min,
        hose_bags=hose_bags,
        start_min=terms.start_min,
        deliveries_min=tuple(by_min for by_min, _ in deliveries),
        delivery_bags=tuple(bags for _, bags in deliveries),
    )


def _with_reserve(bays: list[BayDay], terms: Terms) -> list[BayDay]:
    """Bays with the bags bought beyond those opened, each its part by volume, in whole bags."""
    left = 0 if terms.bags_to_buy is None else terms.bags_to_buy - sum(bay.bags for bay in bays)
    if left <= 0:
        return bays
    upto = [0.0, *accumulate(bay.volume_m3 for bay in bays)]
    parts = [math.ceil(left * one / upto[-1] - _HAIR) for one in upto]
    return [
        replace(bay, reserve=after - before)
        for bay, (before, after) in zip(bays, pairwise(parts), strict=True)
    ]


def _deliveries(
    sheet: PourSheet, material: Sheet, terms: Terms, bays: list[BayDay], hose_min: float
) -> list[tuple[float, int]]:
    """When each delivery is first needed, and its bags: at the start of the batch they are for.

    What leaves the pump runs ahead of what is laid by the content of the hose. The lot of a bay
    holds its reserve, and the last one what is left in the hose: they are used last.
    """
    if terms.delivery_kg is None or not sheet.batches:
        return []
    a_load = max(math.floor(terms.delivery_kg / material.bag_kg + _HAIR), 1)
    in_bay = {bay.number: bay for bay in bays}
    needed = [
        batch.volume_m3 * (in_bay[batch.bay].bags + in_bay[batch.bay].reserve)
        / in_bay[batch.bay].volume_m3
        for batch in sheet.batches
    ]  # fmt: skip
    upto = list(accumulate(needed))
    in_all = sum(bay.bags + bay.reserve for bay in bays)
    found = []
    for first in range(0, in_all, a_load):
        at = min(bisect_right(upto, first + _HAIR), len(upto) - 1)
        found.append((sheet.batches[at].start_min - hose_min, min(a_load, in_all - first)))
    return found


def bags_left(volume_m3: float, hose_m3: float, material: Sheet, waste: float) -> int:
    """Bags that a hose takes on top of those of the floor.

    Examples
    --------
    >>> from pourdatum.material import Sheet
    >>> bag = Sheet("a", (2.0, 20.0), 1.7, 20.0, 4.4, 20.0)
    >>> bags_left(8.0, 0.120, bag, 0.0)
    11
    """
    of_floor, of_both = (
        bags_needed(powder_mass_kg(one, material.powder_kg_per_m2_mm), material.bag_kg, waste)
        for one in (volume_m3, volume_m3 + hose_m3)
    )
    return of_both - of_floor


def clock_of(minutes: float, start_min: float | None = None) -> str:
    """Minutes from the start as time of day; as hours and minutes where no start is stated.

    What must be there before is rounded down to the earlier minute.

    Examples
    --------
    >>> clock_of(75.4), clock_of(75.4, 450.0), clock_of(45.0, 1410.0)
    ('1:15', '8:45', '0:15 (+1)')
    """
    if start_min is None:
        whole = math.floor(minutes + _HAIR)
        sign, whole = ("-", -whole) if whole < 0 else ("", whole)
        return f"{sign}{whole // 60}:{whole % 60:02d}"
    days, whole = divmod(math.floor(start_min + minutes + _HAIR), _DAY_MIN)
    later = f" ({days:+d})" if days else ""
    return f"{whole // 60}:{whole % 60:02d}{later}"
