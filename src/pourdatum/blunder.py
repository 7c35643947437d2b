"""A control shot that is wrong: named, refused, or allowed for in what is left.

A wrong shot and a bend of the scan look alike to few shots. Beside "all shots are sound"
stand the guesses "this one is wrong, by anything", each with what the others say without
it (Bayesian outliers by shifted means; Abraham and Box, Biometrika 66, 1979, from memory).
Where one guess is beyond doubt, its shot is named and left out. Where some shot
is likely to be wrong and it cannot be told which, nothing is levelled. Where it is possible,
what is left of tilt, warp and level reaches as far as each such guess does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.drift import Drift, Left, fit_drift, what_is_left
from pourdatum.driftguess import Guess
from pourdatum.errors import JobError
from pourdatum.shots import Shot
from pourdatum.staff import Held, check_spread
from pourdatum.uncertainty import COVER_95, RAYLEIGH_95, SharedError
from pourdatum.units import MM

if TYPE_CHECKING:
    from pourdatum.surface import Surface

Array = NDArray[np.float64]

LEAST_TO_NAME: Final = 5
"""Shots from which on one can be named as wrong: four leave one check, which all share."""
SURE: Final = 20.0
"""How many times likelier than any other the shot that is named must be the wrong one."""
WRONG_SHARE: Final = 0.02
"""One reading in fifty is misread, misplaced or misbooked; a choice."""
_WRONG_PER_M: Final = 10.0
"""Density of what a wrong reading is off by: anything within 50 mm either way, and no less
beyond [1/m]."""
_EACH_WRONG: Final = math.log(WRONG_SHARE / (1.0 - WRONG_SHARE) * _WRONG_PER_M)
_LEFT_AT_LEAST: Final = 4
LIKELY: Final = 0.5
"""Likelier than this, some shot is wrong: it is named, or nothing is levelled. Of 420 sound
campaigns on bent scans none came over 0.3."""
SUSPECT: Final = 0.1
"""Likelier than this, it is said before any figure. One sound campaign in fifty comes over it,
of four shots one in four: their one check is soon in doubt."""
_ONE_CHECK: Final = 0.3
"""The same for shots with one check, where nothing is levelled for it."""
_USELESS_RAD: Final = 1e-3
"""A vertical that is left less sure than this and than the scan's own is worth nothing [rad]."""
_ALLOW: Final = 0.01
"""Likelier than this, the guess that a shot is wrong counts in what is left."""
_OPEN: Final = 0.05
_MANY: Final = 40
"""Of more shots than this, one that is not far enough off to be named moves nothing."""


@dataclass(frozen=True, eq=False)
class Sifted:
    """Shots that the correction rests on.

    Attributes
    ----------
    held : Held
    drift : Drift
        From these shots.
    doubted : list of int
        Shots given that contradict them, and are left out.
    doubtful : tuple of int
        Shots given of which one may still be wrong.
    instead : tuple of Drift
        What the correction would be without each of these, and with those that are left out
        where they may be sound after all.
    suspects : tuple of int
        Shots given that are likely enough to be wrong to be read again, the likeliest first.
    wrong_share : float
        How likely one of the shots that are held is wrong.
    """

    held: Held
    drift: Drift
    doubted: list[int]
    doubtful: tuple[int, ...]
    instead: tuple[Drift, ...]
    suspects: tuple[int, ...] = ()
    wrong_share: float = 0.0

    def left(self, nodes_m: Array) -> Left:
        """What is open over a floor, wrong shots that cannot be told included.

        Parameters
        ----------
        nodes_m : (m, 2) array
            Places spread evenly over the floor [m].
        """
        left = what_is_left(self.drift, nodes_m)
        tilt, warp, mean = left.tilt_rad, left.warp_m, left.mean_m
        x, y = nodes_m.T
        design = np.column_stack([np.ones(len(x)), nodes_m - nodes_m.mean(axis=0)])
        for other in self.instead:
            open_ = what_is_left(other, nodes_m)
            apart = other.at(x, y) - self.drift.at(x, y)
            plane, *_ = np.linalg.lstsq(design, apart, rcond=None)
            bent = float(np.sqrt(np.mean((apart - design @ plane) ** 2)))
            # Each guess is one that may be true: its whole interval is kept.
            tilt = max(tilt, float(np.hypot(*plane[1:])) / RAYLEIGH_95 + open_.tilt_rad)
            mean = max(mean, abs(float(plane[0])) / COVER_95 + open_.mean_m)
            warp = max(warp, math.hypot(bent, open_.warp_m))
        return Left(tilt, warp, mean)


def sifted(surface: Surface, shots: Sequence[Shot], held: Held, where: str) -> Sifted:
    """The drift without the shots that contradict the others, and which those are.

    Raises
    ------
    JobError
        If some shot is likely to be wrong and it cannot be told which.
    """
    given = len(held.index)
    doubted: list[int] = []
    sound: list[Drift] = []
    while True:
        drift = drift_of(surface, held)
        count = len(held.index)
        wrong = wrong_shares(drift)
        if wrong.sum() <= LIKELY:
            break
        worst = int(np.argmax(drift.others_log))
        rest = np.delete(drift.others_log, worst)
        sure = drift.others_log[worst] - rest.max() > math.log(SURE)
        spared = max(given // 4, 1)
        if count < LEAST_TO_NAME or not sure or len(doubted) == spared:
            raise _contradiction(shots, held, drift, doubted, where)
        doubted.append(int(held.index[worst]))
        if 1.0 - wrong.sum() > _ALLOW:
            # A shot may be left out and be sound after all: what it said is not ruled out.
            sound.append(drift)
        held = held.without(worst)
        check_spread(shots, held, where)
    # Where one is likely wrong, so may be any that is not much less likely than the likeliest.
    least = _ALLOW * min(1.0, _OPEN / max(wrong.max(), _OPEN))
    some = wrong.max() > _ALLOW and len(held.index) <= _MANY
    possible = [int(k) for k in np.flatnonzero(wrong > least)] if some else []
    instead = (*sound, *(drift_of(surface, held.without(k)) for k in possible))
    doubtful = tuple(int(held.index[k]) for k in possible)
    return Sifted(
        held, drift, doubted, doubtful, instead, _suspects(held, wrong), float(wrong.sum())
    )


def _suspects(held: Held, wrong: Array) -> tuple[int, ...]:
    if wrong.sum() <= SUSPECT:
        return ()
    # One that is a tenth as likely as the likeliest may be the wrong one all the same.
    order = [int(k) for k in np.argsort(-wrong) if wrong[k] >= 0.1 * wrong.max()]
    return tuple(int(held.index[k]) for k in order)


def wrong_shares(drift: Drift) -> Array:
    """How likely each shot is the one that is wrong (n,); the rest is for none of them.

    Shots that the others do not check have no share.
    """
    odds = np.exp(np.minimum(drift.others_log - drift.all_log + _EACH_WRONG, 600.0))
    out: Array = odds / (1.0 + odds.sum())
    return out


def evidence(
    surface: Surface, held: Held, thought: tuple[Guess, ...], *, most_wrong: int
) -> tuple[float, Drift]:
    """Log likelihood of levels of which some may be wrong, and their drift if none is.

    Parameters
    ----------
    surface : Surface
    held : Held
    thought : tuple of Guess
        What is thought of the scan; tilts must not be free, or few shots fit anything.
    most_wrong : int
        How many may be wrong; they are taken out one after the other, the worst first.
    """
    all_ = drift = drift_of(surface, held, thought)
    logs, taken = [drift.all_log], 0.0
    for _ in range(most_wrong):
        logs += [taken + _EACH_WRONG + float(one) for one in drift.others_log]
        if len(held.index) <= _LEFT_AT_LEAST:
            break
        taken += _EACH_WRONG
        held = held.without(int(np.argmax(drift.others_log)))
        drift = drift_of(surface, held, thought)
    return float(np.logaddexp.reduce(logs)), all_


def drift_of(surface: Surface, held: Held, thought: tuple[Guess, ...] | None = None) -> Drift:
    """The drift over a surface's floor that shots held against it show."""
    west, south, east, north = surface.floor.outline.bounds
    return fit_drift(
        held.place_m,
        held.lack_m,
        held.covariance_m2,
        surface.shared,
        middle_m=(0.5 * (west + east), 0.5 * (south + north)),
        reach_m=0.5 * math.hypot(east - west, north - south),
        thought=thought,
    )


def check_worth(
    shots: Sequence[Shot], found: Sifted, left: Left, before: SharedError, where: str
) -> None:
    """Refuse shots with one check of which one may be wrong and that tell less than the scan did.

    More shots go on with what is left open, which holds whichever guess is true, and with the
    shots to read again before any figure (``controlwords.to_read_again``).

    Raises
    ------
    JobError
        With the shots to read again.
    """
    known_rad = max(before.tilt_rad, _USELESS_RAD)
    one_check = len(found.held.index) < LEAST_TO_NAME
    if not one_check or found.wrong_share <= _ONE_CHECK or left.tilt_rad <= known_rad:
        return
    names = ", ".join(shots[k].name for k in found.suspects[:8])
    slope, own = (RAYLEIGH_95 * one * MM for one in (left.tilt_rad, known_rad))
    raise JobError(
        f"either a control shot is wrong ({names}, the likeliest first) or the scan is bent, and "
        f"it cannot be told which: the level is left open by {slope:.1f} mm per m, where "
        f"{own:.1f} are known without them",
        where=where,
        hint="read these shots again, levels and places, or take two more near them",
        id="control-contradicts",
    )


def _contradiction(
    shots: Sequence[Shot], held: Held, drift: Drift, doubted: list[int], where: str
) -> JobError:
    """Shots of which at least one is wrong, named with what the others say of them."""
    lead = drift.others_log.max() - math.log(SURE)
    one_of = [k for k in range(len(held.index)) if drift.others_log[k] >= lead]
    if len(held.index) < LEAST_TO_NAME or len(doubted):
        one_of = [k for k in range(len(held.index)) if math.isfinite(drift.leave_one_out_m[k])]
    told = ", ".join(
        f"{shots[held.index[k]].name} {drift.leave_one_out_m[k] * MM:+.1f} mm" for k in one_of[:8]
    )
    also = ", ".join(shots[k].name for k in doubted)
    return JobError(
        f"control shots contradict one another, and it cannot be told which is wrong: against "
        f"the others {told}" + (f" (already without {also})" if also else ""),
        where=where,
        hint="check these readings and places, or take more shots",
        id="control-contradicts",
    )
