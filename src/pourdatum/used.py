"""What was placed against what was meant and what was used: plan, bags, and why they may differ."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pourdatum.units import MM

if TYPE_CHECKING:
    from pourdatum.material import Sheet
    from pourdatum.placed import Placed

FAR = 1.3
"""Ratio of yields that water and spills do not explain; a choice."""
EVEN = 0.03
"""Share by which a yield may be off: what a bag is weighed to, and water within its tolerance."""

_DRY = "less water than stated, or air vented out of a mix that was stirred too fast"
_WET = "more water than stated: check the bucket's mark by weighing, test the floor"


@dataclass(frozen=True)
class BagsUsed:
    """Bags that were opened, against what they should have filled and did.

    Attributes
    ----------
    bags : int
    stated_m3 : float
        What a bag fills by its sheet [m³].
    found_m3 : float or None
        What one filled here [m³]; None where nothing measurable was placed.
    found_interval_m3 : tuple
        95 %.
    verdict : str
        "as stated", "less than stated", "more than stated", or that nothing measurable
        was placed.
    reasons : tuple of str
        What could explain a difference, the likeliest first; common practice, no source.
    """

    bags: int
    stated_m3: float
    found_m3: float | None
    found_interval_m3: tuple[float, float]
    verdict: str
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class AgainstPlan:
    """What was placed against a plan of the same floor.

    Attributes
    ----------
    same_scan : bool
        Whether the plan was made from BEFORE itself: only then its datum is in this frame.
    planned_m3 : float
    planned_interval_m3 : tuple
    difference_m3 : float
        Placed less planned.
    agrees : bool
        Whether the two intervals meet.
    datum_m : float or None
        Level of the plan in the scan's own vertical [m]; None of a fall, or of another scan.
    bags : int or None
        Expected by the plan.
    """

    same_scan: bool
    planned_m3: float
    planned_interval_m3: tuple[float, float]
    difference_m3: float
    agrees: bool
    datum_m: float | None = None
    bags: int | None = None


def stated_m3(sheet: Sheet) -> float:
    """What a bag fills by its sheet [m³]."""
    return sheet.bag_kg / sheet.powder_kg_per_m2_mm / MM


def bags_used(placed: Placed, bags: int, sheet: Sheet) -> BagsUsed:
    """Hold bags that were opened against what was placed.

    Parameters
    ----------
    placed : Placed
    bags : int
        1 or more.
    sheet : Sheet

    Returns
    -------
    BagsUsed
    """
    stated = stated_m3(sheet)
    low, high = (edge / bags for edge in placed.volume_interval_m3)
    ratio = placed.volume_m3 / (bags * stated)
    if placed.nothing:
        # Of nothing there is no yield.
        return BagsUsed(
            bags, stated, None, (low, high), "nothing measurable was placed",
            (
                "bags poured elsewhere, or left over",
                "AFTER made before the pour",
                *_moved(ratio),
            ),
        )  # fmt: skip
    if high < (1.0 - EVEN) * stated:
        return BagsUsed(
            bags, stated, placed.volume_m3 / bags, (low, high), "less than stated",
            (
                *_moved(ratio),
                "bags left over, spilt, or poured elsewhere",
                "material that ran into openings, gaps or beyond the edge",
                "floor scanned before preparation took something off it",
                *_water(ratio, _DRY),
            ),
        )  # fmt: skip
    if low > (1.0 + EVEN) * stated:
        return BagsUsed(
            bags, stated, placed.volume_m3 / bags, (low, high), "more than stated",
            (
                *_moved(ratio),
                *_water(ratio, _WET),
                "more bags than were counted, or of another size",
                "floor that was filled with something else first (pockets, cracks)",
            ),
        )  # fmt: skip
    return BagsUsed(bags, stated, placed.volume_m3 / bags, (low, high), "as stated", ())


def _moved(share: float) -> tuple[str, ...]:
    """First of all reasons where yield and volume are far apart."""
    if 1.0 / FAR < share < FAR:
        return ()
    return ("a ceiling that was boarded, lowered or raised between the scans: heights hang on it",)


def _water(ratio: float, text: str) -> tuple[str, ...]:
    """A reason that has to do with water, where water could do so much."""
    return (text,) if 1.0 / FAR < ratio < FAR else ()
