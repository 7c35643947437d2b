"""Makes the table of accuracy: fresh simulated rooms, planned from files, held against their truth.

    python scripts/accuracy.py                    ten rooms, the same each time
    python scripts/accuracy.py --seeds 40-59      other rooms
    python scripts/accuracy.py --fresh            rooms that nobody has seen; prints their seeds
    python scripts/accuracy.py --speed            times of the commands instead

Each room has 40 to 60 m², scanned with a tripod from three or four set-ups with 1.5 mm
noise and 600 000 points on the floor, and written as LAS. What stands beside it is the
plain chain of ``accuracy_plain_chain.py`` on the same points.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path

from accuracy_figures import Chain, Row, compare, no_plan, row_table, summary_table
from accuracy_plain_chain import NoOpen3D, plain_chain
from accuracy_speed import timings
from pourdatum.job import Job
from pourdatum.pipeline import plan_pour, plan_scan, result_data
from pourdatum.sheetfile import read_sheet
from pourdatum.simulate import (
    HIGH_KINDS,
    Shot,
    Truth,
    place_stations,
    random_room,
    scan_scene,
    scene_truth,
    sensor,
)
from pourdatum.units import MM
from pourdatum.write.scan_files import write_scan

FIRST_SEED = 7000
COUNT = 10
FLOOR_POINTS = 600_000
TOP_RAD = 0.2
"""Highest elevation looked at: most rays then meet the floor and the foot of the walls."""


def main(words: Sequence[str] | None = None) -> int:
    """Run as asked; 0 when done, whatever the figures are."""
    asked = _options().parse_args(words)
    with tempfile.TemporaryDirectory() as made:
        folder = Path(asked.keep or made)
        folder.mkdir(parents=True, exist_ok=True)
        if asked.speed:
            print("\n".join(timings(folder, _seeds(asked)[0])))
            return 0
        rows = []
        for seed in _seeds(asked):
            rows.append(
                one_room(
                    seed, folder, asked.floor_points, math.pi / 2 if asked.dome else TOP_RAD,
                    chain=() if asked.no_chain else tuple(asked.chain), keep=bool(asked.keep),
                )
            )  # fmt: skip
            print(row_table(rows[-1:])[-1], file=sys.stderr, flush=True)
    print("\n".join([*row_table(rows), "", *summary_table(rows)]))
    if not asked.no_chain and not any(row.chain for row in rows):
        print("\nThe plain chain is left out: Open3D (extra `registration`) does not load here.")
    if asked.json:
        Path(asked.json).write_text(
            json.dumps([asdict(row) for row in rows], indent=1) + "\n", encoding="utf-8"
        )
    return 0


def one_room(
    seed: int,
    folder: Path,
    floor_points: int = FLOOR_POINTS,
    top_rad: float = TOP_RAD,
    *,
    chain: Sequence[float] = (10.0,),
    keep: bool = False,
) -> Row:
    """Draw a room, scan it to a file, plan from the file, and compare.

    Parameters
    ----------
    seed : int
        Of the room and of the scan.
    folder : Path
        Where the file goes.
    floor_points : int
        About how many points lie on the floor.
    top_rad : float
        Highest elevation that the sensor looks at.
    chain : sequence of float
        Tolerances at which the plain chain is run as well [mm].
    keep : bool
        Leave the file.
    """
    high = HIGH_KINDS[seed % len(HIGH_KINDS)]
    room = random_room(seed, high=high)
    instrument = sensor("tripod", place_stations(room, 3 + seed % 2), top_rad=top_rad)
    shot = scan_scene(room, instrument, seed, floor_points=floor_points)
    job = Job()
    least_m = read_sheet(job.material.sheet).least_m
    # The high point is that of a square which may lie along a wall: what a straightedge
    # laid there would feel.
    highest_m = scene_truth(room, least_m=least_m).high_turned_z_m
    truth = scene_truth(room, [highest_m + least_m], least_m=least_m)
    scan = write_scan(folder / f"room-{seed}.las", shot.points_m, shot.station)
    start = time.perf_counter()
    try:
        plan = plan_scan([scan], job)
        seconds = time.perf_counter() - start
        level = Job.model_validate({"datum": {"kind": "level", "z_m": truth.levels[0].z_m}})
        at_level = plan_pour(plan.survey.surface, level)
        row = compare(seed, high, truth, result_data(plan), result_data(at_level))
    except Exception as fault:
        # Refused or broken, it is a row of the table like any other.
        seconds = time.perf_counter() - start
        row = no_plan(seed, high, truth, f"{type(fault).__name__}: {fault}".replace("|", "/"))
    if not keep:
        scan.unlink()
    return replace(row, chain=_chains(shot, truth, chain, least_m, seed), seconds=seconds)


def _chains(
    shot: Shot, truth: Truth, tolerances_mm: Sequence[float], least_m: float, seed: int
) -> dict[str, Chain]:
    found = {}
    try:
        for tolerance_mm in tolerances_mm:
            fill = plain_chain(shot.points_m, tolerance_mm / MM, least_m, seed)
            found[f"{tolerance_mm:g} mm"] = Chain(
                (fill.datum_m - truth.levels[0].z_m) * MM,
                fill.volume_l - truth.levels[0].volume_l,
            )
    except NoOpen3D:
        return {}
    return found


def _seeds(asked: argparse.Namespace) -> range:
    if asked.seeds:
        first, _, last = asked.seeds.partition("-")
        return range(int(first), int(last or first) + 1)
    first = FIRST_SEED
    if asked.fresh:
        # From the clock: who tunes the tool cannot have tuned on these.
        first = time.time_ns() // 1000 % 1_000_000_000
        print(f"seeds {first}-{first + asked.count - 1}", flush=True)
    return range(first, first + asked.count)


def _options() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--seeds", metavar="A-B", help="these rooms, both ends included")
    which.add_argument("--fresh", action="store_true", help="rooms drawn by the clock")
    parser.add_argument("--count", type=int, default=COUNT, help="how many (default %(default)s)")
    parser.add_argument("--floor-points", type=int, default=FLOOR_POINTS, metavar="N")
    parser.add_argument("--dome", action="store_true", help="look up to the ceiling as well")
    parser.add_argument("--chain", type=float, nargs="+", default=[10.0], metavar="MM",
                        help="tolerances of the plain chain (default 10)")  # fmt: skip
    parser.add_argument("--no-chain", action="store_true", help="leave the plain chain out")
    parser.add_argument("--json", metavar="FILE", help="the rows as JSON as well")
    parser.add_argument("--keep", metavar="FOLDER", help="leave the scans there")
    parser.add_argument("--speed", action="store_true", help="time the commands instead")
    return parser


if __name__ == "__main__":
    sys.exit(main())
