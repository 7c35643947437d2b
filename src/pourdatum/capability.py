"""What a scan can answer and what it cannot, question by question, from one error budget.

A question is answered where its error at 95 % is no more than a share of what is asked: a third
of a tolerance (a test uncertainty ratio of three, common practice with no source), or what a
detection needs. Where it is not, the part of the budget that weighs most says what would help.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from pourdatum.driftguess import LENGTHS_M
from pourdatum.evenly import even_places
from pourdatum.grind import NOISES
from pourdatum.shareddraws import draws_for
from pourdatum.slopeerror import slope_error_95
from pourdatum.uncertainty import COVER_95, combined

if TYPE_CHECKING:
    from pourdatum.finding import Flatness
    from pourdatum.straight import Straight
    from pourdatum.surface import Surface

Question = Literal["level", "flatness-2m", "depth-1mm", "hump-2mm"]

_LEVEL: Final = 0.0005
"""Slope to which a floor's level must be known [m/m]: a third of 3 mm over 2 m."""
_FLAT_M: Final = 0.001
"""Gap under 2 m that must be known to [m]: a third of 3 mm."""
_DEPTH_M: Final = 0.001
_HUMP_M: Final = 0.002
_EDGE_M: Final = 2.0
_CLOSER: Final = "scan again from closer or slower"
_ACROSS: Final = "lay a straightedge across what the heights leave out"
_NODES: Final = 300
"""Places at which fields of set-ups are drawn."""


@dataclass(frozen=True)
class Capability:
    """One question and whether the scan answers it.

    Attributes
    ----------
    question : str
        "level", "flatness-2m", "depth-1mm" or "hump-2mm".
    known_to : float
        Error at 95 % [m], for the level [m/m]; of a hump, the least that is told from noise.
    needed : float
        What it must be at the most [m or m/m].
    remedy : str
        What would make it possible; empty where it is.
    """

    question: Question
    known_to: float
    needed: float
    remedy: str

    @property
    def enough(self) -> bool:
        """Whether the scan answers it."""
        return self.known_to <= self.needed


def capabilities(surface: Surface) -> tuple[Capability, ...]:
    """What a surface can say of level, flatness, depth at a place, and humps.

    Parameters
    ----------
    surface : Surface
        From a scan; levels that were shot singly say nothing between them.

    Returns
    -------
    tuple of Capability
        None where levels were shot singly.
    """
    if surface.between is not None:
        return ()
    shared = surface.shared
    differ = _of_set_ups(surface)
    errors = surface.standard_error_m[surface.measured & np.isfinite(surface.standard_error_m)]
    # Nine in ten cells are known so well or better.
    own_m = float(np.quantile(errors, 0.9)) if errors.size else math.inf
    x_m, y_m = surface.grid.mesh()
    place = np.column_stack([x_m[surface.measured], y_m[surface.measured]])
    reach_m = float(np.sqrt(((place - place.mean(axis=0)) ** 2).sum(axis=1).mean() / 2.0))
    warp_m = combined(shared.warp_m, surface.floor.stations.bend_m)
    gap_m = combined(warp_m * math.sqrt(_bend_share(1.0)), differ.gap_m)
    far_m = warp_m * math.sqrt(2.0 * (1.0 - _alike(2.0 * reach_m)))
    # What set-ups lean the floor by is in what lies between two of its places.
    lean_m = combined(shared.tilt_rad, surface.rounding.tilt_rad) * 2.0 * reach_m
    closer, control = _CLOSER, "take control shots (--control)"
    if surface.control is not None:
        control = "take more control shots, spread over the floor"

    def one(
        question: Question, needed: float, own: float, common: float, cover: float
    ) -> Capability:
        known = cover * math.hypot(own, common)
        remedy = "" if known <= needed else (closer if own > common else control)
        return Capability(question, known, needed, remedy)

    return (
        one("level", _LEVEL, 0.0, slope_error_95(surface), 1.0),
        one("flatness-2m", _FLAT_M, math.sqrt(1.5) * own_m, gap_m, COVER_95),
        one("depth-1mm", _DEPTH_M, own_m, combined(far_m, lean_m, differ.apart_m), COVER_95),
        one("hump-2mm", _HUMP_M, own_m, 0.0, NOISES),
    )


def not_surer_than(
    each: tuple[Capability, ...], found: Sequence[Flatness], lines: Sequence[Straight]
) -> tuple[Capability, ...]:
    """The same, no surer of a straightedge of 2 m than what one was found to be known to.

    Parameters
    ----------
    each : tuple of Capability
    found : sequence of Flatness
        Criteria that were judged: the worst place is known less well than a usual one.
    lines : sequence of Straight
        Ridges and grooves that the heights leave out.
    """
    known = [
        one.uncertainty
        for one in found
        if one.uncertainty is not None and one.worst is not None and one.worst.length_m == _EDGE_M
    ]
    known += [abs(line.height_m) for line in lines]
    least = max(known, default=0.0)

    def heard(one: Capability) -> Capability:
        if one.question != "flatness-2m" or one.known_to >= least:
            return one
        remedy = one.remedy or ("" if least <= one.needed else _ACROSS if lines else _CLOSER)
        return replace(one, known_to=least, remedy=remedy)

    return tuple(heard(one) for one in each)


@dataclass(frozen=True)
class _SetUps:
    """What set-ups that differ do to a floor, one standard deviation.

    ``apart_m`` between two places, ``gap_m`` in the middle of a straightedge of 2 m [m].
    """

    apart_m: float = 0.0
    gap_m: float = 0.0


def _of_set_ups(surface: Surface) -> _SetUps:
    if not surface.floor.stations.matters:
        return _SetUps()
    place, *_ = even_places(surface.measured, surface.grid, _NODES)
    drawn = draws_for(surface)
    fields = drawn.of_stations(place)
    apart = fields - fields.mean(axis=1, keepdims=True)
    bends = [
        fields - 0.5 * (drawn.of_stations(place + half) + drawn.of_stations(place - half))
        for half in np.eye(2)
    ]
    return _SetUps(
        apart_m=math.sqrt(2.0 * float((apart**2).mean())),
        gap_m=math.sqrt(float(np.mean([(bend**2).mean() for bend in bends]))),
    )


def _alike(apart_m: float) -> float:
    """Correlation of a warp at two places, over the lengths that are thought of.

    Examples
    --------
    >>> _alike(0.0), round(_alike(100.0), 6)
    (1.0, 0.0)
    """
    return float(np.mean([math.exp(-0.5 * (apart_m / length) ** 2) for length in LENGTHS_M]))


def _bend_share(half_m: float) -> float:
    """Variance of a warp in the middle of a straightedge of two halves, for a warp of one.

    Of h(0) - (h(-a) + h(a)) / 2: 3/2 - 2 r(a) + r(2 a) / 2.
    """
    return 1.5 - 2.0 * _alike(half_m) + 0.5 * _alike(2.0 * half_m)
