"""Which files a command writes: the words of ``--files``, checked before any work."""

from __future__ import annotations

from typing import Final, Literal

from pourdatum.errors import JobError
from pourdatum.tomlfile import nearest

Command = Literal["survey", "plan", "verify"]

_ELSEWHERE: Final = ("drawing", "pdf", "geojson", "geotiff", "landxml", "netcdf", "laz")
"""Kinds that other programs open, and print."""
_WRITTEN: Final[dict[Command, tuple[str, ...]]] = {
    "survey": ("result", "report", "pictures", *_ELSEWHERE),
    "plan": ("result", "report", "pictures", "tables", *_ELSEWHERE),
    "verify": (
        "result",
        "report",
        "pictures",
        "drawing",
        "geojson",
        "geotiff",
        "landxml",
        "netcdf",
        "pdf",
    ),
}
_UNASKED: Final = ("result", "report", "pictures", "tables", "drawing")
_ALSO: Final = {
    "result.json": "result",
    "report.html": "report",
    "depth.png": "pictures",
    "levels.png": "pictures",
    "thickness.png": "pictures",
    "picture": "pictures",
    "humps.csv": "tables",
    "pins.csv": "tables",
    "table": "tables",
    "surface.nc": "netcdf",
    "surface": "netcdf",
    "report.pdf": "pdf",
    "depth.tif": "geotiff",
    "levels.tif": "geotiff",
    "tif": "geotiff",
    "points.csv": "tables",
    "classified.laz": "laz",
    "areas.geojson": "geojson",
    "drawing.dxf": "drawing",
    "dxf": "drawing",
    "surface.xml": "landxml",
    "batches.csv": "tables",
}


def choose_files(words: str | None, command: Command) -> tuple[str, ...]:
    """The kinds of file to write, in order, from a list such as ``result,report``.

    Parameters
    ----------
    words : str or None
        As typed: names of kinds or of files, or ``all``; None for the default.
    command : str
        Which command asks.

    Raises
    ------
    JobError
        If a word is not known, or names what this version does not write.

    Examples
    --------
    >>> choose_files("report, result.json", "plan")
    ('result', 'report')
    >>> choose_files(None, "survey")
    ('result', 'report', 'pictures', 'drawing')
    """
    possible = _WRITTEN[command]
    if words is None:
        return tuple(kind for kind in possible if kind in _UNASKED)
    asked = [word.strip().lower() for word in words.split(",") if word.strip()]
    if not asked:
        raise JobError(
            "the list is empty", where="--files", hint=f"use {_some(possible)}", id="files"
        )
    chosen: set[str] = set()
    for word in asked:
        kind = _ALSO.get(word, word)
        if kind == "all":
            chosen.update(possible)
        elif kind in possible:
            chosen.add(kind)
        else:
            raise _refusal(word, kind, possible, command)
    return tuple(kind for kind in possible if kind in chosen)


def _refusal(word: str, kind: str, possible: tuple[str, ...], command: Command) -> JobError:
    if kind.endswith(".csv"):
        message = f"'{word}' is not in this version"
    elif any(kind in kinds for kinds in _WRITTEN.values()):
        message = f"{command} has nothing to write as '{word}'"
    else:
        message = f"'{word}' is not known"
        if close := nearest(word, [*possible, "all"]):
            message += f" (did you mean {close}?)"
    return JobError(message, where="--files", hint=f"use {_some(possible)}", id="files")


def _some(possible: tuple[str, ...]) -> str:
    return f"{', '.join(possible)}, or all"
