"""From a 3D scan of a floor to a levelling plan, and after the pour to proof.

The story in plain calls::

    import pourdatum as pdm

    scan = pdm.read_scan("hall.laz")
    floor = pdm.find_floor(scan)
    surface = pdm.make_surface(scan, floor)
    plan = pdm.plan_pour(surface, pdm.read_job("job.toml"))
    pdm.write_results(plan, "hall-plan")

Names are fetched when they are first used, so that importing the package is quick.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from pourdatum.datum import choose_datum as choose_datum
    from pourdatum.errors import PourdatumError as PourdatumError
    from pourdatum.floor import find_floor as find_floor
    from pourdatum.job import read_job as read_job
    from pourdatum.pipeline import check_scans as check_scans
    from pourdatum.pipeline import plan_pour as plan_pour
    from pourdatum.pipeline import survey_floor as survey_floor
    from pourdatum.pipeline import write_results as write_results
    from pourdatum.read import read_scan as read_scan
    from pourdatum.register import register_scans as register_scans
    from pourdatum.sheetfile import read_sheet as read_sheet
    from pourdatum.surface import make_surface as make_surface
    from pourdatum.verify import verify_pour as verify_pour
    from pourdatum.volume import fill_volume as fill_volume

__version__: Final = "0.1.0"

_HOME_OF: Final = {
    "check_scans": "pipeline",
    "PourdatumError": "errors",
    "choose_datum": "datum",
    "fill_volume": "volume",
    "find_floor": "floor",
    "make_surface": "surface",
    "plan_pour": "pipeline",
    "read_job": "job",
    "read_scan": "read",
    "read_sheet": "sheetfile",
    "register_scans": "register",
    "survey_floor": "pipeline",
    "verify_pour": "verify",
    "write_results": "pipeline",
}

__all__ = ["__version__", *sorted(_HOME_OF)]


def __getattr__(name: str) -> Any:
    if name not in _HOME_OF:
        raise AttributeError(f"module 'pourdatum' has no attribute '{name}'")
    value = getattr(importlib.import_module(f"pourdatum.{_HOME_OF[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOME_OF])
