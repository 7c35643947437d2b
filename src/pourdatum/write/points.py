"""Points for a total station: number, easting, northing, level, description, a header row first.

In the scan's own plan coordinates, vertical and unit, so that they go back into the station that
the scan was tied to. Descriptions hold no comma: not every station reads quotes.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pourdatum.settingout import corner_name
from pourdatum.write.ownframe import depth_mm, own_frame
from pourdatum.write.tables import Cell, write_table

if TYPE_CHECKING:
    from pourdatum.outcome import Plan


def write_points(plan: Plan, path: str | Path) -> None:
    """Write depth pins, then the corners that they are measured from and the tops of humps.

    Parameters
    ----------
    plan : Plan
        Finished plan.
    path : str or Path
        File to write. Levels are those of the tops of pins, and of the floor at humps; a corner has
        none, nor has anything on a scan without a vertical.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    own = own_frame(plan.scan.frame, plan.origin_m)
    found: list[tuple[tuple[float, float], float | None, str]] = [
        (
            pin.place_m,
            pin.z_m,
            f"pin {pin.name} top at datum; depth {depth_mm(pin.depth_m)} mm",
        )
        for pin in plan.pins.pins
    ]
    found += [
        (
            (float(base.corner.place_m[0]), float(base.corner.place_m[1])),
            None,
            f"corner {corner_name(number)}",
        )
        for number, base in enumerate(plan.pins.bases)
    ]
    grid, height_m = plan.surface.grid, plan.surface.height_m
    for number, hump in enumerate(plan.humps, 1):
        top_m = float(grid.at(np.nan_to_num(height_m), np.array([hump.place_m]))[0])
        told = f"hump H{number} {depth_mm(hump.height_m)} mm high"
        if hump.worth:
            told += "; grind"
        found.append((hump.place_m, top_m, told))
    unit = own.unit.replace("-", "_")
    header = ["point", f"easting_{unit}", f"northing_{unit}", f"level_{unit}", "description"]
    rows: list[list[Cell]] = []
    for number, (place_m, z_m, told) in enumerate(found, 1):
        x, y = own.plan(np.array([place_m]))[0].tolist()
        known = z_m is not None and plan.scan.level_known
        rows.append([number, x, y, own.level(z_m) if known and z_m is not None else None, told])
    write_table(path, header, rows)
