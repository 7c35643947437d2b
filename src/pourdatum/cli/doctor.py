"""What is installed, what is missing, and the line to type."""

from __future__ import annotations

import importlib
import platform
import sys
from importlib.metadata import PackageNotFoundError, version
from typing import Final

from pourdatum import __version__

_BASE: Final = (
    ("numpy", "numpy", "arithmetic"),
    ("scipy", "scipy", "fits and image operations"),
    ("shapely", "shapely", "outlines"),
    ("laspy", "laspy", "LAS files"),
    ("lazrs", "lazrs", "LAZ files"),
    ("xarray", "xarray", "labelled grids"),
    ("h5netcdf", "h5netcdf", "surface.nc"),
    ("matplotlib", "matplotlib", "pictures and PDF"),
    ("ezdxf", "ezdxf", "drawings in DXF, read and written"),
    ("tifffile", "tifffile", "GeoTIFF"),
    ("pydantic", "pydantic", "job files and results"),
    ("click", "click", "the command line"),
    ("rich", "rich", "progress"),
)
_EXTRAS: Final = (
    ("fast", "numba", ("numba",), "compiled loops for large scans"),
    ("cluster", "distributed", ("distributed",), "more machines (--scheduler)"),
    ("e57", "pye57", ("pye57",), "E57 files"),
    ("page", "starlette", ("starlette",), "the page of `pourdatum open`"),
    ("page", "uvicorn", ("uvicorn",), "its server"),
    ("registration", "open3d", ("open3d", "open3d-cpu"), "two scans in one frame"),
)


def examine() -> tuple[list[str], bool]:
    """Lines to print, and whether all that the base needs is there."""
    lines = [f"pourdatum {__version__}, Python {platform.python_version()} on {sys.platform}", ""]
    broken = []
    for module, package, purpose in _BASE:
        found, reason = _try(module, (package,))
        lines.append(
            f"{'ok' if found else 'MISSING':<8} {package:<12} {found or reason:<12} {purpose}"
        )
        if not found:
            broken.append(package)
    lines.append("")
    for extra, module, packages, purpose in _EXTRAS:
        found, reason = _try(module, packages)
        state = "ok" if found else "not there"
        lines.append(f"{state:<8} {module:<12} {found or reason:<12} {purpose} (extra: {extra})")
        if not found:
            lines.append(f"  to get it: python -m pip install '.[{extra}]' in the project's folder")
            if reason.startswith("lib"):
                lines.append(
                    "  on Debian or Ubuntu: apt install libegl1 libgl1 libx11-6 libusb-1.0-0"
                )
    if broken:
        lines += ["", f"to mend the base: python -m pip install {' '.join(broken)}"]
    return lines, not broken


def _try(module: str, packages: tuple[str, ...]) -> tuple[str, str]:
    """Version where the module loads, else a reason."""
    try:
        importlib.import_module(module)
    except (ImportError, OSError) as reason:
        return "", str(reason).splitlines()[0][:80]
    for package in packages:
        try:
            return version(package), ""
        except PackageNotFoundError:
            continue
    return "there", ""
