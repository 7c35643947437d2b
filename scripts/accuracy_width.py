"""What makes the interval of a fill as wide as it is, on tripod scans of rooms of 48 to 52 m².

    python scripts/accuracy_width.py                 six scans, two minutes
    python scripts/accuracy_width.py --scenes 14 --seed 5

Half widths over the area [mm], set-ups told with their places, tilts and bends drawn for each: as
stated; with the whole budget of bends, whatever set-ups show of it; with no bend; with neither bend
nor tilt; and with the level of the highest 100 mm known as well. The last column is of the fill to
the plan's own level, as it is set out, wherever the floor is highest.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
import warnings
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from accuracy_intervals import posed
from pourdatum.datum import LOCAL_LEVEL, DatumRequest, choose_datum, datum_draws_m
from pourdatum.errors import PourdatumError
from pourdatum.floor import find_floor
from pourdatum.read import read_scan
from pourdatum.simulate import HIGH_KINDS, place_stations, random_room, scan_scene, sensor
from pourdatum.spread import fill_interval, level_draws_m3, level_interval_m3
from pourdatum.surface import Surface, make_surface
from pourdatum.uncertainty import SENSORS
from pourdatum.units import MM
from pourdatum.volume import fill_volume

AREA_M2 = (48.0, 52.0)
LEAST_M = 0.002
BUDGET = SENSORS["tripod"]


def half_width_mm(surface: Surface, error_m: float | None = None) -> float:
    """Half of the fill's 95 % interval over the area, to a datum that errs by so much itself."""
    datum = choose_datum(surface, DatumRequest("high-point"), LEAST_M)
    if error_m is not None:
        draws_m = datum_draws_m(surface, "high-point", LOCAL_LEVEL, error_m)
        datum = replace(datum, draws_m=draws_m, higher_m=None)
    outline = surface.floor.outline
    volume = fill_volume(surface.height_m, surface.grid, outline, datum.plane, least_m=LEAST_M)
    low_m3, high_m3 = fill_interval(surface, datum, volume)
    return (high_m3 - low_m3) / 2.0 / volume.area_m2 * MM


def own_level_mm(surface: Surface) -> float:
    """Half of the 95 % interval of the fill to the level that is planned, over the area."""
    datum = choose_datum(surface, DatumRequest("high-point"), LEAST_M)
    outline = surface.floor.outline
    volume = fill_volume(surface.height_m, surface.grid, outline, datum.plane, least_m=LEAST_M)
    draws_m3 = level_draws_m3(surface, datum, volume)
    ends = level_interval_m3(volume.volume_m3, draws_m3, 0.0)
    assert ends is not None
    return (ends[1] - ends[0]) / 2.0 / volume.area_m2 * MM


def one_scan(number: int, rng: np.random.Generator, folder: Path) -> tuple[Surface, float]:
    """A fresh room, scanned; the surface, and points per m²."""
    room = random_room(number, high=HIGH_KINDS[number % 3], area_m2=AREA_M2)
    stations = place_stations(room, int(rng.integers(3, 6)))
    instrument = sensor(
        "tripod", stations, top_rad=0.8, noise_m=float(rng.uniform(0.0005, 0.0025)),
        own_tilt_rad=BUDGET.tilt_rad, own_warp_m=BUDGET.warp_m,
        warp_length_m=float(rng.uniform(1.0, 2.0)) * math.sqrt(room.room.area),
    )  # fmt: skip
    points = int(np.exp(rng.uniform(math.log(150_000), math.log(500_000))))
    shot = scan_scene(room, instrument, number, floor_points=points)
    scan = read_scan(posed(folder / f"{number}.e57", shot.points_m, shot))
    surface = make_surface(scan, find_floor(scan), sensor="tripod")
    return surface, float(surface.count.sum()) / surface.floor.area_m2


def main(words: Sequence[str] | None = None) -> int:
    """Print a row for each scan, and the medians."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scenes", type=int, default=6)
    parser.add_argument("--seed", type=int, default=None, help="default: fresh draws")
    asked = parser.parse_args(words)
    warnings.simplefilter("ignore")  # What libraries murmur is not part of the table.
    seed = int(np.random.default_rng().integers(2**31)) if asked.seed is None else asked.seed
    print(f"--seed {seed} --scenes {asked.scenes}\n")
    heads = ["points per m²", "noise of a point", "as stated", "whole budget of bends"]
    heads += ["no bend", "nor tilt", "nor error of the high point", "to the plan's own level"]
    print("| " + " | ".join(heads) + " |\n" + "| --- " * len(heads) + "|")
    rows = []
    for k in range(asked.scenes):
        rng = np.random.default_rng([seed, k])
        with tempfile.TemporaryDirectory() as folder:
            try:
                surface, per_m2 = one_scan(int(rng.integers(2**31)), rng, Path(folder))
            except PourdatumError as fault:
                print(f"{k}: {fault}", file=sys.stderr)
                continue
        told = "as the user states it"
        whole, still = (
            replace(surface, shared=replace(surface.shared, warp_m=warp_m, source=told))
            for warp_m in (surface.shared.warp_m, 0.0)
        )
        level = replace(still, shared=replace(still.shared, tilt_rad=0.0))
        noise_mm = float(np.median(surface.noise_m[surface.measured])) * MM
        widths = [half_width_mm(one) for one in (surface, whole, still, level)]
        rows.append([per_m2, noise_mm, *widths, half_width_mm(level, 0.0), own_level_mm(surface)])
        print(_row(rows[-1]), flush=True)
    print(_row([float(value) for value in np.median(rows, axis=0)]), "median")
    return 0


def _row(values: list[float]) -> str:
    return f"| {values[0]:.0f} | " + " | ".join(f"{value:.2f}" for value in values[1:]) + " |"


if __name__ == "__main__":
    sys.exit(main())
