"""How a contract samples a floor with a straightedge: where it is laid, and how many must keep.

A criterion of straightedges may end in ``@`` and the sampling: ``@95%`` (so many of all places),
``@grid3m`` or ``@grid10ft`` (both ways at the nodes of a grid), ``@20readings``, ``@4per100m2``,
and a share after any of them: ``@grid3m,90%``. Without it a straightedge is laid everywhere and
none may exceed the limit, which is the strictest reading.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Final

from pourdatum.units import FOOT_M

_SHARE: Final = re.compile(r"(\d+(?:\.\d+)?)%")
_GRID: Final = re.compile(r"grid(\d+(?:\.\d+)?)(m|ft)")
_READINGS: Final = re.compile(r"(\d+)readings")
_PER: Final = re.compile(r"(\d+)per(\d+(?:\.\d+)?)m2")
FORMS: Final = "@95%, @grid3m, @20readings, @4per100m2, or two of them like @grid3m,90%"


@dataclass(frozen=True)
class Sampling:
    """Where straightedges are laid and how many of them must keep the limit.

    Attributes
    ----------
    grid_m : float or None
        Both ways at the nodes of a grid of that pitch [m].
    readings : int or None
        At least so many, on the widest grid that gives them.
    per_m2 : float or None
        The same, by area [1/m²].
    share : float
        Of the straightedges laid, how many must keep the limit; 1 for all.
    """

    grid_m: float | None = None
    readings: int | None = None
    per_m2: float | None = None
    share: float = 1.0

    @property
    def everywhere(self) -> bool:
        """Whether a straightedge is laid in all places and directions."""
        return self.grid_m is None and self.readings is None and self.per_m2 is None

    def least(self, area_m2: float) -> int | None:
        """Straightedges that are to be laid at the least on an area; None where a grid says."""
        if self.per_m2 is not None:
            return max(math.ceil(self.per_m2 * area_m2 - 1e-9), 1)
        return self.readings

    def allowed(self, laid: int) -> int:
        """How many of the straightedges laid may exceed the limit."""
        return math.floor((1.0 - self.share) * laid + 1e-9)


EVERYWHERE: Final = Sampling()
"""All places and directions, and none may exceed."""


def split_sampling(criterion: str) -> tuple[str, Sampling]:
    """A criterion and its sampling.

    Parameters
    ----------
    criterion : str
        As a user writes it.

    Raises
    ------
    ValueError
        If what follows ``@`` is no sampling.

    Examples
    --------
    >>> split_sampling("3mm/2m@grid3m,90%")
    ('3mm/2m', Sampling(grid_m=3.0, readings=None, per_m2=None, share=0.9))
    >>> split_sampling("BS8204:SR2")[1].everywhere
    True
    """
    name, at, text = criterion.partition("@")
    if not at:
        return criterion, EVERYWHERE
    said: dict[str, float] = {}
    for word in text.split(","):
        key, value = _read(word)
        if key in said or (key != "share" and set(said) - {"share"}):
            raise ValueError(f"sampling '{text}' says two things of one kind: write {FORMS}")
        said[key] = value
    readings = said.get("readings")
    return name, Sampling(
        said.get("grid"),
        None if readings is None else int(readings),
        said.get("per"),
        said.get("share", 1.0),
    )


def _read(word: str) -> tuple[str, float]:
    if found := _SHARE.fullmatch(word):
        share = float(found[1]) / 100.0
        if 0.5 <= share <= 1.0:
            return "share", share
    elif found := _GRID.fullmatch(word):
        pitch_m = float(found[1]) * (1.0 if found[2] == "m" else FOOT_M)
        if 0.2 <= pitch_m <= 50.0:
            return "grid", pitch_m
    elif found := _READINGS.fullmatch(word):
        if 1 <= int(found[1]) <= 100_000:
            return "readings", float(found[1])
    elif (found := _PER.fullmatch(word)) and int(found[1]) and float(found[2]):
        return "per", int(found[1]) / float(found[2])
    raise ValueError(
        f"sampling '{word}' is not known or out of range (50 to 100 %, a grid of 0.2 to 50 m): "
        f"write {FORMS}"
    )
