"""What is said of control: shots that were not used, how well the others fit, what was assumed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pourdatum.shots import ControlFit
from pourdatum.staff import LEAST_SHOTS, near_pairs
from pourdatum.uncertainty import RAYLEIGH_95
from pourdatum.units import FOOT_M, System, show_fall, show_fine, show_height, show_length

if TYPE_CHECKING:
    from pourdatum.surface import Surface

_LOOSE: Final = 8.0
"""Leave-one-out errors, in errors of one shot, from which control is called loose; a choice."""
_MOVED_M: Final = 0.005


def notes_on(
    surface: Surface, system: System = "metric"
) -> tuple[list[tuple[str, str]], list[str]]:
    """Warnings (code, text) and assumptions that control gives rise to.

    Parameters
    ----------
    surface : Surface
        One that ``level_by_control`` returned.
    system : "metric" or "imperial"
        What people are shown.
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
            off = f" by {_signed(shot.residual_m or 0.0, system)}"
        warned.append(
            (code, f"control shot {shot.name} at ({x:.2f}, {y:.2f}) {shot.why}{off}: not used")
        )
    read_again = to_read_again(fit, system)
    if read_again is not None:
        warned.append(("control-loose", read_again))
    used = len(fit.used)
    if used == LEAST_SHOTS:
        said = (
            "control: 3 shots fix level and tilt; a fourth is needed to check them and to show "
            "whether the scan is bent"
        )
    else:
        more = used - LEAST_SHOTS
        rest = (
            "the fourth checks them and shows"
            if more == 1
            else f"the other {more} check them and show"
        )
        said = f"control: {used} shots; three fix level and tilt, {rest} how far the scan is bent"
    right = show_fine(fit.error_m, system)
    said += f"; a shot is taken to be right to {right} (one standard deviation)"
    told = [said, *fit.notes]
    if fit.doubtful:
        named = f", {_one_of(fit.suspects)} before others" if fit.suspects else ""
        told.append(
            "control: so few shots cannot tell a bent scan from a wrong shot; what is stated for "
            f"level and tilt is as wide as if any one of them might be wrong{named}"
        )
    told += [
        f"control: {first} and {second} stand {show_length(apart, system)} apart: they count as "
        "one place"
        for first, second, apart in near_pairs(fit.used)
    ]
    if fit.offset_m is None:
        told.append("control: the shots have no benchmark; the mean height stays the scan's own")
    elif abs(fit.offset_m) > _MOVED_M:
        told.append(
            f"control: levels are those of the control, {_shift(fit.offset_m, system)} on the "
            "scan's "
            "own over the middle of the floor; levels given in the job are taken in them"
        )
    return warned, told


def to_read_again(fit: ControlFit, system: System = "metric") -> str | None:
    """What must be said before any figure: which shots to read again, and why; or None.

    Parameters
    ----------
    fit : ControlFit
    system : "metric" or "imperial"
        What people are shown.

    Examples
    --------
    >>> from pourdatum.uncertainty import SENSORS
    >>> mobile = SENSORS["mobile"]
    >>> to_read_again(ControlFit((), 0.0, None, 0.0, 0.0, 5e-4, mobile, mobile)) is None
    True
    """
    missed = fit.leave_one_out_rms_m
    if missed is None or not (fit.suspects or missed > _LOOSE * fit.error_m):
        return None
    names = fit.suspects or fit.doubtful
    again = f"read {_all_of(names)} again" if names else "read the shots again"
    return (
        f"{again} before you order: the others predict a shot to {show_height(missed, system)} "
        "(root "
        f"mean square over all), and a shot is taken to be right to "
        f"{show_fine(fit.error_m, system)}: either the scan is bent that much or "
        f"{_one_of(names)} is wrong{_left_open(fit, system)}"
    )


def _left_open(fit: ControlFit, system: System) -> str:
    """That the shots leave the level less sure than the scan alone was, where they do."""
    if fit.after.tilt_rad <= fit.before.tilt_rad:
        return ""
    left, alone = (show_fall(RAYLEIGH_95 * one.tilt_rad, system) for one in (fit.after, fit.before))
    return (
        f"; until then the level is left open by {left}, where {alone} are known of the scan alone"
    )


def _all_of(names: tuple[str, ...]) -> str:
    """Some names of which all are meant.

    Examples
    --------
    >>> _all_of(("P1",)), _all_of(("P1", "P2", "P3"))
    ('P1', 'P1, P2 and P3')
    """
    if len(names) == 1:
        return names[0]
    more = f" and {len(names) - 8} more" if len(names) > 8 else ""
    return f"{', '.join(names[:8])}{more}" if more else f"{', '.join(names[:-1])} and {names[-1]}"


def _one_of(names: tuple[str, ...]) -> str:
    """Some names of which one is meant.

    Examples
    --------
    >>> _one_of(("P1",)), _one_of(("P1", "P2", "P3"))
    ('P1', 'one of P1, P2, P3')
    """
    if not names:
        return "a shot"
    more = f" and {len(names) - 8} more" if len(names) > 8 else ""
    return names[0] if len(names) == 1 else f"one of {', '.join(names[:8])}{more}"


def _signed(value_m: float, system: System) -> str:
    shown = show_height(value_m, system)
    return shown if value_m < 0.0 else f"+{shown}"


def _shift(offset_m: float, system: System) -> str:
    if abs(offset_m) <= 1.0:
        return _signed(offset_m, system)
    if system == "imperial":
        return f"{offset_m / FOOT_M:+.3f} ft"
    return f"{offset_m:+.4f} m"
