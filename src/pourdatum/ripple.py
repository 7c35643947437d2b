"""Whether what a profile holds is a regular ripple: a line in its spectrum.

Stripes that know nothing of one another have a broad spectrum: each of its N ordinates, over what
is expected there, is as good as drawn from one exponential distribution, and the largest holds no
more of them all than chance gives it. That share has a closed form (Fisher, Proc. R. Soc. Lond. A
125, 1929; from memory). Ridges of a trowel or a screed bar come at one distance over the whole
floor, and so stand in one ordinate or a few beside each other.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_TOGETHER: Final = (1, 2, 3, 4)
"""Ordinates that a line may lie in: ridges whose distance wanders a little need more of them."""
_SHARE: Final = 0.1
"""Of the greatest expected power, from which an ordinate says anything."""


def clearest_line(
    mean_m: Array, step_m: float, form: Callable[[Array], Array]
) -> tuple[float, float]:
    """The clearest line of a profile, and the chance that stripes without any order show as clear.

    Parameters
    ----------
    mean_m : (n,) array
        The profile, 0 where there is none [m].
    step_m : float
        From one of its values to the next [m].
    form : callable
        Expected power of stripes without order, up to a factor, at wave numbers [rad/m].

    Returns
    -------
    chance : float
        An upper bound: of all numbers of ordinates tried, and of ordinates between ordinates.
    wave_m : float
        Length of its waves [m].

    Examples
    --------
    >>> at_m = 0.05 * np.arange(160)
    >>> white = lambda k: np.ones_like(k)
    >>> chance, wave_m = clearest_line(np.sin(math.tau * at_m / 0.4), 0.05, white)
    >>> chance < 1e-9, round(wave_m, 3)
    (True, 0.4)
    >>> clearest_line(np.random.default_rng(1).normal(size=160), 0.05, white)[0] > 0.01
    True
    """
    from scipy.stats import beta

    size = mean_m.size
    at_m = step_m * np.arange(size)
    least, wave_m = 1.0, math.inf
    # A line may lie between two ordinates of the one set and on one of the other.
    for off in (0.0, 0.5):
        k: Array = math.tau * (np.arange(1.0, size // 2) + off) / (size * step_m)
        power = form(k)
        k, power = _telling(k, power)
        if k.size <= 2 * _TOGETHER[0]:
            continue
        own = np.abs(np.exp(-1j * np.outer(k, at_m)) @ mean_m) ** 2 / power
        share = own / max(float(own.sum()), 1e-300)
        for together in _TOGETHER:
            if 2 * together >= share.size:
                break
            shares = np.convolve(share, np.ones(together), "valid")
            top = int(shares.argmax())
            # m of N equal exponentials hold a share that is Beta(m, N - m).
            chance = float(beta.sf(shares[top], together, share.size - together))
            chance *= 2 * len(_TOGETHER) * shares.size
            if chance < least:
                line = slice(top, top + together)
                middle = float(np.average(k[line], weights=share[line]))
                least, wave_m = chance, math.tau / middle
    return least, wave_m


def _telling(k: Array, power: Array) -> tuple[Array, Array]:
    """The ordinates around the greatest expected one at which enough is expected."""
    if not power.size:
        return k, power
    top = int(power.argmax())
    poor = np.flatnonzero(power <= _SHARE * power[top])
    first = int(poor[poor < top].max(initial=-1)) + 1
    last = int(poor[poor > top].min(initial=power.size))
    return k[first:last], power[first:last]
