"""What a plan states, worked out without what no interval hangs on.

The same functions in the same order as ``pourdatum.pipeline``, but no lowest floor, humps, ways,
pour sheet, advice or page. ``tests/test_accuracy_script.py`` holds the figures to those of
``result.json``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pourdatum.areaerror import area_interval_m2
from pourdatum.chunks import Means
from pourdatum.datum import choose_datum
from pourdatum.job import Job
from pourdatum.passing import silent
from pourdatum.pipeline.measured import measured
from pourdatum.pipeline.onedatum import check_far, datum_request, ordered, own_sheet
from pourdatum.pipeline.pinned import pins_of
from pourdatum.pipeline.remarks import floor_warnings
from pourdatum.pipeline.upright import check_level, check_walls
from pourdatum.spread import (
    draws_to_buy_m3,
    fill_draws_m3,
    fill_interval,
    level_draws_m3,
    level_interval_m3,
    unsure_m3,
)
from pourdatum.volume import fill_volume


@dataclass(frozen=True, eq=False)
class Stated:
    """Figures of a plan with their 95 % intervals, levels as on the site.

    Attributes
    ----------
    pin_m : (n, 2) array
        Places of pins on the site [m]; none where they were not asked for.
    depth_m : (n,) array
        Depth at each [m].
    open_edge : bool
        Whether the scan ends before the floor does, and the plan says so.
    """

    area_m2: float
    area_interval_m2: tuple[float, float]
    level_m: float
    level_interval_m: tuple[float, float]
    volume_m3: float
    volume_interval_m3: tuple[float, float]
    at_level_interval_m3: tuple[float, float] | None
    bags: int
    bags_interval: tuple[int, int]
    pin_m: NDArray[np.float64]
    depth_m: NDArray[np.float64]
    open_edge: bool


def stated(scans: Sequence[Path], job: Job, *, pins: bool) -> Stated:
    """Plan a floor to its high point, as far as intervals go.

    Parameters
    ----------
    scans : sequence of paths
    job : Job
        Of one datum over the high point, with neither preparation nor grinding.
    pins : bool
        Whether pins are wanted.
    """
    sheet = own_sheet(job)
    surface = measured(scans, job, Means(), silent)
    check_level(surface, job.datum.kind)
    check_walls(surface)
    x0_m, y0_m, z0_m = surface.origin_m
    datum = choose_datum(surface, datum_request(job, surface.floor.scan, z0_m), sheet.least_m)
    check_far(surface, datum)
    found = pins_of(surface, datum, job).pins if pins else ()
    volume = fill_volume(
        surface.height_m,
        surface.grid,
        surface.floor.outline,
        datum.plane,
        least_m=sheet.least_m,
        greatest_m=sheet.greatest_m,
    )
    draws_m3 = fill_draws_m3(surface, datum, volume)
    interval_m3 = fill_interval(surface, datum, volume, draws_m3)
    order = ordered(
        volume, sheet, job, interval_m3, draws_to_buy_m3(draws_m3, datum, volume),
        volume.area_m2 * datum.higher_mean_m,
    )  # fmt: skip
    low_m, high_m = datum.interval_m
    return Stated(
        area_m2=surface.measured_m2 + surface.inferred_m2,
        area_interval_m2=area_interval_m2(surface),
        level_m=datum.plane.z0_m + z0_m,
        level_interval_m=(low_m + z0_m, high_m + z0_m),
        volume_m3=volume.volume_m3,
        volume_interval_m3=interval_m3,
        at_level_interval_m3=level_interval_m3(
            volume.volume_m3, level_draws_m3(surface, datum, volume), unsure_m3(surface, volume)
        ),
        bags=order.bags,
        bags_interval=order.bags_interval,
        pin_m=np.array([pin.place_m for pin in found]).reshape(-1, 2) + np.array([x0_m, y0_m]),
        depth_m=np.array([pin.depth_m for pin in found]),
        open_edge=any(warned.code == "open-edge" for warned in floor_warnings(surface)),
    )
