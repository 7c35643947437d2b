"""The two parts of an error budget, and how they combine.

Point noise averages out over a floor; tilt, warp and datum are shared by every
cell and do not. A volume over area A whose datum is uncertain by s is uncertain by
A s, however many cells there are. Parts combine as variances (JCGM 100:2008,
clause 5.1), an interval of 95 % is 1.96 standard uncertainties of a normal
distribution (JCGM 100:2008, table G.1).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

SensorKind = Literal["tripod", "mobile", "phone"]

COVER_95: Final = 1.959964
"""Standard normal quantile of 97.5 %."""

RAYLEIGH_95: Final = math.sqrt(-2.0 * math.log(0.05))
"""Length that a vector of two independent standard normal parts keeps below in 95 % of cases."""


@dataclass(frozen=True)
class SharedError:
    """What every cell of a scan shares, one standard deviation each.

    Attributes
    ----------
    tilt_rad : float
        Of the vertical about each plan axis.
    warp_m : float
        Of slow bending over the length of the floor.
    datum_m : float
        Of the level as a whole, against the scan's own zero.
    source : str
        Where the figures come from, in words.
    scale : float
        Of lengths in plan, as a share of them.
    middle_m : tuple of 2 floats, optional
        Where the scan's level holds, of a surface that is part of a larger floor [m].
    reach_m : float, optional
        How far that floor reaches from there [m].
    """

    tilt_rad: float
    warp_m: float
    datum_m: float
    source: str
    scale: float = 0.0
    middle_m: tuple[float, float] | None = None
    reach_m: float | None = None


UNSEEN_M: Final = 0.0015
"""Standard uncertainty of the mean level of floor under things, about its surroundings [m].
A choice: slabs turn by about that much within a crate's length."""

SENSORS: Final[dict[SensorKind, SharedError]] = {
    # A dual-axis compensator of a few seconds of arc (common practice, no source); heights
    # against precise levelling agree to 0.2 mm (Bodoczi, Pintye and Kciuk 2025); a range errs
    # by about a millimetre (Soudarissanane et al. 2009), here over 10 m.
    "tripod": SharedError(3e-5, 0.0002, 0.0, "tripod scanner, compensator on", 1e-4),
    # Inertial vertical and scan matching; common practice, no source.
    "mobile": SharedError(1e-3, 0.003, 0.0, "hand-held mapper", 5e-4),
    # Vertical of a phone about 0.2 degrees, centimetre warp and lengths that are out by 10 to
    # 20 mm in a hall (Teo and Yang 2023 and others).
    "phone": SharedError(3.5e-3, 0.008, 0.0, "phone or tablet", 1e-3),
}


LEVELLING: Final = SharedError(5e-5, 0.0, 0.0, "levelling instrument")
"""Single levels by staff: collimation left after a two-peg check and sights of unequal
length, 0.05 mm per m; common practice, no source."""


def sensor_from_noise(noise_m: float) -> SensorKind:
    """The sensor that a point noise speaks for, where nobody said which it was.

    Examples
    --------
    >>> sensor_from_noise(0.0015), sensor_from_noise(0.004), sensor_from_noise(0.009)
    ('tripod', 'mobile', 'phone')
    """
    if noise_m < 0.003:
        return "tripod"
    return "mobile" if noise_m < 0.006 else "phone"


def interval(value: float, standard_uncertainty: float) -> tuple[float, float]:
    """The 95 % interval about a value.

    Examples
    --------
    >>> interval(10.0, 1.0)
    (8.040036, 11.959964)
    """
    half = COVER_95 * standard_uncertainty
    return value - half, value + half


def combined(*parts: float) -> float:
    """Standard uncertainty of a sum of independent parts.

    Examples
    --------
    >>> combined(3.0, 4.0)
    5.0
    """
    return float(np.sqrt(sum(part * part for part in parts)))


def mean_error_m(
    standard_error_m: NDArray[np.float64], chosen: NDArray[np.bool_], reach_cells: float
) -> float:
    """Standard error of the mean height over many cells whose own errors overlap.

    Neighbouring cells of a local fit share their points; cells within ``reach_cells``
    of one another are taken as one.

    Parameters
    ----------
    standard_error_m : (ny, nx) array
    chosen : (ny, nx) bool array
    reach_cells : float
        Standard deviation of the fit's weights, in cells.
    """
    own = standard_error_m[chosen]
    own = own[np.isfinite(own)]
    if own.size == 0:
        return 0.0
    blocks = max(own.size / (4 * np.pi * reach_cells**2), 1.0)
    return float(np.sqrt(np.mean(own**2) / blocks))
