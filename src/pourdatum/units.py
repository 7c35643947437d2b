"""The only place where a unit becomes another.

Factors are exact. The international foot is 0.3048 m by the agreement of 1959;
the US survey foot is 1200/3937 m (Mendenhall order of 1893, retired by NIST and
NGS at the end of 2022, still met in files). At 1 000 000 ft they differ by 0.6 m.

Examples
--------
>>> round(length_m(5.0, "ft"), 4)
1.524
>>> show_height(0.0031, "metric")
'3.1 mm'
>>> show_volume(0.3802, "metric")
'380 l'
"""

from __future__ import annotations

from typing import Final, Literal

from pourdatum.errors import JobError

System = Literal["metric", "imperial"]

FOOT_M: Final = 0.3048
US_SURVEY_FOOT_M: Final = 1200.0 / 3937.0
INCH_M: Final = 0.0254
POUND_KG: Final = 0.45359237
US_GALLON_L: Final = 3.785411784
MM: Final = 1000.0
"""Millimetres in a metre, and litres in a cubic metre."""

LENGTH_UNITS: Final[dict[str, float]] = {
    "m": 1.0,
    "cm": 0.01,
    "mm": 0.001,
    "ft": FOOT_M,
    "us-ft": US_SURVEY_FOOT_M,
    "in": INCH_M,
}
"""Metres in one unit, by the names that options and job files use."""


def unit_m(name: str, *, where: str = "units") -> float:
    """Metres in one unit of the given name.

    Raises
    ------
    JobError
        If the name is none of ``LENGTH_UNITS``.
    """
    try:
        return LENGTH_UNITS[name]
    except KeyError:
        known = ", ".join(LENGTH_UNITS)
        raise JobError(
            f"unit '{name}' is not known", where=where, hint=f"use one of {known}", id="unit"
        ) from None


def length_m(value: float, name: str) -> float:
    """A length in the named unit, in metres."""
    return value * unit_m(name)


def show_height(value_m: float, system: System) -> str:
    """A height or depth as people read it: millimetres, or inches to 1/100."""
    if system == "imperial":
        return f"{value_m / INCH_M:.2f} in"
    return f"{value_m * MM:.1f} mm"


def show_length(value_m: float, system: System) -> str:
    """A plan length as people read it: metres, or feet."""
    if system == "imperial":
        return f"{value_m / FOOT_M:.2f} ft"
    return f"{value_m:.2f} m"


def show_area(value_m2: float, system: System) -> str:
    """An area as people read it: square metres, or square feet."""
    if system == "imperial":
        return f"{value_m2 / FOOT_M**2:.1f} ft²"
    return f"{value_m2:.2f} m²"


def show_volume(value_m3: float, system: System) -> str:
    """A volume as people read it: litres, or US gallons."""
    litres = value_m3 * MM
    if system == "imperial":
        return _with_fitting_decimals(litres / US_GALLON_L, "US gal")
    return _with_fitting_decimals(litres, "l")


def show_mass(value_kg: float, system: System) -> str:
    """A mass as people read it: kilograms, or pounds."""
    if system == "imperial":
        return f"{value_kg / POUND_KG:,.0f} lb".replace(",", " ")
    return f"{value_kg:,.0f} kg".replace(",", " ")


def show_limit(value_m: float, system: System) -> str:
    """A stated limit, without zeros that nobody stated.

    Examples
    --------
    >>> show_limit(0.012, "metric"), show_limit(0.0025, "metric"), show_limit(0.012, "imperial")
    ('12 mm', '2.5 mm', '0.47 in')
    """
    if system == "imperial":
        return show_height(value_m, system)
    return f"{value_m * MM:.6g} mm"


def show_fine(value_m: float, system: System) -> str:
    """A small height, with one decimal more."""
    if system == "imperial":
        return f"{value_m / INCH_M:.3f} in"
    return f"{value_m * MM:.2f} mm"


def show_size(value_m: float, system: System) -> str:
    """A size that is known to a millimetre or a twentieth of an inch at best.

    Examples
    --------
    >>> show_size(0.0404, "metric"), show_size(0.0404, "imperial")
    ('40 mm', '1.6 in')
    """
    if system == "imperial":
        return f"{value_m / INCH_M:.1f} in"
    return f"{value_m * MM:.0f} mm"


def show_fall(slope: float, system: System, decimals: int = 1) -> str:
    """A slope as people read it: mm per m, or inches per 10 feet, with a decimal more.

    Examples
    --------
    >>> show_fall(0.0018, "metric"), show_fall(0.0018, "imperial")
    ('1.8 mm per m', '0.22 in per 10 ft')
    """
    if system == "imperial":
        return f"{slope * 120:.{decimals + 1}f} in per 10 ft"
    return f"{slope * MM:.{decimals}f} mm per m"


def show_load(kg_per_m2: float, system: System) -> str:
    """A mass on an area as people read it.

    Examples
    --------
    >>> show_load(60.0, "metric"), show_load(60.0, "imperial")
    ('60.0 kg per m²', '12.3 lb per ft²')
    """
    if system == "imperial":
        return f"{kg_per_m2 * FOOT_M**2 / POUND_KG:.1f} lb per ft²"
    return f"{kg_per_m2:.1f} kg per m²"


def _with_fitting_decimals(value: float, unit: str) -> str:
    decimals = 0 if abs(value) >= 100 else 1
    return f"{value:,.{decimals}f} {unit}".replace(",", " ")
