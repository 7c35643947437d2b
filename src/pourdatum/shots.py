"""Control shots as values: what was levelled, and what came out against the scan."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pourdatum.drift import Drift
from pourdatum.uncertainty import SharedError


@dataclass(frozen=True)
class Shot:
    """A level taken on the floor.

    Attributes
    ----------
    name : str
        Foreign text.
    place_m : tuple
        Local plan [m].
    level_m : float
        In the control's own vertical, the level of the scan's origin subtracted [m].
    error_m : float
        Of the level, one standard deviation [m].
    setup : int, optional
        Set-up of the levelling instrument: shots of one share the error of its backsight.
    """

    name: str
    place_m: tuple[float, float]
    level_m: float
    error_m: float
    setup: int | None = None


@dataclass(frozen=True)
class HeldShot:
    """A control shot held against the surface.

    Attributes
    ----------
    name : str
    place_m : tuple
        Local plan [m].
    z_m : float
        Its level, local to the corrected surface [m].
    residual_m : float or None
        Level taken minus level of the corrected surface [m]; None off the floor.
    leave_one_out_m : float or None
        The same against the surface as corrected by all other shots [m]; None where the
        others do not fix a plane without it.
    used : bool
    why : str
        Why it was not used; empty where it was.
    """

    name: str
    place_m: tuple[float, float]
    z_m: float
    residual_m: float | None
    leave_one_out_m: float | None
    used: bool
    why: str = ""


@dataclass(frozen=True)
class ControlFit:
    """What control shots said of a scan, and what is left.

    Attributes
    ----------
    shots : tuple of HeldShot
        All that were given, in their order.
    tilt : float
        Slope that was taken out of the heights [m/m].
    tilt_bearing_rad : float or None
        Where the scan stood too high, clockwise from +y; None without a tilt.
    warp_m : float
        Root mean square over the floor of the bend that was taken out [m].
    offset_m : float or None
        What was added to the mean level of the floor [m]; None where the shots have no
        benchmark and the height stays the scan's own.
    error_m : float
        Median of the errors that were stated or taken for the shots [m].
    before, after : SharedError
        What all cells share, of the sensor and after control.
    notes : tuple of str
        What was assumed on the way to levels and places.
    doubtful : tuple of str
        Names of used shots of which one may be wrong, which ``after`` allows for.
    suspects : tuple of str
        Names of those that are to be read again before anything is ordered.
    drift : Drift, optional
        What was taken out, where no shot is in doubt: what is left is drawn from it.
    nodes_m : (m, 2) array, optional
        Places spread evenly over the whole floor, over whose mean the level stays the scan's own
        where the shots have no benchmark [m].
    """

    shots: tuple[HeldShot, ...]
    tilt: float
    tilt_bearing_rad: float | None
    warp_m: float
    offset_m: float | None
    error_m: float
    before: SharedError
    after: SharedError
    notes: tuple[str, ...] = ()
    doubtful: tuple[str, ...] = ()
    suspects: tuple[str, ...] = ()
    drift: Drift | None = field(default=None, compare=False)
    nodes_m: NDArray[np.float64] | None = field(default=None, compare=False)

    @property
    def used(self) -> tuple[HeldShot, ...]:
        """Shots that the correction rests on."""
        return tuple(shot for shot in self.shots if shot.used)

    @property
    def rms_m(self) -> float:
        """Root mean square of the residuals of the shots that were used [m]."""
        return _rms([shot.residual_m for shot in self.used]) or 0.0

    @property
    def leave_one_out_rms_m(self) -> float | None:
        """Root mean square of their leave-one-out errors [m]; None where there are none."""
        return _rms([shot.leave_one_out_m for shot in self.used])


def _rms(values: list[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    if not known:
        return None
    return float((sum(value * value for value in known) / len(known)) ** 0.5)
