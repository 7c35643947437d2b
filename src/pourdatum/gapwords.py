"""How the straightedges of a criterion were laid and what they came to, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pourdatum.decision import Rule, decide
from pourdatum.finding import WOULD
from pourdatum.uncertainty import COVER_95
from pourdatum.units import FOOT_M, System, show_fine, show_height, show_length
from pourdatum.worstgap import WorstGap, worst_gap

if TYPE_CHECKING:
    from pourdatum.criteria import GapLimit
    from pourdatum.sampling import Sampling
    from pourdatum.surface import Surface

EVERYWHERE_SAID: Final = "laid everywhere and in every direction"


def laid_in_words(sampling: Sampling, system: System) -> str:
    """Where straightedges are laid, and how many must keep, as the contract says."""
    if sampling.everywhere:
        said = EVERYWHERE_SAID
    elif sampling.grid_m is not None:
        said = f"laid both ways at the nodes of a grid of {edge_in_words(sampling.grid_m, system)}"
    elif sampling.readings is not None:
        said = f"laid both ways at the nodes of a grid that gives {sampling.readings} readings"
    else:
        assert sampling.per_m2 is not None
        said = (
            "laid both ways at the nodes of a grid that gives "
            f"{100.0 * sampling.per_m2:.10g} readings to 100 m²"
        )
    if sampling.share < 1.0:
        return f"{said}, and {100.0 * sampling.share:.4g} % of them must keep the limit"
    return f"{said}, and none may exceed the limit"


def edge_in_words(length_m: float, system: System) -> str:
    """A length as it was asked for, without zeros that nobody stated.

    Examples
    --------
    >>> edge_in_words(3.048, "imperial"), edge_in_words(2.0, "metric")
    ('10 ft', '2 m')
    """
    if system == "imperial":
        return f"{length_m / FOOT_M:.4g} ft"
    return f"{length_m:.4g} m"


def spot_in_words(
    place_m: tuple[float, float], origin_m: tuple[float, float, float], system: System
) -> str:
    """A local place in the scan's plan coordinates, in brackets.

    Examples
    --------
    >>> spot_in_words((1.5, 2.25), (310.0, 140.0, 0.0), "metric")
    '(311.50, 142.25)'
    """
    x, y = (
        show_length(at + own, system).split()[0] for at, own in zip(place_m, origin_m, strict=False)
    )
    return f"({x}, {y})"


def sampled_in_words(
    surface: Surface, limit: GapLimit, rule: Rule, worst: WorstGap, system: System
) -> tuple[list[str], str]:
    """What a sampling leaves to luck and what laying everywhere would say; the same in short."""
    assert worst.pitch_m is not None
    assert worst.keeps is not None
    pitch = show_length(worst.pitch_m, system)
    said = [
        f"the grid of {pitch} lies even about the middle of the floor, along its main directions",
        f"of all ways to lay it, {100.0 * worst.keeps:.0f} % would find the limit kept",
    ]
    caveat = f"on this laying of the grid; {100.0 * worst.keeps:.0f} % of all keep the limit"
    every = worst_gap(surface, limit)
    if every is not None:
        verdict = decide(every.value_m, every.error_m, upper=every.limit_m, rule=rule).verdict
        said.append(
            f"laid everywhere the worst gap is {show_fine(every.value_m, system)} ± "
            f"{show_fine(COVER_95 * every.error_m, system)}, by which the floor "
            f"{WOULD[verdict]}"
        )
        value, within = (
            show_height(one, system) for one in (every.value_m, COVER_95 * every.error_m)
        )
        caveat += f", and laid everywhere the floor {WOULD[verdict]}, {value} ± {within}"
    return said, caveat


def brief_of(worst: WorstGap, system: System) -> str:
    """What a reader is to know of a criterion that is decided, in one sentence; may be empty."""
    if worst.may_exceed:
        return (
            f"{worst.may_exceed} of {worst.places} places may exceed, and the value is the largest"
            " gap of the others"
        )
    if worst.rocks_m > worst.limit_m:
        return (
            "where it rocks on a hump no gap counts: held even there, its ends stand off"
            f" {show_height(worst.rocks_m, system)} at the most"
        )
    return ""
