"""The unit of a list of levels: what its header says, what the user says, and what is taken.

A cloud shows a room, and a room has doors and a ceiling; a list of levels shows none. Its
slopes are the same in every unit, and a floor of 263 m² is as good as one of 263 ft². So
metres are asked about only where the numbers themselves speak for feet:

- neighbouring shots over 10 units apart: floors to be poured are levelled every metre or
  three, so 10 m are too far and 10 ft are usual;
- levels to hundredths with neighbours 3 units or more apart: staffs graduated in feet are
  read to 0.01 ft (3 mm), metric ones to the millimetre, and who shoots metres apart to the
  centimetre has no use of the levels;
- levels that their own head says are in feet or inches;
- places in twelfths: inches, turned into decimals of a foot.

Where none of that speaks, metres are taken, and because nothing else can show the error, that
is the first line of what is said, with the area in both units.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError
from pourdatum.read.small_table import Table, unit_of
from pourdatum.units import FOOT_M, LENGTH_UNITS

Array = NDArray[np.float64]

_LONGEST_M: Final = 500.0
_LEAST_M: Final = 3.0
_STEEPEST: Final = 0.3
"""Range of levels, in lengths of the floor, beyond which the unit must be wrong."""
_FAR_APART: Final = 10.0
_COARSE_APART: Final = 3.0
_FEET: Final = ("ft", "us-ft", "in")
_HUNDREDTH: Final = 0.01
_TWELFTHS: Final = 4
"""Different places that only twelfths explain, from which a list is in inches."""


def stated_unit(
    table: Table, columns: tuple[str, str], units: str | None, asked_m: float | None
) -> str | None:
    """Name of the unit of the plan that the header or the user states; None where neither does.

    Raises
    ------
    JobError
        If they contradict each other.
    """
    said = {unit_of(table, name) for name in columns} - {None}
    if len(said) > 1:
        raise JobError(
            f"easting and northing are in different units ({' and '.join(sorted(map(str, said)))})",
            where=table.shown,
            hint="write both in one unit",
            id="unit-conflict",
        )
    if not said:
        return units
    name = str(said.pop())
    if asked_m is not None and asked_m != LENGTH_UNITS[name]:
        raise JobError(
            f"--units says {units}, the header of the table says {name}",
            where=table.shown,
            hint="leave --units away, or mend the header",
            id="unit-conflict",
        )
    return name


def metres_taken(points: Array, step: float, levels: str, where: str) -> str:
    """What is said of a list that states no unit, where metres are taken.

    Parameters
    ----------
    points : (n, 3) array
        Places and levels as written.
    step : float
        Step in which levels are written.
    levels : str
        Unit of the levels by their own head; metres where it states none.
    where : str
        The file, for errors.

    Raises
    ------
    JobError
        If that is no size of a floor, or the numbers speak for feet.
    """
    import shapely

    sides = np.ptp(points[:, :2], axis=0)
    long = float(max(sides))
    if long > _LONGEST_M:
        fits = [
            f"--units {name} makes it {long * LENGTH_UNITS[name]:.3g} m long"
            for name in ("mm", "cm", "in", "ft")
            if _LEAST_M <= long * LENGTH_UNITS[name] <= _LONGEST_M
        ]
        raise JobError(
            f"the table does not say its unit, and {sides[0]:.4g} x {sides[1]:.4g} m is not the"
            " size of a floor",
            where=where,
            hint=f"say which: {', '.join(fits[:2]) or 'give --units'}",
            id="unit-unknown",
        )
    if why := _speaks_for_feet(points, step, levels):
        made = [
            f"--units {name} makes the floor {sides[0] * factor:.3g} x {sides[1] * factor:.3g} m"
            for name, factor in (("ft", FOOT_M), ("m", 1.0))
        ]
        raise JobError(
            f"the table does not say its unit, and it may be in feet: {why}",
            where=where,
            hint=f"say which: {', '.join(made)}",
            id="unit-unknown",
        )
    area = float(shapely.MultiPoint(points[:, :2]).convex_hull.area)
    return (
        f"the table does not say its unit: metres are taken, {area:.3g} m² between the shots; if "
        f"these are feet it is {area * FOOT_M**2:.3g} m² ({area:.3g} ft²): give --units ft"
    )


def check_steepness(points_m: Array, where: str, name: str) -> None:
    """Refuse levels that make no floor in the unit that was taken for them.

    Raises
    ------
    JobError
        If they differ by more than 0.3 of the length of the floor.
    """
    sides = np.ptp(points_m, axis=0)
    long = float(max(sides[:2]))
    if len(points_m) < 3:
        return
    if np.ptp(np.quantile(points_m[:, 2], (0.1, 0.9))) > _STEEPEST * long > 0.0:
        raise JobError(
            f"levels taken in {name} differ by {sides[2]:.3g} m over a floor {long:.3g} m long",
            where=where,
            hint="write their unit in the header, such as level [mm]",
            id="unit-unknown",
        )


def _speaks_for_feet(points: Array, step: float, levels: str) -> str:
    """What speaks for feet, in words; empty where nothing does."""
    from scipy.spatial import cKDTree

    if levels in _FEET:
        return f"its levels are in {levels} by their header"
    place = np.unique(points[:, :2], axis=0)
    if len(place) < 3:
        return ""
    apart = float(np.median(np.asarray(cKDTree(place).query(place, k=2)[0])[:, 1]))
    if apart > _FAR_APART:
        return f"neighbouring shots are {apart:.3g} apart, too far for a floor in metres"
    if abs(step - _HUNDREDTH) < 1e-9 and apart >= _COARSE_APART:
        return f"levels are written to hundredths, of shots {apart:.3g} apart"
    if _in_twelfths(place.ravel()):
        return "its places are in twelfths, as inches are"
    return ""


def _in_twelfths(values: Array) -> bool:
    """Whether values are twelfths to their hundredth, many of them no tenths or quarters.

    Examples
    --------
    >>> inches = np.arange(1, 60, 7) / 12
    >>> _in_twelfths(np.round(inches, 2)), _in_twelfths(np.arange(0.1, 9.0, 0.96))
    (True, False)
    """
    share = np.round(np.mod(values, 1.0), 2)
    twelfths = np.round(np.arange(13) / 12.0, 2)
    if not np.isin(share, twelfths).all():
        return False
    # Who parts a room in metres into quarters or thirds writes these too.
    plain = np.isin(share, np.round([0, 1 / 4, 1 / 3, 1 / 2, 2 / 3, 3 / 4, 1], 2))
    return len(np.unique(values[~plain])) >= _TWELFTHS
