"""Readings of a floor for free movement: E over 3 m and F over 300 mm.

E is the difference of level between neighbouring points of a 3 m grid, F the change of that over
300 mm from one reading to the next along a line (TR34, fourth edition, from memory; its limits
are published). The value held against a limit is the size that 95 in 100 readings keep.

Noise widens the spread of readings. It is taken out as variances, the readings being near to
normal; all that is taken off counts as doubt. So does what smoothing may have flattened: about
what smoothing once more takes from the same readings (twicing; Tukey 1977, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.criteria import MovementLimit
from pourdatum.decision import Rule, Verdict, decide, decide_by_interval
from pourdatum.finding import SINGLE, UNDECIDED, Flatness, Part, WorstAt
from pourdatum.flatlines import ELSEWHERE, FloorLine, Lay, floor_lines, line_at, smoothed_again
from pourdatum.uncertainty import COVER_95, combined
from pourdatum.units import System, show_fine

if TYPE_CHECKING:
    from pourdatum.surface import Surface

Array = NDArray[np.float64]

E_M: Final = 3.0
F_M: Final = 0.3
KEPT: Final = 0.95
"""Share of readings that are to keep the limit; from memory."""
_LEAST_READINGS: Final = 5
_EDGE_M: Final = 0.15
"""From walls and columns, half a reading of F [m]; a choice."""
_FALL: Final = np.array([-1.0, 1.0])
_BEND: Final = np.array([1.0, -2.0, 1.0])
"""Weights of neighbouring levels in a reading of E and of F."""


@dataclass(frozen=True)
class Movement:
    """Readings of one kind over a floor.

    Attributes
    ----------
    value_m : float
        What 95 in 100 of them keep, noise taken out [m].
    error_m : float
        Its standard uncertainty [m].
    share_within : float
        Of the readings, as read.
    readings : int
    worst_m : float
        The largest, as read [m].
    place_m : tuple
        Of the largest, local plan [m].
    bearing_rad : float
        Clockwise from +y.
    others_m : tuple of float
        The same value with the grid laid elsewhere, of each laying in which enough readings fit.
    """

    value_m: float
    error_m: float
    share_within: float
    readings: int
    worst_m: float
    place_m: tuple[float, float]
    bearing_rad: float
    others_m: tuple[float, ...] = ()

    def interval_m(self, cover: float) -> tuple[float, float]:
        """So many standard uncertainties either way, and all other layings; no size is below 0.

        Examples
        --------
        >>> one = Movement(0.004, 0.0005, 1.0, 9, 0.004, (0.0, 0.0), 0.0, (0.001, 0.0045))
        >>> one.interval_m(2.0)
        (0.001, 0.005)
        """
        far_m = cover * self.error_m
        low_m = min(max(self.value_m - far_m, 0.0), *self.others_m, math.inf)
        return low_m, max(self.value_m + far_m, *self.others_m, 0.0)


def movement_findings(
    surface: Surface,
    criterion: str,
    limit: MovementLimit,
    rule: Rule,
    level_known: bool = True,
    system: System = "metric",
) -> list[Flatness]:
    """E and F of a floor, each held against its limit.

    Parameters
    ----------
    surface : Surface
    criterion : str
        Word for word as asked.
    limit : MovementLimit
    rule : Rule
        Guarded, a floor conforms where every laying of the grid keeps the limit.
    level_known : bool
        Whether the scan has a vertical: E needs one.
    system : "metric" or "imperial"
        In which sizes are told.
    """
    found: dict[Part, Movement | None] = {"E": None, "F": None}
    if surface.smoother is not None:
        found = movements(surface, limit)
    out = []
    each: tuple[tuple[Part, float], ...] = (("E", limit.e_m), ("F", limit.f_m))
    for part, most_m in each:
        one = found[part]
        why = ""
        if surface.smoother is None:
            why = SINGLE
        elif one is None:
            why = "no reading of this kind fits on floor that was seen"
        elif part == "E" and not level_known:
            why = "the scan has no vertical: level needs control shots"
        if why or one is None:
            out.append(Flatness(criterion, part, limit.source, limit=most_m, said=why))
        else:
            out.append(_judged(criterion, part, limit.source, most_m, one, rule, system))
    return out


def _judged(
    criterion: str,
    part: Part,
    source: str,
    most_m: float,
    one: Movement,
    rule: Rule,
    system: System,
) -> Flatness:
    """One kind of reading against its limit, and against where its grid might as well lie."""
    low_m, high_m = one.interval_m(COVER_95)
    verdict: Verdict = decide(one.value_m, one.error_m, upper=most_m, rule=rule).verdict
    if rule.kind == "guarded" and one.others_m:
        verdict = decide_by_interval(one.interval_m(max(COVER_95, rule.guard)), upper=most_m)
    said = f"{one.readings} readings; the value is what 95 in 100 of them keep"
    why = ""
    if one.others_m:
        between = (
            f"{show_fine(min(one.others_m), system)} to {show_fine(max(one.others_m), system)}"
        )
        said += f"; {len(one.others_m)} other layings of the grid give {between}"
        kept = [value <= most_m for value in (one.value_m, *one.others_m)]
        if any(kept) and not all(kept):
            said += ", so that where it is laid would decide"
            why = f"other layings of the grid give {between}: where it is laid would decide"
    if verdict == UNDECIDED and not why:
        why = f"this scan knows it to {show_fine(COVER_95 * one.error_m, system)} only"
    return Flatness(
        criterion=criterion,
        part=part,
        source=source,
        limit=most_m,
        value=one.value_m,
        uncertainty=max(high_m - one.value_m, one.value_m - low_m),
        share_within=one.share_within,
        verdict=verdict,
        worst=WorstAt(one.place_m, one.bearing_rad, one.worst_m),
        said=said,
        readings=one.readings,
        why=why if verdict == UNDECIDED else "",
        interval=(low_m, high_m) if one.others_m else None,
    )


def movements(surface: Surface, limit: MovementLimit) -> dict[Part, Movement | None]:
    """Both kinds of reading; None of a kind of which too few fit.

    Parameters
    ----------
    surface : Surface
        Of a scan, not of single levels.
    limit : MovementLimit
    """
    tilt = surface.shared.tilt_rad
    once_more = smoothed_again(surface)
    falls, bends = Lay(E_M, E_M, _EDGE_M, E_M), Lay(F_M, E_M, _EDGE_M, 2.0 * F_M)
    return {
        "E": _told(surface, once_more, falls, _FALL, limit.e_m, tilt * E_M),
        "F": _told(surface, once_more, bends, _BEND, limit.f_m, 0.0),
    }


def _told(
    surface: Surface, once_more: Surface, lay: Lay, weights: Array, limit_m: float, lean_m: float
) -> Movement | None:
    """Readings of the grid that lies even on the floor, and of those that lie elsewhere."""
    found = _doubted(once_more, floor_lines(surface, (), lay), weights, limit_m, lean_m)
    if found is None:
        return None
    others = []
    for moved in ELSEWHERE:
        one = summed(floor_lines(surface, (), replace(lay, moved=moved)), weights, limit_m, lean_m)
        others += [] if one is None else [one.value_m]
    return replace(found, others_m=tuple(others))


def _doubted(
    once_more: Surface, lines: list[FloorLine], weights: Array, limit_m: float, lean_m: float
) -> Movement | None:
    """Readings with what smoothing once more takes from them as doubt."""
    found = summed(lines, weights, limit_m, lean_m)
    if found is None:
        return None
    again = [replace(one, line=line_at(once_more, one.place_m)) for one in lines]
    other = summed(again, weights, limit_m, lean_m)
    lost_m = 0.0 if other is None else max(found.value_m - other.value_m, 0.0)
    return replace(found, error_m=combined(found.error_m, lost_m))


def summed(
    lines: list[FloorLine], weights: Array, limit_m: float, lean_m: float
) -> Movement | None:
    """Readings that are weighted sums of neighbouring levels, held against a limit.

    Parameters
    ----------
    lines : list of FloorLine
    weights : (k,) array
        Of k neighbouring levels in a reading.
    limit_m : float
    lean_m : float
        Standard uncertainty that all readings share, as by a tilt [m].
    """
    k = weights.size
    every: list[tuple[Array, Array, Array, Array]] = []
    for one in lines:
        level = np.asarray(one.line.height_m)
        covariance = one.line.covariance_m2
        assert covariance is not None
        size = level.size - k + 1
        if size < 1:
            continue
        at = np.arange(size)[:, None] + np.arange(k)
        own = np.einsum("i,nij,j->n", weights, covariance[at[:, :, None], at[:, None]], weights)
        place = one.place_m[at].mean(axis=1)
        every.append((level[at] @ weights, own, place, np.full(size, one.bearing_rad)))
    if not every:
        return None
    read, variance, places, bearing = (np.concatenate(part) for part in zip(*every, strict=True))
    if read.size < _LEAST_READINGS:
        return None
    sizes = np.abs(read)
    noise, total = float(variance.mean()), float(np.mean(np.square(read)))
    kept = float(np.quantile(sizes, KEPT))
    left = math.sqrt(max(1.0 - noise / total, 0.0)) if total > 0.0 else 1.0
    value = kept * left
    worst = int(sizes.argmax())
    return Movement(
        value_m=value,
        error_m=combined(kept - value, math.sqrt(noise / read.size), lean_m),
        share_within=float((sizes <= limit_m).mean()),
        readings=int(read.size),
        worst_m=float(sizes[worst]),
        place_m=(float(places[worst, 0]), float(places[worst, 1])),
        bearing_rad=float(bearing[worst]),
    )
