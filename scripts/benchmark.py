"""Times reading alone, ours, and what one would chain instead, side by side on this machine.

``scripts/benchmark`` builds its halls in a folder of its own, runs everything in
turn, and prints ratios of medians. ``--large`` adds 200 million points in eight files, which
takes 6 GB of disk; ``--growth`` halls from 50 to 10 000 m². Figures hold for this machine
only, and gate nothing.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from benchmark_inputs import write_hall

HERE = Path(__file__).parent
SOURCE = HERE.parent / "src"
_START = """import pourdatum.cli.app, pourdatum.pipeline, matplotlib.figure, scipy.ndimage
from pourdatum.compiled import compiled_loops
compiled_loops("cellloop"), compiled_loops("fitloop")"""
"""What a plan of a large scan loads before it reads."""


@dataclass(frozen=True)
class Ran:
    """Seconds and greatest memory of one program [MB]."""

    seconds: float
    memory_mb: float


def run(words: Sequence[str | Path]) -> Ran:
    """Run a program to its end."""
    env = {**os.environ, "PYTHONPATH": str(SOURCE)}
    # What is installed keeps its compiled code; without, each run would compile all of ours.
    env.pop("PYTHONDONTWRITEBYTECODE", None)
    began = time.perf_counter()
    child = subprocess.Popen(list(map(str, words)), env=env, stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(child.pid, 0)
    seconds = time.perf_counter() - began
    code = os.waitstatus_to_exitcode(status)
    # A plan that is not buildable as it stands is a plan.
    if code not in ((0, 1) if "plan" in words else (0,)):
        sys.exit(f"{' '.join(map(str, words))}: exit status {code}")
    return Ran(seconds, used.ru_maxrss / 1024)


def side_by_side(programs: dict[str, list[str | Path]], rounds: int) -> dict[str, Ran]:
    """Medians over rounds in which every program runs once."""
    runs: dict[str, list[Ran]] = {name: [] for name in programs}
    for _ in range(rounds):
        for name, words in programs.items():
            runs[name].append(run(words))
    return {
        name: Ran(
            statistics.median(ran.seconds for ran in own),
            statistics.median(ran.memory_mb for ran in own),
        )
        for name, own in runs.items()
    }


def plan_of(files: Sequence[Path], out: Path) -> list[str | Path]:
    """Our plan of a campaign."""
    return [sys.executable, "-m", "pourdatum", "plan", *files, "--units", "m", "--quiet",
            "--files", "result,report", "--overwrite", "-o", out]  # fmt: skip


def chain_of(step: str, files: Sequence[Path]) -> list[str | Path]:
    """One step of what would be chained."""
    return [sys.executable, HERE / "benchmark_chain.py", step, *files]


def compare(name: str, files: Sequence[Path], out: Path, rounds: int, steps: Sequence[str]) -> None:
    """Print one block of the table."""
    programs = {"read": chain_of("read", files), "plan": plan_of(files, out)}
    programs |= {step: chain_of(step, files) for step in steps}
    found = side_by_side(programs, rounds)
    alone = found["read"].seconds
    for step, ran in found.items():
        print(
            f"| {name} | {step} | {ran.seconds:.2f} | {ran.seconds / alone:.2f}"
            f" | {ran.memory_mb:.0f} |",
            flush=True,
        )


def hall(folder: Path, kind: str, area_m2: float, points: int, *, seed: int = 1) -> Path:
    """A hall, written once."""
    path = folder / f"hall-{area_m2:g}-{points}-{seed}.{kind}"
    if not path.exists():
        write_hall(path, area_m2, points, seed=seed)
    return path


def main() -> None:
    """Build, run, print."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--folder", type=Path, help="where inputs are kept for the next time")
    words.add_argument("--rounds", type=int, default=3)
    words.add_argument("--large", action="store_true")
    words.add_argument("--growth", action="store_true")
    words.add_argument("--only-ours", action="store_true")
    told = words.parse_args()
    run([sys.executable, "-c", _START])
    with tempfile.TemporaryDirectory() as own:
        folder = told.folder or Path(own)
        folder.mkdir(exist_ok=True)
        out = Path(own, "plan")
        start = side_by_side({"start": [sys.executable, "-c", _START]}, 5)
        print(f"start-up alone: {start['start'].seconds:.2f} s\n")
        print("| scan | program | s | times reading | MB |\n|---|---|---|---|---|")
        steps = [] if told.only_ours else ["binned-mean", "plane", "voxels"]
        for kind in ("las", "laz"):
            path = hall(folder, kind, 2400.0, 22_700_000)
            compare(f"22.7 M, 2 400 m², {kind}", [path], out, told.rounds, steps)
        if told.growth:
            for area in (50.0, 500.0, 10_000.0):
                path = hall(folder, "las", area, 5_000_000)
                compare(f"5 M, {area:g} m², las", [path], out, told.rounds, [])
            path = hall(folder, "las", 2400.0, 5_000_000)
            compare("5 M, 2 400 m², las", [path], out, told.rounds, [])
        if told.large:
            for kind in ("las", "laz"):
                files = [hall(folder, kind, 2400.0, 25_000_000, seed=k) for k in range(8)]
                compare(f"200 M, 2 400 m², {kind}", files, out, told.rounds, [])


if __name__ == "__main__":
    main()
