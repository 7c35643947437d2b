"""A way to a floor, what it takes and what stands against it; and ways side by side."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from pourdatum.lifts import Lift
from pourdatum.material import Sheet
from pourdatum.pockets import Pocket, Thin


@dataclass(frozen=True)
class Way:
    """One combination, what it takes, and what stands against it.

    Attributes
    ----------
    lifts : tuple of Lift
        In their order; the last is the pour.
    rise_m : float
        Of the datum against the one asked for, before any grinding; negative is lower [m].
    ground_m3, ground_m2 : float
        Concrete to take off.
    pockets : tuple of Pocket
        Filled first.
    cost : float or None
        Bags with labour, and grinding; None where a price is missing.
    mass_kg_per_m2 : float
        Wet, of all lifts at the deepest place.
    wait_h : float or None
        From the first lift to the last; 0 of one lift.
    walk_h, cover_h : float or None
        From the first lift on; the deepest place decides. None where a sheet does not say.
    against : tuple of str
        Why it does not work; empty where it does.
    asked, invented : bool
        Whether it is the plan as asked; whether it takes a sheet that is invented.
    stop_ends_m : float
        Behind which lifts end before they run out too thin [m].
    """

    lifts: tuple[Lift, ...]
    rise_m: float
    ground_m3: float
    ground_m2: float
    pockets: tuple[Pocket, ...]
    cost: float | None
    mass_kg_per_m2: float
    wait_h: float | None
    walk_h: float | None
    cover_h: float | None
    against: tuple[str, ...] = ()
    asked: bool = False
    invented: bool = False
    stop_ends_m: float = 0.0

    @property
    def works(self) -> bool:
        """Whether it can be built."""
        return not self.against

    @property
    def sheet(self) -> Sheet:
        """Of the pour."""
        return self.lifts[-1].sheet

    @property
    def volume_m3(self) -> float:
        """Of all lifts."""
        return math.fsum(lift.volume_m3 for lift in self.lifts)

    @property
    def powder_kg(self) -> float:
        """Of all lifts, without waste."""
        return math.fsum(lift.powder_kg for lift in self.lifts)

    @property
    def bags(self) -> int:
        """Of all lifts, whole bags for each."""
        return sum(lift.bags for lift in self.lifts)


@dataclass(frozen=True)
class Ways:
    """Ways, the best first, then those that do not work; and what is out of range as asked.

    Thin places are listed where they are more than small patches together.
    """

    each: tuple[Way, ...] = ()
    pockets: tuple[Pocket, ...] = ()
    thin: tuple[Thin, ...] = ()

    @property
    def best(self) -> Way | None:
        """The first that works."""
        return next((way for way in self.each if way.works), None)

    @property
    def nearest(self) -> Way | None:
        """The best, or the one with the least against it."""
        if not self.each:
            return None
        return self.best or min(self.each, key=lambda way: (len(way.against), way.powder_kg))


NO_WAYS: Final = Ways()
