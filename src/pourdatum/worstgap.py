"""The worst gap under straightedges over a whole floor, without the luck of the draw.

The worst of a million noisy gaps is worse than the floor. How much worse is found as for the
high point (``patch``): a likely floor is seen again with fresh noise, smoothed as the real one
was, searched in the same places, and what the worst gains on average is taken off. On a large
floor that is done on a window around the worst place and carried to all places that compete with
it: the largest of m times as many values lies sqrt(6)/pi ln(m) standard deviations higher (Gumbel
1958, from memory).

Where a contract lets some straightedges exceed the limit, the same is done with the largest that
may not: a gap among many, of which noise makes as much more as it does of those around it.

Level and tilt do nothing under a straightedge. What the whole scan may be bent by does, and so
does floor past its ends (``gapdoubt``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.criteria import GapLimit
from pourdatum.everywhere import Places, Rests, covered, lay_everywhere, rests
from pourdatum.floorsections import main_way_rad
from pourdatum.gapdoubt import bent_m, past_ends_m
from pourdatum.geometry import fit_plane
from pourdatum.grid import Grid, filled_from_nearest, widened
from pourdatum.localfit import local_fit
from pourdatum.sampled import both_ways, chosen, keeps_share, on_grid, pitch_of
from pourdatum.sampling import EVERYWHERE, Sampling
from pourdatum.uncertainty import combined

if TYPE_CHECKING:
    from pourdatum.surface import Surface

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Window = tuple[slice, slice]

DRAWS: Final = 8
"""Floors seen again; an even number, for each draw of noise serves with both signs."""
_SEED: Final = 108
_WINDOW_M: Final = 14.0
"""Side of the window in which noise is drawn [m]; floors of that area are drawn whole."""
_REACH: Final = 3.0
"""Widths of a fit beyond which it takes no point."""
_COMPETES: Final = 6.0
"""Standard errors below the worst gap within which a place may be the worst by luck."""
_BROAD_M: Final = 0.5
_PATCH_M: Final = 0.1
_POOR: Final = 3.0
_SOUND_M: Final = 0.0003
"""A cell whose widest fit errs by more than both three typical ones and 0.3 mm is not judged."""


@dataclass(frozen=True)
class WorstGap:
    """The worst of all gaps against a limit that may hang on the distance of the contacts.

    Attributes
    ----------
    value_m : float
        Worst gap, or the largest that may not exceed, the luck of the draw taken out [m].
    limit_m : float
        At the distance of its contacts [m].
    error_m : float
        Standard uncertainty of ``value_m`` [m].
    luck_m : float
        What was taken off [m].
    as_read_m : float
        Gap as read at the worst place [m].
    share_within : float
        Of all places, those within the limit.
    places : int
        In which a straightedge was laid.
    length_m, span_m : float
        Of the straightedge at the worst place, and from contact to contact [m].
    place_m : tuple
        Its middle, local plan [m].
    bearing_rad : float
        Clockwise from +y.
    rocks_m : float
        Where it rocks the most: how far both ends stand off when it is held even [m].
    rocks_place_m : tuple or None
    unjudged_m2 : float
        Floor that was seen and that no straightedge could be held against: seen too poorly, its
        points left out as off the fit, or too short for one [m²].
    may_exceed : int
        How many of the places may exceed the limit.
    pitch_m : float or None
        Of the grid of a sampling [m].
    keeps : float or None
        Of all ways to lay that grid, the share in which the floor keeps its limit.
    """

    value_m: float
    limit_m: float
    error_m: float
    luck_m: float
    as_read_m: float
    share_within: float
    places: int
    length_m: float
    span_m: float
    place_m: tuple[float, float]
    bearing_rad: float
    rocks_m: float
    rocks_place_m: tuple[float, float] | None
    unjudged_m2: float
    may_exceed: int = 0
    pitch_m: float | None = None
    keeps: float | None = None


def judged(surface: Surface) -> Mask:
    """Nodes on which a straightedge may be laid: floor that was seen, and well enough.

    Poor cells lie along edges and shadows, where what else stands there may lift them by more
    than their noise. It is the points around that make them poor, as the widest fit shows them,
    and not the fit that was taken: over a ridge a narrow one is, which knows each height less
    well, and whoever left it out would leave out the ridge.
    """
    from scipy.ndimage import uniform_filter

    assert surface.smoother is not None
    size = max(3, 2 * round(0.25 * _PATCH_M / surface.grid.cell_m) + 1)
    around = uniform_filter((surface.count > 0).astype(np.float64), size, mode="constant")
    error = surface.smoother.errors_m[-1]
    good: Mask = surface.measured & (around >= 0.5) & np.isfinite(error)
    good &= np.isfinite(surface.height_m) & np.isfinite(surface.standard_error_m)
    if not good.any():
        return good
    typical = float(np.median(error[good]))
    out: Mask = good & (error <= max(_POOR * typical, _SOUND_M))
    return out


def worst_gap(
    surface: Surface, limit: GapLimit, draws: int = DRAWS, sampling: Sampling = EVERYWHERE
) -> WorstGap | None:
    """Lay the straightedges of a criterion on a floor: everywhere, or as a contract samples it.

    Parameters
    ----------
    surface : Surface
        Of a scan, not of single levels.
    limit : GapLimit
    draws : int
        Floors seen again with fresh noise; even.
    sampling : Sampling
        Default everywhere, and none may exceed.

    Returns
    -------
    WorstGap or None
        None where no straightedge of the criterion fits on floor that was seen, or fewer than a
        sampling asks for.
    """
    return _worst(surface, replace(limit, source="", trust="as asked"), draws, sampling)


@lru_cache(maxsize=8)  # Several standards ask for the same straightedge.
def _worst(surface: Surface, limit: GapLimit, draws: int, sampling: Sampling) -> WorstGap | None:
    seen = judged(surface)
    every, laid, pitch_m = _laid(surface, seen, limit, sampling)
    if not laid:
        return None
    found = rests(surface.grid, surface.height_m, laid)
    ratios = [one.gap_m / limit.at(one.span_m) for one in found]
    count = sum(one.size for one in ratios)
    may_exceed = sampling.allowed(count)
    which, at = _ranked(ratios, may_exceed)
    top, places, rest = float(ratios[which][at]), laid[which], found[which]
    limit_m = float(limit.at(rest.span_m[at]))
    own_m = math.sqrt(1.5) * float(
        surface.grid.at(np.nan_to_num(surface.standard_error_m), places.levels_m(at)).mean()
    )
    luck = _luck(
        surface, seen, limit, laid, ratios, (top, places.middle_m(at), own_m / limit_m),
        draws, sampling, may_exceed,
    )  # fmt: skip
    even = [one for one, where in zip(ratios, laid, strict=True) if not where.beside]
    many = sum(one.size for one in even)
    share = sum(int((one - luck.usual <= 1.0).sum()) for one in even)
    value = max(top - max(luck.gain, 0.0), 0.0)
    # A usual gap gains more or less than the worst: what breaks the limit is never all within.
    share = min(share, many - 1 - may_exceed) if value > 1.0 else share
    rocks = max(range(len(laid)), key=lambda k: float(found[k].rocks_m.max()))
    rocks_at = int(found[rocks].rocks_m.argmax())
    rocks_m = float(found[rocks].rocks_m[rocks_at])
    keeps = None
    if pitch_m is not None:
        gaps = [one.gap_m / limit.at(one.span_m)
                for one in rests(surface.grid, surface.height_m, every)]  # fmt: skip
        over = [one - luck.usual > 1.0 for one in gaps]
        keeps = keeps_share(every, over, surface.floor.outline, pitch_m, sampling)
    return WorstGap(
        value_m=value * limit_m,
        limit_m=limit_m,
        error_m=combined(
            max(luck.spread * limit_m, own_m),
            luck.gain * limit_m,
            luck.flattened * limit_m,
            bent_m(surface, places, at),
            past_ends_m(surface, places, at),
        ),
        luck_m=max(luck.gain, 0.0) * limit_m,
        as_read_m=top * limit_m,
        share_within=share / many,
        places=count,
        length_m=places.length_m,
        span_m=float(rest.span_m[at]),
        place_m=places.middle_m(at),
        bearing_rad=places.bearing_rad,
        rocks_m=rocks_m,
        rocks_place_m=laid[rocks].middle_m(rocks_at) if rocks_m > 0.0 else None,
        unjudged_m2=unjudged_m2(surface, laid if sampling.everywhere else None),
        may_exceed=may_exceed,
        pitch_m=pitch_m,
        keeps=keeps,
    )


def unjudged_m2(surface: Surface, laid: list[Places] | None = None) -> float:
    """Seen floor on which no straightedge may lie or, laid everywhere, none does [m²].

    Parameters
    ----------
    surface : Surface
        Of a scan.
    laid : list of Places, optional
        Where they were laid, if everywhere.
    """
    seen = judged(surface)
    over = seen if laid is None else seen & covered(surface.grid, laid)
    missed = surface.measured & ~over
    if surface.narrow.left_out is not None:
        missed |= surface.measured & surface.narrow.left_out
    return float(missed.sum()) * surface.grid.cell_m**2


def _laid(
    surface: Surface, seen: Mask, limit: GapLimit, sampling: Sampling
) -> tuple[list[Places], list[Places], float | None]:
    """All places both ways and those of the sampling, with its pitch; everywhere without one."""
    if sampling.everywhere:
        return [], _everywhere(surface, surface.grid, seen, limit, sampling), None
    outline = surface.floor.outline
    every = [one for m in limit.lengths_m for one in both_ways(surface.grid, seen, outline, m)]
    pitch_m = pitch_of(sampling, every, outline)
    if pitch_m is None:
        return every, [], None
    some = [chosen(one, on_grid(one, outline, pitch_m)) for one in every]
    return every, [one for one in some if one.line.size], pitch_m


def _everywhere(
    surface: Surface, grid: Grid, seen: Mask, limit: GapLimit, sampling: Sampling
) -> list[Places]:
    """All places of all straightedges of a criterion, from the floor's main directions on.

    Where a share must keep, every place counts alike, and none lies closer along walls.
    """
    first = main_way_rad(surface.floor.outline)
    laid = [one for m in limit.lengths_m for one in lay_everywhere(grid, seen, m, first)]
    return [one for one in laid if not one.beside or sampling.share == 1.0]


def _ranked(ratios: list[Array], may_exceed: int) -> tuple[int, int]:
    """The place with the largest ratio after those that may exceed: list and place in it."""
    joined = np.concatenate(ratios)
    at = int(np.argpartition(joined, -1 - may_exceed)[-1 - may_exceed])
    for which, one in enumerate(ratios):
        if at < one.size:
            return which, at
        at -= one.size
    raise AssertionError


@dataclass(frozen=True)
class _Luck:
    """What noise and smoothing do, in limits.

    What noise adds to the worst on average, and its spread; what it adds to a usual gap; what
    the fits may have flattened the worst by.
    """

    gain: float
    spread: float
    usual: float
    flattened: float


def _luck(
    surface: Surface,
    seen: Mask,
    limit: GapLimit,
    laid: list[Places],
    ratios: list[Array],
    top: tuple[float, tuple[float, float], float],
    draws: int,
    sampling: Sampling,
    may_exceed: int,
) -> _Luck:
    worst, place_m, own = top
    assert surface.smoother is not None
    inner = _window(surface, place_m, max(_WINDOW_M, 2.0 * max(limit.lengths_m)))
    # Beside the window noise is smoothed with floor that is not in it: so far around it is.
    widest = max(fit.bandwidth for fit in surface.smoother.fits)
    window = widened(inner, math.ceil(_REACH * widest) + 1, surface.grid.shape)
    grid = surface.grid.window(*window)
    part = laid
    if grid.shape != surface.grid.shape:
        within = np.zeros_like(seen)
        within[inner] = seen[inner]
        if sampling.everywhere:
            part = _everywhere(surface, grid, within[window], limit, sampling)
        else:
            part = _lying_on(surface.grid, within, laid)
    likely = _likely(surface, seen, window)
    count, noise = surface.count[window], surface.noise_m[window]
    each = np.where(count > 0, noise / np.sqrt(np.maximum(count, 1.0)), 0.0)
    smoother = surface.smoother.window(*window)

    def ratio_on(height_m: Array) -> Array:
        found: list[Rests] = rests(grid, height_m, part)
        return np.concatenate([one.gap_m / limit.at(one.span_m) for one in found])

    height = np.where(np.isfinite(surface.height_m[window]), surface.height_m[window], likely)
    mine = ratio_on(height)
    # As many of a window's places lie over the one judged as do on the floor as read.
    over = min(int((mine > worst).sum()), mine.size - 1) if may_exceed else 0
    if part is laid:
        over = may_exceed

    def judged_of(ratio: Array) -> float:
        return float(np.partition(ratio, -1 - over)[-1 - over])

    true = ratio_on(likely)
    rng = np.random.default_rng(_SEED)
    tops, usual = [], []
    for _ in range(draws // 2):
        error = each * rng.standard_normal(each.shape) + surface.stripes.drawn(grid, rng)
        for cells in (likely + error, likely - error):
            again = smoother.height_chosen_afresh(cells)
            ratio = ratio_on(np.where(np.isfinite(again), again, likely))
            tops.append(judged_of(ratio))
            usual.append(float((ratio - true).mean()))
    gain, spread = float(np.mean(tops)) - judged_of(true), float(np.std(tops, ddof=1))
    # Smoothed once more, a dip loses about what it lost the first time (twicing; Tukey 1977, from
    # memory).
    again = smoother.height(height)
    twice = 2.0 * height - np.where(np.isfinite(again), again, height)
    flattened = max(judged_of(ratio_on(twice)) - judged_of(mine), 0.0)
    if part is not laid and not may_exceed:
        line = worst - _COMPETES * own
        compete = sum(int((one > line).sum()) for one in ratios)
        more = compete / max(int((mine > line).sum()), 1)
        gain += spread * math.sqrt(6.0) / math.pi * math.log(max(more, 1.0))
    return _Luck(gain, spread, max(float(np.mean(usual)), 0.0), flattened)


def _lying_on(grid: Grid, within: Mask, laid: list[Places]) -> list[Places]:
    """The straightedges that lie wholly on some nodes."""
    found = []
    for one in laid:
        under = one.lattice_m[one.line[:, None], one.start[:, None] + np.arange(one.levels)]
        on = grid.at(within.astype(np.float64), under.reshape(-1, 2)) > 1.0 - 1e-9
        kept = np.flatnonzero(on.reshape(under.shape[:2]).all(axis=1))
        if kept.size:
            found.append(chosen(one, kept))
    return found


def _window(surface: Surface, place_m: tuple[float, float], side_m: float) -> Window:
    """The part of the grid around a place in which noise is drawn; all of a small grid."""
    x, y = np.array([place_m[0]]), np.array([place_m[1]])
    row, col = (int(one[0]) for one in surface.grid.cell_of(x, y))
    side_cells = round(side_m / surface.grid.cell_m)
    if surface.grid.ny * surface.grid.nx <= side_cells**2:
        return slice(0, surface.grid.ny), slice(0, surface.grid.nx)

    def side(at: int, size: int) -> slice:
        first = min(max(at - side_cells // 2, 0), max(size - side_cells, 0))
        return slice(first, min(first + side_cells, size))

    return side(row, surface.grid.ny), side(col, surface.grid.nx)


def _likely(surface: Surface, seen: Mask, window: Window) -> Array:
    """The floor with only that roughness which noise cannot have made anywhere on it [m].

    What stands out of a broad fit, and that out of a plane, is drawn in by what the largest of
    as many errors comes to, about sqrt(2 ln n) standard errors (Donoho and Johnstone 1994; from
    memory): a floor that is flat but for its noise has no gap at all.
    """
    height, on = surface.height_m[window], seen[window]
    error = np.where(np.isfinite(surface.standard_error_m), surface.standard_error_m, 0.0)[window]
    patches = max(float(seen.sum()) * (surface.grid.cell_m / _PATCH_M) ** 2, 2.0)
    limit = math.sqrt(2.0 * math.log(patches)) * error
    width = max(_BROAD_M / surface.grid.cell_m, 2.0)
    fit = local_fit(on.astype(np.float64), width, least_weight=6.0, with_error=False)
    broad = fit.height(np.where(on, height, 0.0))
    row, col = np.nonzero(on)
    if row.size > 2 and np.ptp(row) and np.ptp(col):
        best, _ = fit_plane(col, row, height[row, col])
        y, x = np.mgrid[: height.shape[0], : height.shape[1]]
        plane = best.at(x, y)
        broad = plane + _drawn_in(broad - plane, limit)
    out = broad + _drawn_in(height - broad, limit)
    # Beyond an outline there are points and no heights: zero would be a cliff that smoothing meets.
    return filled_from_nearest(np.where(np.isfinite(out), out, height))


def _drawn_in(off: Array, limit: Array) -> Array:
    """Differences without what is no more than a limit; far larger ones hardly change."""
    square = np.maximum(off * off, 1e-24)
    out: Array = off * np.maximum(1.0 - limit * limit / square, 0.0)
    return out
