"""How long the commands take as fresh processes, start-up included."""

from __future__ import annotations

import os
import platform
import statistics
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from pourdatum.simulate import place_stations, random_room, scan_scene, sensor
from pourdatum.write.scan_files import write_scan

POINTS: Final = 1_000_000
ROUNDS: Final = 5


def timings(folder: Path, seed: int) -> list[str]:
    """Lines of Markdown: the median times on this machine, and what machine it is.

    Parameters
    ----------
    folder : Path
        For the scan and the results.
    seed : int
        Of the room.
    """
    room = random_room(seed)
    instrument = sensor("tripod", place_stations(room, 3), top_rad=0.2)
    shot = scan_scene(room, instrument, seed, points=POINTS)
    scan = write_scan(folder / "million.las", shot.points_m, shot.station)
    plan = ["plan", str(scan), "--files", "result,report", "-o", str(folder / "plan"),
            "--overwrite", "--quiet"]  # fmt: skip
    lines = ["| command | median | from | to |", "| --- | --- | --- | --- |"]
    # A plan that is not buildable as it stands is a plan.
    for name, words, fine in (
        (f"`plan`, {len(shot.points_m):,} points, `--files result,report`", plan, (0, 1)),
        ("`pourdatum --help`", ["--help"], (0,)),
    ):
        # The first run fills the file caches and the compiled modules; it does not count.
        seconds = [run_once(words, fine) for _ in range(ROUNDS + 1)][1:]
        lines.append(
            f"| {name} | {statistics.median(seconds):.2f} s | {min(seconds):.2f} s |"
            f" {max(seconds):.2f} s |"
        )
    if not (folder / "plan" / "report.html").is_file():
        raise SystemExit(f"{folder / 'plan'}: nothing was written, so the times mean nothing")
    return [*lines, "", machine()]


def run_once(words: Sequence[str], fine: Sequence[int] = (0,)) -> float:
    """Seconds that one run of the command line takes.

    Parameters
    ----------
    words : sequence of str
        What follows ``pourdatum``.
    fine : sequence of int
        Exit statuses that are no failure.

    Raises
    ------
    SystemExit
        If it fails.
    """
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "pourdatum", *words], capture_output=True, text=True, check=False
    )
    seconds = time.perf_counter() - start
    if done.returncode not in fine:
        raise SystemExit(f"pourdatum {' '.join(words)}: {done.returncode}: {done.stderr.strip()}")
    return seconds


def machine() -> str:
    """What the times were taken on."""
    return (
        f"{os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()},"
        f" load {_load()} at the end"
    )


def _load() -> str:
    # Times on a shared machine mean little without it; Windows does not tell.
    return f"{os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else "unknown"
