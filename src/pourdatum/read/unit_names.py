"""Whether the name that a reference system gives a unit agrees with its factor.

International foot (0.3048 m, EPSG 9002) and US survey foot (1200/3937 m, EPSG 9003) are two
units; a plain "foot" may be either, and there the factor tells. A factor that was rounded
agrees with the name it was rounded for, unless it is the exact factor of another unit.
"""

from __future__ import annotations

import math
import re
from decimal import Decimal, InvalidOperation
from typing import Final

from pourdatum.read.look import UnitDoubt
from pourdatum.units import LENGTH_UNITS

SAME_FACTOR: Final = 1e-7
"""Relative; the two feet differ by 2e-6, and writers round to seven digits."""
_NAMES: Final = {
    ("m",): "m metre metres meter meters",
    ("cm",): "cm centimetre centimetres centimeter centimeters",
    ("mm",): "mm millimetre millimetres millimeter millimeters",
    ("ft", "us-ft"): "ft foot feet",
    ("ft",): "ift intfoot intlfoot internationalfoot internationalfeet footinternational "
             "feetinternational footintl feetintl",
    ("us-ft",): "usft ftus sft usfoot usfeet footus feetus surveyfoot surveyfeet ussurveyfoot "
                "ussurveyfeet ussurveyft footussurvey feetussurvey unitedstatessurveyfoot",
}  # fmt: skip
_MEANT: Final = {word: units for units, words in _NAMES.items() for word in words.split()}
_CODES: Final = {9001: "m", 9002: "ft", 9003: "us-ft", 1025: "mm", 1033: "cm"}
"""Codes of the EPSG register."""


def unit_of_factor(factor: float) -> str | None:
    """Our name of the unit with that factor [m], if there is one."""
    for name, exact in LENGTH_UNITS.items():
        if math.isclose(factor, exact, rel_tol=SAME_FACTOR):
            return name
    return None


def unit_meant(name: str, written: str, code: int | None = None) -> str | UnitDoubt | None:
    """The unit that a name with a factor, and a code of the register, mean together.

    Parameters
    ----------
    name, written : str
        As the file has them, the factor as a number in text.
    code : int, optional
        Of the unit in the EPSG register, if the file gives it.

    Returns
    -------
    str, UnitDoubt or None
        A name of ``LENGTH_UNITS``; a doubt where they contradict each other; None where
        neither name nor code nor factor is one that we know.

    Examples
    --------
    >>> unit_meant("US survey foot", "0.30480061"), unit_meant("foot", "0.3048")
    ('us-ft', 'ft')
    >>> unit_meant("US survey foot", "0.3048").choices
    ('us-ft', 'ft')
    """
    by_factor = unit_of_factor(float(written))
    claims = [(f"'{name[:30]}'", _MEANT.get(re.sub("[^a-z]", "", name.lower()), ()))]
    if code in _CODES:
        claims.append((f"EPSG:{code}", (_CODES[code],)))
    found = by_factor
    for said, units in claims:
        if not units or by_factor in units:
            continue
        fitting = [unit for unit in units if _rounds_to(written, LENGTH_UNITS[unit])]
        if by_factor is not None or len(fitting) != 1 or found not in (None, *fitting):
            of_factor = f" (that is {by_factor})" if by_factor else ""
            choices = dict.fromkeys((*units, *([by_factor] if by_factor else [])))
            return UnitDoubt(f"{said} with the factor {written[:24]}{of_factor}", tuple(choices))
        found = fitting[0]
    return found


def _rounds_to(written: str, exact: float) -> bool:
    try:
        number = Decimal(written)
    except InvalidOperation:
        return False
    half = 0.5 * 10.0 ** int(number.as_tuple().exponent)
    return abs(float(number) - exact) <= min(half, 1e-3 * exact)
