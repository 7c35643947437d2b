"""Depth and level as GeoTIFF, on the scan's own plan: north up, area pixels, NaN where no floor is.

Tags and keys are those of OGC GeoTIFF 1.1 (OGC 19-008r4); no-data and the names of bands are
GDAL's two private tags. Values are rounded to powers of two below a micrometre, which is far under
what matters and lets them be packed.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from xml.sax.saxutils import escape, quoteattr

import numpy as np
from numpy.typing import NDArray

from pourdatum.optional import need
from pourdatum.units import MM
from pourdatum.write.ownframe import OwnFrame, own_frame

if TYPE_CHECKING:
    from pourdatum.outcome import Plan, Survey

Array = NDArray[np.float64]

_DEPTH_STEP_MM: Final = 2.0**-10
_LEVEL_STEP_M: Final = 2.0**-20
_LINEAR: Final = {"m": 9001, "ft": 9002, "us-ft": 9003}
"""Codes of units of length in the EPSG register."""
_PIXEL_SCALE, _TIE_POINT, _KEYS, _DOUBLES, _TEXTS = 33550, 33922, 34735, 34736, 34737
_BAND_NAMES, _NO_DATA = 42112, 42113
_USER_DEFINED: Final = 32767
_TILE: Final = 256


def write_geotiff(outcome: Survey | Plan, path: str | Path) -> None:
    """Write a plan's depth [mm] and level [m], or a survey's level [m] alone.

    Parameters
    ----------
    outcome : Survey or Plan
        Finished result.
    path : str or Path
        File to write; the same result gives the same bytes.

    Raises
    ------
    OSError
        If it cannot be written.
    MissingExtra
        If tifffile does not load.
    """
    from pourdatum.outcome import Plan

    tifffile = need("tifffile", purpose="writing GeoTIFF", extra="base")
    survey = outcome.survey
    surface = outcome.surface
    known = surface.measured | surface.inferred
    bands: list[tuple[str, str, Array]] = []
    if isinstance(outcome, Plan):
        depth = _stepped(outcome.depth_m * MM, _DEPTH_STEP_MM)
        bands.append(("depth of the pour", "mm", depth))
    if survey.scan.level_known:
        level = surface.height_m + surface.origin_m[2]
        bands.append(("level of the floor in the vertical of the scan", "m",
                      _stepped(level, _LEVEL_STEP_M)))  # fmt: skip
    else:
        over = surface.above_plane_m()
        bands.append(("height over the floor's own best-fit plane", "m",
                      _stepped(over, _LEVEL_STEP_M)))  # fmt: skip
    # The first row of a picture is the northernmost.
    data = np.stack([np.where(known, value, np.nan)[::-1] for _, _, value in bands])
    own = own_frame(survey.scan.frame, survey.origin_m)
    grid = surface.grid
    west_north_m = np.array([[grid.x0_m, grid.y_m[-1]]]) + [[-0.5, 0.5]] * np.array([grid.cell_m])
    tifffile.imwrite(
        Path(path),
        data,
        photometric="minisblack",
        planarconfig="separate" if len(bands) > 1 else None,
        tile=(_TILE, _TILE),
        compression="adobe_deflate",
        metadata=None,
        software="pourdatum",
        extratags=_tags(own, survey.scan.epsg, west_north_m, grid.cell_m, bands),
    )


def _stepped(value: Array, step: float) -> Array:
    out: Array = np.round(value / step) * step
    return out


def _tags(
    own: OwnFrame,
    epsg: int | None,
    west_north_m: Array,
    cell_m: float,
    bands: list[tuple[str, str, Array]],
) -> list[tuple[int, str, int, Any, bool]]:
    """Where the picture lies, in which system, and what its bands are."""
    west, north = own.plan(west_north_m)[0].tolist()
    side = own.length(cell_m)
    keys, doubles, text = geo_keys(own, epsg)
    told = "".join(
        f'<Item name="DESCRIPTION" sample="{number}" role="description">{escape(name)}</Item>'
        f'<Item name="UNITTYPE" sample="{number}" role="unittype">{escape(unit)}</Item>'
        for number, (name, unit, _) in enumerate(bands)
    )
    about = (
        f"Plan coordinates of the scan in {own.words}; depth is datum minus floor as ground, "
        "positive where material is missing"
    )
    names = f"<GDALMetadata><Item name={quoteattr('COMMENT')}>{escape(about)}</Item>{told}"
    tags: list[tuple[int, str, int, Any, bool]] = [
        (_PIXEL_SCALE, "d", 3, (side, side, 0.0), True),
        (_TIE_POINT, "d", 6, (0.0, 0.0, 0.0, west, north, 0.0), True),
        (_KEYS, "H", len(keys), tuple(keys), True),
        (_TEXTS, "s", 0, text, True),
        (_BAND_NAMES, "s", 0, f"{names}</GDALMetadata>", True),
        (_NO_DATA, "s", 0, "nan", True),
    ]
    if doubles:
        tags.append((_DOUBLES, "d", len(doubles), tuple(doubles), True))
    return tags


def geo_keys(own: OwnFrame, epsg: int | None) -> tuple[list[int], list[float], str]:
    """Directory of keys, its doubles and its text: a system of the register, or a plan of its own.

    Examples
    --------
    >>> geo_keys(OwnFrame("m", 1.0, (0.0, 0.0, 0.0)), 2193)[0][4:]
    [1024, 0, 1, 1, 1025, 0, 1, 1, 1026, 34737, 29, 0, 3072, 0, 1, 2193]
    """
    text = "plan coordinates of the scan|"
    entries = [(1025, 0, 1, 1), (1026, _TEXTS, len(text), 0)]  # a pixel is an area
    doubles: list[float] = []
    if epsg is not None:
        entries = [(1024, 0, 1, 1), *entries, (3072, 0, 1, epsg)]
    else:
        # Without a kind of system it is a plan of its own, and readers take its unit.
        code = _LINEAR.get(own.unit, _USER_DEFINED)
        entries.append((3076, 0, 1, code))
        if code == _USER_DEFINED:
            doubles.append(own.unit_m)
            entries.append((3077, _DOUBLES, 1, 0))
    head = [1, 1, 1, len(entries)]
    return [*head, *(part for entry in entries for part in entry)], doubles, text
