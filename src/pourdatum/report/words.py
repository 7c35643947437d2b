r"""Words and figures as people read them: foreign text made safe, numbers with units.

Examples
--------
>>> plain("Annex\u202e <b>\x07")
'Annex <b>'
>>> escaped('"Annex" <b>')
'&quot;Annex&quot; &lt;b&gt;'
>>> span(0.0021, 0.0118, "metric")
'2.1 to 11.8 mm'
"""

from __future__ import annotations

import html
import re
import unicodedata
from typing import TYPE_CHECKING, Final

from pourdatum.filling import NUMBERS
from pourdatum.pour import Pump
from pourdatum.units import (
    FOOT_M,
    INCH_M,
    MM,
    POUND_KG,
    US_GALLON_L,
    System,
    show_fall,
    show_fine,
    show_height,
    show_limit,
    show_size,
    show_volume,
)

if TYPE_CHECKING:
    from pourdatum.pour import Crew

MINUS: Final = "\u2212"
NOT_GIVEN: Final = "not given"
_KNOWN_BETTER: Final = 0.9
"""Share of its interval from which a fill to a level that is set out is known no better."""
# Marks that turn or hide the text around them; a title has no use for them.
_TURNING: Final = frozenset(
    "\u061c\u200b\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2060\u2066\u2067\u2068\u2069\ufeff"
)


# Warnings speak of the keys of the result file where scripts read them; here people do.
_FOR_PEOPLE: Final = {
    "no-price": "No price per bag was given, so no cost is worked out.",
    "no-primer": "The material's sheet names no primer for this substrate.",
    "grind-not-priced": "Grinding is not planned; the humps are listed all the same.",
}


_SIGNED_NOTHING: Final = re.compile(r"-(0(?:\.0+)?(?![\d.]))")


def for_people(code: str, text: str) -> str:
    """A warning without the keys of the result file, for page and terminal.

    Examples
    --------
    >>> for_people("no-price", "no price per bag is given: cost is null")
    'No price per bag was given, so no cost is worked out.'
    """
    for null in (": depth_mm is null", ": along_across_m is null", ": staff_mm is null"):
        text = text.replace(null, "")
    text = text.replace("; worth is null", ": grinding is not weighed against filling")
    return _FOR_PEOPLE.get(code, text)


def plain(text: object, limit: int = 160) -> str:
    r"""Foreign text on one line, without controls and turning marks, cut at a limit.

    Parameters
    ----------
    text : object
        A title, a name, a file name; anything else is shown as ``str`` gives it.
    limit : int
        Most characters kept; a longer text ends in an ellipsis.

    Examples
    --------
    >>> plain("two\nlines\ud800")
    'two lines'
    >>> plain("abcdef", limit=4)
    'abc…'
    """
    kept = []
    # Cut before the work, so that a text of megabytes costs nothing.
    for character in str(text)[: 8 * limit]:
        kind = unicodedata.category(character)
        if character.isspace() or kind in ("Zl", "Zp"):
            kept.append(" ")
        elif kind not in ("Cc", "Cs", "Cn", "Co") and character not in _TURNING:
            kept.append(character)
    line = " ".join("".join(kept).split())
    return line if len(line) <= limit else line[: limit - 1].rstrip() + "…"


def escaped(text: object, limit: int = 160) -> str:
    """``plain`` text, safe inside HTML and inside a quoted attribute."""
    return html.escape(plain(text, limit), quote=True)


def minus(text: str) -> str:
    """A shown number with a true minus sign, and none before what is shown as nothing.

    Examples
    --------
    >>> minus("-25.6 l"), minus("-0.0 mm"), minus("-0.03 l")
    ('−25.6 l', '0.0 mm', '−0.03 l')
    """
    return _SIGNED_NOTHING.sub(r"\1", text).replace("-", MINUS)


def span(low_m: float, high_m: float, system: System) -> str:
    """Two heights or depths as one range."""
    low, high = show_height(low_m, system), show_height(high_m, system)
    return minus(high if low == high else f"{low.rsplit(' ', 1)[0]} to {high}")


fall: Final = show_fall
limit: Final = show_limit
height_fine: Final = show_fine


def limits(least_m: float, greatest_m: float, system: System) -> str:
    """Two limits as one range, as they were stated.

    Examples
    --------
    >>> limits(0.002, 0.012, "metric")
    '2 to 12 mm'
    """
    return f"{limit(least_m, system).rsplit(' ', 1)[0]} to {limit(greatest_m, system)}"


def fall_fine(slope: float, system: System) -> str:
    """An uncertain slope, with one decimal more."""
    return show_fall(slope, system, 2)


def whole(value_m: float, system: System) -> str:
    """A size that is known to a millimetre at best, with a true minus sign."""
    return minus(show_size(value_m, system))


def volume_span(low_m3: float, high_m3: float, system: System) -> str:
    """Two volumes as one range, both in the same number of decimals.

    Examples
    --------
    >>> volume_span(0.0962, 0.1041, "metric")
    '96 to 104 l'
    """
    scale = MM / US_GALLON_L if system == "imperial" else MM
    unit = "US gal" if system == "imperial" else "l"
    decimals = 0 if max(abs(low_m3), abs(high_m3)) * scale >= 100 else 1
    low, high = (f"{v * scale:,.{decimals}f}".replace(",", " ") for v in (low_m3, high_m3))
    return minus(f"{low} to {high} {unit}")


def to_this_level(
    whole_m3: tuple[float, float], at_level_m3: tuple[float, float] | None, system: System
) -> str | None:
    """What goes in up to the level that was planned; None where that is known little better.

    Parameters
    ----------
    whole_m3 : tuple
        95 % interval of the fill that the floor needs.
    at_level_m3 : tuple or None
        Of the fill to the level as it is set out.
    system : str

    Examples
    --------
    >>> to_this_level((0.48, 0.54), (0.50, 0.52), "metric")
    '± 10.0 l if poured to this very level; the rest is how high the highest point really is'
    """
    if at_level_m3 is None:
        return None
    half_m3 = (at_level_m3[1] - at_level_m3[0]) / 2
    if half_m3 > _KNOWN_BETTER * (whole_m3[1] - whole_m3[0]) / 2:
        return None
    half = show_volume(half_m3, system)
    return (
        f"± {half} if poured to this very level; the rest is how high the highest point really is"
    )


def level(z_m: float, system: System) -> str:
    """A level in the scan's own vertical: to 0.1 mm, or to a thousandth of a foot.

    Examples
    --------
    >>> level(12.3454, "metric"), level(12.3454, "imperial")
    ('12.3454 m', '40.503 ft')
    """
    if system == "imperial":
        return minus(f"{z_m / FOOT_M:.3f} ft")
    return minus(f"{z_m:.4f} m")


def place(x_m: float, y_m: float, system: System) -> str:
    """A place in the scan's plan coordinates, to the centimetre or tenth of a foot.

    Examples
    --------
    >>> place(1.234, -5.0, "metric")
    '1.23, −5.00'
    >>> place(-0.0004, 3.2, "metric")
    '0.00, 3.20'
    """
    unit, decimals = (FOOT_M, 1) if system == "imperial" else (1.0, 2)
    x, y = (round(m / unit, decimals) + 0.0 for m in (x_m, y_m))
    return minus(f"{x:.{decimals}f}, {y:.{decimals}f}")


def percent(share: float) -> str:
    """A share in whole per cent.

    Examples
    --------
    >>> percent(0.876)
    '88 %'
    """
    return f"{100.0 * share:.0f} %"


def site_place(
    place_m: tuple[float, float], origin_m: tuple[float, float, float], system: System
) -> str:
    """A local place in the scan's plan coordinates."""
    return place(place_m[0] + origin_m[0], place_m[1] + origin_m[1], system)


def plan_unit(system: System) -> str:
    """Unit of places: m or ft."""
    return "ft" if system == "imperial" else "m"


def height_unit(system: System) -> tuple[str, float]:
    """Unit of depths and its size in metres: mm or in."""
    return ("in", INCH_M) if system == "imperial" else ("mm", 1.0 / MM)


def money(sum_of_it: float) -> str:
    """In whatever money the prices are: nobody stated which."""
    return f"{sum_of_it:,.2f}".replace(",", " ")


def water(litres: float, system: System, decimals: int = 1) -> str:
    """An amount of water or primer: litres, or US gallons."""
    if system == "imperial":
        return f"{litres / US_GALLON_L:,.{decimals}f} US gal".replace(",", " ")
    return f"{litres:,.{decimals}f} l".replace(",", " ")


def would_do(crew: Crew | Pump, system: System, *, joints: bool = False) -> str:
    """With which crew no stop-end would be needed.

    Examples
    --------
    >>> from pourdatum.pour import Crew
    >>> would_do(Crew(mixers=5), "metric")
    'with five mixers no stop-end would be needed'
    """
    if isinstance(crew, Pump):
        by = f"a pump of {water(crew.litres_per_minute, system, 0)} per minute"
    else:
        by = f"{NUMBERS[crew.mixers] if crew.mixers < len(NUMBERS) else crew.mixers} mixers"
    return f"with {by} no stop-end would be needed{' but at joints' * joints}"


def not_nothing(shown: str) -> str:
    """An amount that is there: what would show as nothing is less than the last digit shown.

    Examples
    --------
    >>> not_nothing("0.0 l"), not_nothing("0.00 m²"), not_nothing("2.3 l")
    ('less than 0.1 l', 'less than 0.01 m²', '2.3 l')
    """
    number, _, unit = shown.partition(" ")
    if float(number) != 0.0:
        return shown
    return f"less than {number[:-1]}1 {unit}"


def bag_mass(bag_kg: float, system: System) -> str:
    """What a bag holds."""
    return f"{bag_kg / POUND_KG:.1f} lb" if system == "imperial" else f"{bag_kg:g} kg"


def count(number: int | float) -> str:
    """A whole number with thin groups.

    Examples
    --------
    >>> count(1234567)
    '1 234 567'
    """
    return f"{number:,.0f}".replace(",", " ")
