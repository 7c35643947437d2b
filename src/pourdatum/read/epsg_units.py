"""The unit of a reference system that is named by its code alone.

A bare code is looked up in a short table of systems that are met on sites: the world's
transverse zones and national grids in metres, and the state grids of the United States,
where some states keep the international and some the survey foot. A code that is not
here is asked about, never guessed.

Source: EPSG register of geodetic parameters, units of the axes of each system.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

_PLANS: Final = {
    "us-ft": (
        "2225-2250 2254-2255 2257-2264 2267-2268 2271-2272 2274-2279 2283-2289 2870-2895 "
        "2899-2900 2902-2908 2911-2912 2915-2920 2924-2930 2964-2968 3417-3438 3441-3446 "
        "3451-3459 3485 3487 3490-3512/2 3515-3553/2 3560-3570 3582-3586/2 3598 3600 "
        "3608-3632/2 3640 3642 3650-3654/2 3658-3664/2 3668-3674/2 3677 3680 3683 3686-3692/2 "
        "3696-3700/2 3728-3739 3753-3760 6411 6413 6416-6438/2 6441-6479/2 6484-6492/2 "
        "6501-6507/2 6510 6517-6543/2 6549-6555/2 6563 6565 6568 6572-6578/2 6582-6590/2 "
        "6593-6609/2 6612-6618/2 26729-26760 26766-26787 26791-26799 26801-26803 32001-32003 "
        "32005-32031 32033-32058"
    ),
    "ft": (
        "2222-2224 2251-2253 2256 2265-2266 2269-2270 2273 2280-2282 2867-2869 2896-2898 2901 "
        "2909-2910 2913-2914 2921-2923 3479-3483/2 3588 3590 3593 3605 3634 3636 3644-3648/2 "
        "3656 3676 3679 3682 6405-6409/2 6494 6496 6499 6515 6545 6547 6557-6561/2 6570"
    ),
    "m": (
        # Transverse zones of the world, of Europe and of North America; grids of Australia.
        "32601-32660 32701-32760 25828-25838 26901-26923 6328-6348 28348-28359 7846-7859 "
        # National grids.
        "2056 2154 2193 3006 3067 27700 28992 31370 "
        # State grids of the United States in metres.
        "3480-3488/2 3489-3513/2 3514-3554/2 3583-3591/2 3599 3609-3637/2 3641-3665/2 "
        "3669-3675/2 3678 3681 6406-6414/2 6415-6439/2 6440-6480/2 6485-6497/2 6498-6508/2 "
        "6516-6566/2 6567-6579/2 6583-6591/2 6592-6610/2 6611-6617/2 26929-26946 26948-26998 "
        "32107-32130 32133-32158"
    ),
}
_HEIGHTS: Final = {
    "us-ft": "5702 6360",
    "ft": "6130-6132 8228",
    "m": "3855 3886 5701 5703 5705 5709-5711 5714 5720 5728 5773 5783 7837",
}


def _codes(listed: str) -> Iterator[int]:
    for part in listed.split():
        span, _, step = part.partition("/")
        first, _, last = span.partition("-")
        yield from range(int(first), int(last or first) + 1, int(step or 1))


_PLAN_UNITS: Final = {code: unit for unit, listed in _PLANS.items() for code in _codes(listed)}
_HEIGHT_UNITS: Final = {code: unit for unit, listed in _HEIGHTS.items() for code in _codes(listed)}


def plan_unit_of(code: int | None) -> str | None:
    """Name of the unit of a projected system, a name of ``units.LENGTH_UNITS``; None if unknown.

    Examples
    --------
    >>> plan_unit_of(32632), plan_unit_of(2229), plan_unit_of(2256), plan_unit_of(1)
    ('m', 'us-ft', 'ft', None)
    """
    return None if code is None else _PLAN_UNITS.get(code)


def height_unit_of(code: int | None) -> str | None:
    """Name of the unit of a system of heights; None if unknown.

    Examples
    --------
    >>> height_unit_of(5703), height_unit_of(6360), height_unit_of(5103)
    ('m', 'us-ft', None)
    """
    return None if code is None else _HEIGHT_UNITS.get(code)
