"""Steps between the set-ups of a scan, and bowls around them: what registration left.

Where set-ups overlap, each says where the floor is. By how much they differ, block by block, is
free of the floor's own shape. A set-up that was joined too high is too high everywhere: that does
not average out however many points it has. Sums over blocks are taken apart by weighted least
squares into one level for each block (which falls out), one step for each set-up, and one cone
for all, as an index error of the vertical circle makes it around each place where the instrument
stood.

Steps are taken out of the scan before its floor is measured: all set-ups are brought to their
mean. What stays is what the steps err by, the level of that mean, how much set-ups bend by
themselves, and the cone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.grid import Grid, filled_from_nearest
from pourdatum.scan import LATTICE_M
from pourdatum.stationfit import Array, Groups, Indices, Means, solved_steps
from pourdatum.stationsums import StationSums
from pourdatum.uncertainty import COVER_95

_LEAST_POINTS: Final = 5
"""Points of a set-up in a block from which their mean is used."""
_MANY: Final = 30
"""Points in a block from which their scatter is known by itself."""
_FOLLOWED: Final = 0.02
"""Share of a step that the fit of the floor may have followed, and which is lost."""
_WORTH_M: Final = 5e-5
"""Step from which set-ups are joined anew [m]."""
_LEAST_M2: Final = 1.5
"""Floor that two set-ups see from which they are held against each other [m²]."""
_AROUND: Final = 3
"""Blocks a side that a map of differences is averaged over."""
_ALIKE_M: Final = 3.0
"""Length over which a set-up's own bend is one, of those that ``drift`` thinks of [m]."""
_BUDGET_FREEDOM: Final = 2.0
"""Degrees of freedom of a budget that is itself known to half of it (JCGM 100:2008, G.4.2)."""
_SURE: Final = 0.99
"""Probability below which differences may as well be noise: then none are told."""


@dataclass(frozen=True, eq=False)
class Stations:
    """How set-ups of a scan differ over the floor that they both see.

    Attributes
    ----------
    names : tuple of str
    place_m : tuple of (x, y, z) or None
        Where each stood, local [m].
    step_m : (k,) array
        By how much each lies above the mean of its group [m]; NaN of one that overlaps none.
    step_error_m : (k,) array
        Standard error of each [m].
    shared_m2 : (k,) array
        Floor that a set-up sees and another of its group does, too [m²].
    groups : tuple of tuples of int
        Set-ups that overlap, directly or through others; only within a group is a step known.
    error_m : float
        Scatter of set-ups about each other, one standard deviation [m]; 0 where their differences
        may as well be noise.
    bowl : float
        Rise with the distance from where a set-up stood [m/m]; 0 where none is sure.
    bowl_error : float
        Its standard error; NaN where the files do not say where set-ups stood.
    left_m : float
        How much each bends by itself, one standard deviation over the floor [m].
    freedom : float
        Independent differences of such bends that the floor seen by two and more has room for; 0
        where the files do not say where set-ups stood.
    noise_m : float
        Standard deviation of one point about its own set-up's mean in a block [m].
    grid : Grid
        Blocks.
    weight : (k, ny, nx) array
        Share of each set-up in the floor's points, at each block.
    off_m : (k, ny, nx) array
        Height of each set-up above what all would say, were they joined well, around blocks
        that two see; NaN elsewhere [m].
    """

    names: tuple[str, ...]
    place_m: tuple[tuple[float, float, float] | None, ...]
    step_m: Array
    step_error_m: Array
    shared_m2: Array
    groups: Groups
    error_m: float
    bowl: float
    bowl_error: float
    left_m: float
    noise_m: float
    grid: Grid
    weight: Array
    off_m: Array
    freedom: float = 0.0

    @property
    def to_join(self) -> bool:
        """Whether set-ups lie off by more than their noise, and by what can be taken out."""
        return self.error_m > 0.0 and bool(np.nanmax(np.abs(self.step_m)) > _WORTH_M)

    @property
    def own_m(self) -> Array:
        """What each may still lie off by, one standard deviation (k,) [m]."""
        return np.where(np.isfinite(self.step_error_m), self.step_error_m, self.error_m)

    @property
    def matters(self) -> bool:
        """Whether anything is left that an interval would show."""
        return bool(self.own_m.max(initial=0.0) > LATTICE_M) or self.bowl != 0.0

    @property
    def level_m(self) -> float:
        """What the mean of all may be out by as a whole, one standard deviation [m].

        Student's t for the few set-ups that there are (JCGM 100:2008, G.3), as a normal error
        with the same 95 %.
        """
        freedom = _freedom(self.groups)
        if self.error_m == 0.0 or freedom < 1:
            return 0.0
        from scipy.stats import t

        wider = float(t.ppf(0.975, freedom)) / COVER_95
        return wider * self.error_m / math.sqrt(freedom + len(self.groups))

    @property
    def bend_m(self) -> float:
        """What the set-ups' own bends leave in the floor that all of them make together [m]."""
        if not self.names:
            return 0.0
        return self.left_m * self._share

    def warp_m(self, budget_m: float) -> float:
        """What bends leave in the floor that all set-ups make, one standard deviation [m].

        A budget says how much one set-up may bend; where several see the same floor, their
        differences say how much they do. The two are pooled by their degrees of freedom (JCGM
        100:2008, G.4.2: a budget that is itself known to half has two), and the mean of set-ups
        has the root of their shares, with Student's t. Never more than both together, and
        where set-ups are not told apart the budget as it is.

        Parameters
        ----------
        budget_m : float
            Of the sensor, one standard deviation [m].
        """
        both_m = math.hypot(budget_m, self.bend_m)
        if self.freedom <= 0.0:
            return both_m
        from scipy.stats import t

        freedom = _BUDGET_FREEDOM + self.freedom
        square = _BUDGET_FREEDOM * budget_m**2 + self.freedom * self.left_m**2
        wider = float(t.ppf(0.975, freedom)) / COVER_95
        return min(wider * math.sqrt(square / freedom) * self._share, both_m)

    @property
    def _share(self) -> float:
        """Root of the mean over the floor of what is left of the variance of one set-up."""
        seen = self.weight.sum(axis=0) > 0
        return math.sqrt(float((self.weight**2).sum(axis=0)[seen].mean()))

    def fields_m(self, step: Array, bowl: Array, place_m: Array) -> Array:
        """Fields by which the floor may be too high, where each set-up were off by itself.

        Parameters
        ----------
        step : (d, k) array
            Standard normal, one for each set-up of each draw.
        bowl : (d,) array
            Standard normal, one for each draw.
        place_m : (n, 2) array
            Local plan [m].

        Returns
        -------
        (d, n) array
            [m]
        """
        if not self.matters:
            return np.zeros((len(bowl), len(place_m)))
        out: Array = (step * self.own_m) @ self._shares(place_m)
        if self.bowl != 0.0:
            x, y = self.grid.mesh()
            every = np.column_stack([x.ravel(), y.ravel()])
            cone = self._cone_m(place_m) - self._cone_m(every).mean()
            out += self.bowl * bowl[:, None] * cone
        return out

    def _shares(self, place_m: Array) -> Array:
        share = np.stack([self.grid.at(own, place_m) for own in self.weight])
        out: Array = share / share.sum(axis=0)
        return out

    def _cone_m(self, place_m: Array) -> Array:
        """Distance from the set-ups that see each place (n,) [m]."""
        away = np.stack([_away_m(own, place_m) for own in self.place_m])
        out: Array = (self._shares(place_m) * away).sum(axis=0)
        return out


AGREE: Final = Stations(
    names=(), place_m=(), step_m=np.empty(0), step_error_m=np.empty(0), shared_m2=np.empty(0),
    groups=(), error_m=0.0, bowl=0.0, bowl_error=math.nan, left_m=0.0, noise_m=0.0,
    grid=Grid(0.0, 0.0, 1.0, 1, 1), weight=np.empty((0, 1, 1)),
    off_m=np.empty((0, 1, 1)),
)  # fmt: skip
"""A scan whose set-ups are not told apart, or see no floor in common."""


def station_steps(sums: StationSums) -> Stations:
    """Steps and bowls of a scan's set-ups.

    Parameters
    ----------
    sums : StationSums
    """
    from scipy.stats import chi2, norm

    enough = sums.count >= _LEAST_POINTS
    groups = _groups(enough, _LEAST_M2 / sums.grid.cell_m**2)
    means = _means(sums, enough, groups)
    size = len(sums.names)
    if means.station.size == 0:
        unknown = np.full(size, np.nan)
        return replace(
            AGREE, names=sums.names, place_m=sums.place_m, step_m=unknown, step_error_m=unknown,
            shared_m2=np.zeros(size), grid=sums.grid, weight=_weights(sums.count),
            off_m=np.full(sums.count.shape, np.nan),
        )  # fmt: skip
    noise_m = _noise_m(sums, means)
    solved, covariance, left_m = solved_steps(means, groups, noise_m, sums.grid, size)
    within = np.isin(np.arange(size), np.concatenate(groups))
    step, error = solved[:size], np.sqrt(np.diag(covariance)[:size])
    own = covariance[:size, :size][np.ix_(within, within)]
    freedom = _freedom(groups)
    sure = float(step[within] @ np.linalg.pinv(own, hermitian=True) @ step[within])
    differ = sure > chi2.ppf(_SURE, freedom)
    bowl, bowl_error = 0.0, math.nan
    if solved.size > size:
        bowl_error = float(np.sqrt(covariance[size, size]))
        away_m = float(means.design[:, [size]].toarray().std())
        sure_m = norm.ppf(0.5 + _SURE / 2) * bowl_error * away_m
        # Bends of any other shape look a little like a cone: it must be larger than they are.
        if abs(solved[size]) * away_m > max(sure_m, left_m):
            bowl = float(solved[size])
    return Stations(
        names=sums.names,
        place_m=sums.place_m,
        step_m=np.where(within, step, np.nan),
        step_error_m=np.where(within, np.hypot(error, _FOLLOWED * np.abs(step)), np.nan),
        shared_m2=np.bincount(means.station, minlength=size).astype(np.float64)
        * sums.grid.cell_m**2,
        groups=groups,
        error_m=_scatter_m(step[within], groups) if differ else 0.0,
        bowl=bowl,
        bowl_error=bowl_error,
        left_m=left_m,
        noise_m=noise_m,
        grid=sums.grid,
        weight=_weights(sums.count),
        off_m=_off_m(sums, means, solved),
        freedom=_bends(means, size) * sums.grid.cell_m**2 / (2.0 * math.pi * _ALIKE_M**2),
    )


def _bends(means: Means, size: int) -> float:
    """Differences between set-ups in single blocks that tell of their bends.

    One less than see each block, times the share that a cone around every set-up keeps in them: an
    error that goes with the distance from the instrument is alike in set-ups that stand close by,
    and does not show. None where the files do not say where set-ups stood.
    """
    if means.design.shape[1] == size:
        return 0.0
    away = means.design[:, [size]].toarray().ravel()
    _, block, held = np.unique(means.block, return_inverse=True, return_counts=True)
    within = away - (np.bincount(block, away) / held)[block]
    known = means.block.size - held.size
    expected = known * float(away.var())
    return known * min(float((within**2).sum()) / expected, 1.0) if expected > 0.0 else 0.0


def after_joining(left: Stations, step_m: Array) -> Stations:
    """Set-ups as they came, from what is left of them after steps were taken out.

    Parameters
    ----------
    left : Stations
        Of the scan without the steps.
    step_m : (k,) array
        What was taken out of each [m].
    """
    steps = np.where(np.isfinite(left.step_m), step_m + left.step_m, np.nan)
    return replace(
        left,
        step_m=steps,
        error_m=_scatter_m(steps[np.isfinite(steps)], left.groups),
        off_m=left.off_m + step_m[:, None, None],
    )


def _freedom(groups: Groups) -> int:
    """Differences that are known: the level of each group is none of them."""
    return sum(len(own) - 1 for own in groups)


def _scatter_m(step_m: Array, groups: Groups) -> float:
    """Standard deviation of set-ups from their steps about the mean of each group [m]."""
    return math.sqrt(float((step_m**2).sum()) / max(_freedom(groups), 1))


def _groups(enough: NDArray[np.bool_], least_blocks: float) -> Groups:
    """Set-ups that overlap, directly or through others; none of one alone."""
    from scipy.sparse.csgraph import connected_components

    seen = enough.reshape(len(enough), -1).astype(np.int64)
    _, group = connected_components(seen @ seen.T >= least_blocks, directed=False)
    members = (np.flatnonzero(group == g) for g in range(group.max() + 1))
    return tuple(tuple(int(k) for k in own) for own in members if len(own) > 1)


def _means(sums: StationSums, enough: NDArray[np.bool_], groups: Groups) -> Means:
    """Means in blocks that two of one group see: of the group with most there."""
    from scipy.sparse import coo_array

    flat = enough.reshape(len(enough), -1)
    use = np.zeros_like(flat)
    if groups:
        seen = np.stack([flat[list(own)].sum(axis=0) for own in groups])
        most = seen.argmax(axis=0)
        for number, own in enumerate(groups):
            here = (most == number) & (seen[number] >= 2)
            use[list(own)] = flat[list(own)] & here
    station, block = np.nonzero(use)
    points = sums.count.reshape(flat.shape)[use].astype(np.float64)
    mean_m = sums.total.reshape(flat.shape)[use] / np.maximum(points, 1.0) * LATTICE_M
    row, entry = np.arange(station.size), np.ones(station.size)
    columns, rows, entries = [station], [row], [entry]
    if all(place is not None for place in sums.place_m):
        x, y = (axis.ravel() for axis in sums.grid.mesh())
        centre = np.column_stack([x, y])
        away = np.stack([_away_m(place, centre) for place in sums.place_m])[station, block]
        columns.append(np.full(row.size, len(enough)))
        rows.append(row)
        entries.append(away)
    design = coo_array(
        (np.concatenate(entries), (np.concatenate(rows), np.concatenate(columns))),
        shape=(row.size, len(enough) + len(columns) - 1),
    ).tocsr()
    return Means(station, block, mean_m, points, design)


def _noise_m(sums: StationSums, means: Means) -> float:
    """Scatter of points within set-ups [m]."""
    flat = (len(sums.names), -1)
    points, total, squares = (
        held.reshape(flat)[means.station, means.block].astype(np.float64)
        for held in (sums.count, sums.total, sums.squares)
    )
    own = np.bincount(means.block, squares - total**2 / points)
    n, k = (np.bincount(means.block, held) for held in (points, points > 0))
    # The median over blocks: at the foot of things a few points are no floor. Of those with many
    # points where there are any, for the median of few lies low.
    seen = n >= (_MANY if (n >= _MANY).any() else 1)
    seen &= n > k
    within = float(np.median(own[seen] / (n[seen] - k[seen]))) if seen.any() else 0.0
    # Points on one height to the last digit have no scatter; the lattice has.
    return math.sqrt(max(within, 1.0 / 12.0)) * LATTICE_M


def _weights(count: Indices) -> Array:
    """Share of each set-up in the points around each block; of the nearest where there are none."""
    total = count.sum(axis=0)
    share = count / np.maximum(total, 1)
    return np.stack([filled_from_nearest(np.where(total > 0, own, np.nan)) for own in share])


def _off_m(sums: StationSums, means: Means, solved: Array) -> Array:
    """Heights of set-ups above what all say without their steps, in blocks and around [m]."""
    from scipy.ndimage import uniform_filter

    risen = np.bincount(means.block, means.points * (means.mean_m - means.design @ solved))
    level = risen / np.maximum(np.bincount(means.block, means.points), 1.0)
    points, rise = np.zeros((2, *sums.count.shape))
    row, col = np.divmod(means.block, sums.grid.nx)
    points[means.station, row, col] = means.points
    rise[means.station, row, col] = means.points * (means.mean_m - level[means.block])
    around = (1, _AROUND, _AROUND)
    points_around = uniform_filter(points, around, mode="constant")
    out = uniform_filter(rise, around, mode="constant") / np.maximum(points_around, 1e-9)
    return np.where(points > 0, out, np.nan)


def _away_m(place_m: tuple[float, float, float] | None, at_m: Array) -> Array:
    """Distance in plan from where a set-up stood (n,) [m]."""
    assert place_m is not None
    return np.asarray(np.hypot(at_m[:, 0] - place_m[0], at_m[:, 1] - place_m[1]))
