"""Writes a named sample: its scan, and beside it what is true of it."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from pourdatum.errors import JobError, OutputError
from pourdatum.simulate.patch import highest_patch
from pourdatum.simulate.samples import Take, find_sample
from pourdatum.simulate.scanning import scan_scene
from pourdatum.simulate.truth import Truth, scene_truth, truth_json
from pourdatum.units import MM
from pourdatum.write.scan_files import SCAN_EXTENSIONS, write_scan, write_text

_LEAST_POINTS: Final = 1000
_MOST_POINTS: Final = 5_000_000


def write_sample(
    name: str,
    path: str | Path,
    *,
    seed: int = 0,
    points: int | None = None,
    overwrite: bool = False,
) -> tuple[Path, ...]:
    """Scan a named scene, and write the scan and its truth.

    Parameters
    ----------
    name : str
        One of ``pourdatum.simulate.samples.SAMPLES``.
    path : str or Path
        File to write; .las, .laz, .ply or .pcd. Of a before/after pair two are written, with
        ``-before`` and ``-after`` added to the stem. The truth goes to
        ``<stem>.truth.json`` beside each.
    seed : int
        Another seed gives other points of the same scene.
    points : int, optional
        About how many points in each file; default as the sample says.
    overwrite : bool
        Replace files of these names.

    Returns
    -------
    tuple of Path
        Scan and truth, in turn.

    Raises
    ------
    JobError
        If the name, the extension, the seed or the number of points will not do.
    OutputError
        If a file exists and ``overwrite`` is false, or cannot be written.
    """
    sample = find_sample(name)
    target = Path(path)
    wanted = sample.points if points is None else points
    if not _LEAST_POINTS <= wanted <= _MOST_POINTS:
        raise JobError(
            f"{wanted} points were asked for",
            where=name,
            hint=f"ask for {_LEAST_POINTS} to {_MOST_POINTS}",
            id="points",
        )
    if seed < 0:
        raise JobError(f"seed is {seed}", where=name, hint="give 0 or more", id="seed")
    if target.suffix.lower() not in SCAN_EXTENSIONS:
        raise JobError(
            f"extension '{target.suffix}' names no format",
            where=target.name,
            hint=f"end the name in one of {', '.join(SCAN_EXTENSIONS)}",
            id="format",
        )
    takes = sample.make()
    names = [(_scan_path(target, take), _truth_path(target, take)) for take in takes]
    _check_targets([path for pair in names for path in pair], overwrite)
    truths = [_truth_of(take) for take in takes]
    for number, (take, truth, (scan_path, truth_path)) in enumerate(
        zip(takes, truths, names, strict=True)
    ):
        # Before and after must not share their noise.
        shot = scan_scene(take.scene, take.instrument, seed * len(takes) + number, points=wanted)
        write_scan(scan_path, shot.points_m, shot.station)
        more: dict[str, Any] = {"sample": name, "file": scan_path.name, "scan": shot.record}
        if number > 0:
            more["placed"] = _placed(truths[0], truth)
        write_text(truth_path, truth_json(truth, **more))
    return tuple(path for pair in names for path in pair)


def _truth_of(take: Take) -> Truth:
    """Truth with two given levels: 5 mm over the high point, and 4 mm below it."""
    scene = take.scene
    high_z_m = highest_patch(scene.floor, scene.relief.height).height_m + scene.site_m[2]
    return scene_truth(scene, levels=(high_z_m + 0.005, high_z_m - 0.004))


def _placed(before: Truth, after: Truth) -> dict[str, float]:
    """What the pour added: difference of the mean levels over the same area."""
    thickness_m = after.mean_z_m - before.mean_z_m
    return {
        "volume_l": thickness_m * after.area_m2 * MM,
        "mean_thickness_mm": thickness_m * MM,
    }


def _scan_path(target: Path, take: Take) -> Path:
    return target.with_name(f"{target.stem}{take.ending}{target.suffix}")


def _truth_path(target: Path, take: Take) -> Path:
    return target.with_name(f"{target.stem}{take.ending}.truth.json")


def _check_targets(paths: list[Path], overwrite: bool) -> None:
    for path in paths:
        if not path.absolute().parent.is_dir():
            raise OutputError(
                "its folder does not exist", where=str(path), hint="make the folder first"
            )
        if path.exists() and not overwrite:
            raise OutputError(
                "exists already", where=str(path), hint="choose another name, or --overwrite"
            )
