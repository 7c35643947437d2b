"""Control shots held against the surface: tilt and warp taken out, and what is left.

A shot's level is compared with the surface's height under the staff's foot. What the
differences have in common is the scan's fault (``drift``); a shot whose level the others
cannot explain is the shot's fault, where it can be told which one that is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.drift import Drift, fit_drift, what_is_left
from pourdatum.errors import JobError
from pourdatum.shots import ControlFit, HeldShot, Shot
from pourdatum.uncertainty import SharedError
from pourdatum.units import MM

if TYPE_CHECKING:
    from pourdatum.surface import Surface

Array = NDArray[np.float64]

SHOT_M: Final = 0.0005
"""Standard uncertainty of a shot that states none [m]; common practice, no source."""
FOOT_M: Final = 0.06
"""Width of the foot a staff stands on [m]."""
PLACE_M: Final = 0.02
"""How far a staff stands from the place that was noted, one standard deviation [m]."""
LEAST_SHOTS: Final = 3
CHANCE: Final = 0.005
"""A shot contradicts the others where its leave-one-out error is less likely than this over
the number of shots (Bonferroni): one sound campaign in two hundred is doubted."""
LEAST_TO_NAME: Final = 5
"""Shots from which on one can be named as wrong: four leave one check, which all share."""
SURE: Final = 20.0
"""How many times likelier than any other the shot that is named must be the wrong one."""
_LINE_SHARE: Final = 0.1
_LINE_M: Final = 5.0 * PLACE_M
"""Shots no further apart across than this are in a line for all that is known of places [m]."""
_UNSURE_RAD: Final = 0.002
_STEEP_RAD: Final = math.radians(5.0)
_LOOSE: Final = 8.0
"""Leave-one-out errors, in errors of one shot, from which control is called loose; a choice."""
_SAME_M: Final = 0.00005
_MOVED_M: Final = 0.005
_NODES: Final = 350


@dataclass(frozen=True, eq=False)
class _Held:
    """Shots that can be used: which of those given, and what the surface lacks there."""

    index: NDArray[np.int64]
    place_m: Array
    lack_m: Array
    covariance_m2: Array

    def without(self, k: int) -> _Held:
        keep = np.arange(len(self.index)) != k
        return _Held(
            self.index[keep],
            self.place_m[keep],
            self.lack_m[keep],
            self.covariance_m2[np.ix_(keep, keep)],
        )


def level_by_control(
    surface: Surface,
    shots: Sequence[Shot],
    *,
    has_level: bool = True,
    where: str = "control",
    notes: tuple[str, ...] = (),
) -> Surface:
    """A surface with the tilt and warp that control shots show taken out.

    Parameters
    ----------
    surface : Surface
        Levels as scanned.
    shots : sequence of Shot
    has_level : bool
        Whether the shots' levels hang on a benchmark; otherwise they fix tilt and warp, and
        the mean height stays the scan's own.
    where : str
        The control file, for errors.
    notes : tuple of str
        What was assumed on the way to levels and places; kept with the result.

    Returns
    -------
    Surface
        Its ``control`` says what was done, its ``shared`` what is left.

    Raises
    ------
    JobError
        If fewer than three shots stand on seen floor, they lie in a line, or they contradict
        one another and it cannot be told which is wrong.
    """
    held, why = _on_floor(surface, shots, where)
    _check_spread(shots, held, where)
    held, drift, doubted = _sifted(surface, shots, held, where)
    slope = float(np.hypot(*drift.plane[1:]))
    if slope > math.tan(_STEEP_RAD):
        raise JobError(
            f"by the control shots the scan is tilted by {math.degrees(math.atan(slope)):.1f} "
            "degrees",
            where=where,
            hint="check their unit, the order of their columns and their places, or give --up",
            id="control-steep",
        )
    why |= dict.fromkeys(doubted, "contradicts the others")
    levelled = _corrected(surface, shots, held, drift, why, has_level)
    assert levelled.control is not None
    return replace(levelled, control=replace(levelled.control, notes=notes))


def stands_on_floor(surface: Surface, place_m: tuple[float, float]) -> bool:
    """Whether a staff at a place, local plan [m], would stand on seen floor."""
    return not isinstance(_under_foot(surface, place_m), str)


def lack_at(surface: Surface, shot: Shot) -> float:
    """Level of a shot minus the surface's height there [m]; NaN off the floor."""
    under = _under_foot(surface, shot.place_m)
    return math.nan if isinstance(under, str) else shot.level_m - under[0]


def notes_on(surface: Surface) -> tuple[list[tuple[str, str]], list[str]]:
    """Warnings (code, text) and assumptions that control gives rise to.

    Parameters
    ----------
    surface : Surface
        One that ``level_by_control`` returned.
    """
    fit = surface.control
    assert fit is not None
    origin = surface.origin_m
    warned = []
    for shot in fit.shots:
        if shot.used:
            continue
        x, y = shot.place_m[0] + origin[0], shot.place_m[1] + origin[1]
        code, off = "control-shot-off-floor", ""
        if shot.why == "contradicts the others":
            code = "control-shot-contradicts"
            off = f" by {(shot.residual_m or 0.0) * MM:+.1f} mm"
        warned.append(
            (code, f"control shot {shot.name} at ({x:.2f}, {y:.2f}) {shot.why}{off}: not used")
        )
    missed = fit.leave_one_out_rms_m
    if missed is not None and missed > _LOOSE * fit.error_m:
        warned.append(
            (
                "control-loose",
                (
                    f"each control shot is missed by {missed * MM:.1f} mm when the others alone "
                    f"predict it, and one shot errs by {fit.error_m * MM:.2g} mm: either the scan "
                    "is bent that much or a shot is wrong, and so few shots cannot say which; take "
                    "more"
                ),
            )
        )
    used = len(fit.used)
    said = f"control: {used} shots"
    if used == LEAST_SHOTS:
        said += " take out the tilt; there is no check on them and no word on warp"
    else:
        more = used - LEAST_SHOTS
        said += f" take out the tilt; {more} more than that needs show{'s' * (more == 1)} the warp"
    said += f"; one shot errs by {fit.error_m * MM:.2g} mm (one standard deviation)"
    told = [said, *fit.notes]
    if fit.offset_m is None:
        told.append("control: the shots have no benchmark; the mean height stays the scan's own")
    elif abs(fit.offset_m) > _MOVED_M:
        told.append(
            f"control: levels are those of the control, {_shift(fit.offset_m)} on the scan's "
            "own over the middle of the floor; levels given in the job are taken in them"
        )
    return warned, told


def _shift(offset_m: float) -> str:
    return f"{offset_m:+.4f} m" if abs(offset_m) > 1.0 else f"{offset_m * MM:+.1f} mm"


def _on_floor(surface: Surface, shots: Sequence[Shot], where: str) -> tuple[_Held, dict[int, str]]:
    """Shots that stand on seen floor, and why the others are not used."""
    why: dict[int, str] = {}
    rows: list[tuple[int, float, float]] = []
    for number, shot in enumerate(shots):
        twin = next((k for k, _, _ in rows if _is_same(shots[k], shot)), None)
        if twin is not None:
            why[number] = f"is {shots[twin].name} once more"
            continue
        under = _under_foot(surface, shot.place_m)
        if isinstance(under, str):
            why[number] = under
        else:
            rows.append((number, *under))
    if len(rows) < LEAST_SHOTS:
        x0, y0 = surface.origin_m[:2]
        told = "; ".join(
            f"{shots[k].name} ({shots[k].place_m[0] + x0:.2f}, {shots[k].place_m[1] + y0:.2f}) "
            f"{reason}"
            for k, reason in list(why.items())[:6]
        )
        raise JobError(
            f"{len(rows)} of {len(shots)} control shots can be used, {LEAST_SHOTS} are needed"
            + (f" ({told})" if told else ""),
            where=where,
            hint="take three or more on bare floor, spread over it; check places and their unit",
            id="control-few",
        )
    index = np.array([number for number, _, _ in rows])
    taken = [shots[k] for k in index]
    variance = np.array([shot.error_m**2 for shot in taken]) + [v for _, _, v in rows]
    covariance = np.diag(variance)
    for i, one in enumerate(taken):
        for j, other in enumerate(taken):
            if one.setup is not None and one.setup == other.setup:
                # The backsight of their set-up is an error they share.
                covariance[i, j] += SHOT_M**2
    levels = np.array([shot.level_m for shot in taken])
    heights = np.array([height for _, height, _ in rows])
    # Levels that are one and the same are those of a level floor, read to the millimetre.
    if 0.0 < np.ptp(levels) < _SAME_M and np.ptp(heights) > 40 * _SAME_M:
        raise JobError(
            f"the levels of all {len(levels)} control shots agree to {np.ptp(levels) * MM:.3f} mm, "
            f"finer than any staff, while the floor differs by {np.ptp(heights) * MM:.1f} mm there",
            where=where,
            hint="check their unit, or give it in the header: level_m, staff_mm",
            id="control-unit",
        )
    return _Held(
        index, np.array([shot.place_m for shot in taken]), levels - heights, covariance
    ), why


def _is_same(one: Shot, other: Shot) -> bool:
    near = math.dist(one.place_m, other.place_m) < 0.001
    return near and abs(one.level_m - other.level_m) < 1e-6


def _under_foot(surface: Surface, place_m: tuple[float, float]) -> tuple[float, float] | str:
    """Height under a staff's foot [m] and its variance [m²]; or why there is none."""
    import shapely

    grid = surface.grid
    x, y = place_m
    if not (math.isfinite(x) and math.isfinite(y)):
        return "has no place"
    row, col = (int(v[0]) for v in grid.cell_of(np.array([x]), np.array([y])))
    if not (1 <= row < grid.ny - 1 and 1 <= col < grid.nx - 1):
        return "is off the floor"
    if not surface.floor.outline.contains(shapely.Point(x, y)):
        return "is off the floor"
    if not surface.measured[row, col]:
        return "stands where the floor was not seen"
    half = 0.5 * FOOT_M
    feet = [(0.0, 0.0), (half, 0.0), (-half, 0.0), (0.0, half), (0.0, -half)]
    heights = grid.at(surface.height_m, np.array(place_m) + feet)
    variance = float(grid.at(surface.standard_error_m**2, np.array([place_m]))[0])
    if not (math.isfinite(variance) and np.isfinite(heights).all()):
        return "stands where the floor was not seen"
    # The staff may stand a little beside the place that was noted.
    slope = math.hypot(heights[1] - heights[2], heights[3] - heights[4]) / FOOT_M
    return float(heights.mean()), variance + (slope * PLACE_M) ** 2 / 2.0


def _check_spread(shots: Sequence[Shot], held: _Held, where: str) -> None:
    """Refuse shots that fix no tilt."""
    off = held.place_m - held.place_m.mean(axis=0)
    _, _, axes = np.linalg.svd(off, full_matrices=False)
    long_m, wide_m = np.ptp(off @ axes.T, axis=0)
    names = ", ".join(shots[k].name for k in held.index[:8])
    if long_m < _LINE_M:
        raise JobError(
            f"the {len(held.index)} control shots {names} stand at one place, within "
            f"{long_m:.2f} m: they fix no tilt",
            where=where,
            hint="spread them over the whole floor",
            id="control-narrow",
        )
    unsure = math.inf
    if wide_m >= _LINE_M:
        design = np.column_stack([np.ones(len(off)), off])
        spread = np.linalg.inv(design.T @ np.linalg.solve(held.covariance_m2, design))
        unsure = math.sqrt(float(np.linalg.eigvalsh(spread[1:, 1:])[-1]))
    if unsure <= _UNSURE_RAD:
        return
    # What is left open decides; the shape only says which sentence helps.
    if not math.isfinite(unsure) or wide_m < _LINE_SHARE * long_m:
        raise JobError(
            f"the {len(held.index)} control shots {names} lie in a line: {wide_m:.2f} m across on "
            f"{long_m:.2f} m along",
            where=where,
            hint="take one more, well beside that line",
            id="control-line",
        )
    raise JobError(
        f"the control shots {names} lie within {long_m:.2f} m of one another: they leave the "
        f"tilt open by {unsure * MM:.1f} mm per m",
        where=where,
        hint="spread them over the whole floor",
        id="control-narrow",
    )


def _sifted(
    surface: Surface, shots: Sequence[Shot], held: _Held, where: str
) -> tuple[_Held, Drift, list[int]]:
    """The drift without the shots that contradict the others, and which those are."""
    given = len(held.index)
    doubted: list[int] = []
    west, south, east, north = surface.floor.outline.bounds
    middle, reach = (
        (0.5 * (west + east), 0.5 * (south + north)),
        math.hypot(east - west, north - south),
    )
    while True:
        drift = fit_drift(
            held.place_m,
            held.lack_m,
            held.covariance_m2,
            surface.shared,
            middle_m=middle,
            reach_m=0.5 * reach,
        )
        count = len(held.index)
        against = drift.chance < CHANCE / count
        if not against.any():
            return held, drift, doubted
        worst = int(np.argmax(drift.others_log))
        rest = np.delete(drift.others_log, worst)
        sure = drift.others_log[worst] - rest.max() > math.log(SURE)
        spared = max(given // 4, 1)
        if count < LEAST_TO_NAME or not sure or len(doubted) == spared:
            raise _contradiction(shots, held, drift, doubted, where)
        doubted.append(int(held.index[worst]))
        held = held.without(worst)
        _check_spread(shots, held, where)


def _contradiction(
    shots: Sequence[Shot], held: _Held, drift: Drift, doubted: list[int], where: str
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


def _corrected(
    surface: Surface,
    shots: Sequence[Shot],
    held: _Held,
    drift: Drift,
    why: dict[int, str],
    has_level: bool,
) -> Surface:
    grid = surface.grid
    x, y = grid.mesh()
    inside = surface.measured | surface.inferred
    field = drift.at(x, y)
    design = np.column_stack([np.ones(int(inside.sum())), x[inside], y[inside]])
    plane, *_ = np.linalg.lstsq(design, field[inside], rcond=None)
    warp = field[inside] - design @ plane
    offset = float(field[inside].mean())
    # The common part goes to the origin, so that heights stay small numbers, and the levels
    # of other floors, which know no tilt, move with this one.
    x0, y0, z0 = surface.origin_m
    z0 += offset if has_level else 0.0
    left = what_is_left(drift, _nodes(x, y, inside))
    after = SharedError(
        tilt_rad=left.tilt_rad,
        warp_m=left.warp_m,
        datum_m=left.mean_m if has_level else surface.shared.datum_m,
        source=f"{len(held.index)} control shots",
    )
    fit = ControlFit(
        shots=_held_shots(surface, shots, held, drift, why, offset),
        tilt=float(np.hypot(plane[1], plane[2])),
        # What is added falls where the scan stood too high.
        tilt_bearing_rad=math.atan2(-plane[1], -plane[2]) % math.tau if plane[1:].any() else None,
        warp_m=float(np.sqrt(np.mean(warp**2))),
        offset_m=offset if has_level else None,
        error_m=float(np.median([shots[k].error_m for k in held.index])),
        before=surface.shared,
        after=after,
    )
    return replace(
        surface,
        height_m=surface.height_m + field - offset,
        shared=after,
        origin_m=(x0, y0, z0),
        control=fit,
    )


def _held_shots(
    surface: Surface,
    shots: Sequence[Shot],
    held: _Held,
    drift: Drift,
    why: dict[int, str],
    offset_m: float,
) -> tuple[HeldShot, ...]:
    """Every shot that was given, with its residual and its leave-one-out error."""
    used = {int(number): k for k, number in enumerate(held.index)}
    found = []
    for number, shot in enumerate(shots):
        residual: float | None = None
        leave: float | None = None
        if number in used:
            k = used[number]
            residual = float(drift.residual_m[k])
            leave = float(drift.leave_one_out_m[k])
            leave = leave if math.isfinite(leave) else None
        else:
            under = _under_foot(surface, shot.place_m)
            if not isinstance(under, str):
                x, y = shot.place_m
                fitted = under[0] + float(drift.at(np.array(x), np.array(y)))
                residual = leave = shot.level_m - fitted
        found.append(
            HeldShot(
                shot.name,
                shot.place_m,
                shot.level_m - offset_m,
                residual,
                leave,
                number in used,
                why.get(number, ""),
            )
        )
    return tuple(found)


def _nodes(x: Array, y: Array, inside: NDArray[np.bool_]) -> Array:
    """Some hundred places spread evenly over the floor (m, 2)."""
    step = max(math.floor(math.sqrt(np.count_nonzero(inside) / _NODES)), 1)
    start = step // 2
    some = np.zeros_like(inside)
    some[start::step, start::step] = True
    chosen = inside & some if (inside & some).sum() > 3 else inside
    return np.column_stack([x[chosen], y[chosen]])
