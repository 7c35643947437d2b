"""The commands: options, one library call, a few lines printed."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pourdatum import __version__
from pourdatum.cli.options import Words, plan_options, shared_options, verify_options
from pourdatum.cli.say import printable, say, say_error, show_json
from pourdatum.cli.stop import Commands, check_stopped

if TYPE_CHECKING:
    from pourdatum.filelist import Command
    from pourdatum.outcome import Check, Plan, Survey
    from pourdatum.passing import Progress
    from pourdatum.write.part_sums import PartSums

_SETTINGS = {"help_option_names": ["-h", "--help"], "max_content_width": 100}


# A line of its own with this character keeps click from filling the lines below it.
_AS_IS = "\b"
_HELP = f"""From a 3D scan of a bare floor to a levelling plan: datum, litres, bags.

{_AS_IS}
pourdatum survey room.laz            what the floor is
pourdatum plan room.laz              what to pour, and how many bags
pourdatum plan room.laz --job job.toml --material my-bag.toml
pourdatum verify room.laz after.laz --criterion 3mm/2m --bags 40

The bag's own instructions, local codes and licensed practice come first.
"""


@click.group(cls=Commands, context_settings=_SETTINGS, help=_HELP)
@click.version_option(__version__, prog_name="pourdatum", message="%(prog)s %(version)s")
def app() -> None:
    """Everything that can be typed after ``pourdatum``."""


@app.command()
@shared_options
def survey(**words: Any) -> int:
    """What the floor is: levels, holes, what the scan cannot say.

    SCAN is one file or several of one campaign (stations, tiles): they are one floor.
    """
    return _run_command("survey", Words(**words))


@app.command()
@shared_options
@plan_options
def plan(**words: Any) -> int:
    """What to pour: datum, litres, depth, bags to buy, humps.

    SCAN is one file or several of one campaign (stations, tiles): they are one floor.
    Exit status 1 says that the plan is not buildable as it stands.
    """
    return _run_command("plan", Words(**words))


@app.command()
@verify_options
def verify(
    before: str,
    after: str,
    also_before: tuple[str, ...],
    also_after: tuple[str, ...],
    **words: Any,
) -> int:
    """What was placed, and whether the floor conforms.

    BEFORE and AFTER are scans of one room before and after the pour, in any frames: walls, columns
    and ceiling bring them together. Places and levels are told in BEFORE's frame.
    Exit status 1 says that a criterion fails, 4 that none fails and something is undecided.
    """
    told = Words(scans=(before, *also_before), after=(after, *also_after), **words)
    return _run_command("verify", told)


@app.command(short_help="List the shipped material sheets, or check your own.")
@click.argument("sheet", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print as JSON and nothing else.")
def materials(sheet: str | None, as_json: bool) -> int:
    """List the shipped sheets, or check your own SHEET and print it as understood.

    Shipped sheets are invented and generic: type in what your bag says.
    """
    from pourdatum.cli.sheets import sheet_lines, sheet_list_lines, sheets_as_data
    from pourdatum.sheetfile import read_sheet, shipped_sheets

    found = {name: read_sheet(name) for name in ([sheet] if sheet else shipped_sheets())}
    if as_json:
        show_json(sheets_as_data(found))
    else:
        say(sheet_lines(found[sheet]) if sheet else sheet_list_lines(found))
    return 0


@app.command(short_help="Write a simulated scan, and what is true of it.")
@click.argument("name", required=False)
@click.option(
    "-o",
    "--out",
    metavar="FILE",
    help="Scan to write: .laz, .las, .ply or .pcd. [default: <name>.laz]",
)
@click.option(
    "--seed", type=click.IntRange(0, 2**31 - 1), default=0, help="Other points of the same scene."
)
@click.option("--points", type=click.IntRange(1000, 10_000_000), help="About how many points.")
@click.option("--overwrite", is_flag=True, help="Replace files of these names.")
def sample(
    name: str | None, out: str | None, seed: int, points: int | None, overwrite: bool
) -> int:
    """Write a simulated scan whose truth is known, with its truth beside it.

    Without NAME, list the scenes there are.
    """
    from pourdatum.simulate.samples import SAMPLES
    from pourdatum.write.sample_files import write_sample

    if name is None:
        say(f"{item.name:<14} {item.line}" for item in SAMPLES.values())
        return 0
    written = write_sample(
        name, out or f"{name}.laz", seed=seed, points=points, overwrite=overwrite
    )
    say(printable(str(path)) for path in written)
    return 0


@app.command(short_help="Print the JSON Schema of result.json.")
@click.argument("command", metavar="survey|plan|verify")
def schema(command: str) -> int:
    """Print the JSON Schema of a command's result.json."""
    from pourdatum.results import result_schema

    show_json(result_schema(command))
    return 0


@app.command(short_help="Start workers on this machine for --scheduler.")
@click.option("--workers", type=click.IntRange(1, 256), help="Processes. [default: processors]")
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Of the scheduler.")
def cluster(workers: int | None, port: int) -> int:
    """Start a scheduler and workers on this machine, to try --scheduler with.

    It serves this machine alone and ends with Ctrl-C. On more machines, start
    `dask scheduler` on one and `dask worker ADDRESS` on each.
    """
    from pourdatum.cluster import local_cluster

    with local_cluster(workers, port) as address:
        say(
            [
                f"scheduler at {address}; Ctrl-C ends it",
                f"type in another window: pourdatum plan SCAN... --scheduler {address}",
            ]
        )
        with contextlib.suppress(KeyboardInterrupt):
            threading.Event().wait()
    return 0


@app.command(short_help="What is installed, and what to type for the rest.")
def doctor() -> int:
    """What is installed, which extra is missing, what to type to get it."""
    from pourdatum.cli.doctor import examine

    lines, sound = examine()
    say(lines)
    return 0 if sound else 2


def _run_command(command: Command, words: Words) -> int:
    """Check every word, hold the output folder, and only then read the scan."""
    from pourdatum.cli.limits import check_memory_limit
    from pourdatum.cli.progress import shown_progress
    from pourdatum.filelist import choose_files
    from pourdatum.sheetfile import read_sheet
    from pourdatum.write.folder import check_target, result_folder, writing

    job = words.to_job()
    kinds = choose_files(words.files, command)
    if command != "survey":
        read_sheet(job.material.sheet)
    target = words.out
    if target is None:
        target = f"{Path(words.scans[0]).stem or 'scan'}-{command}"
    check_target(target, overwrite=words.overwrite)
    check_memory_limit()

    # Only now what takes time to load: a wrong word is answered at once.
    from pourdatum import pipeline
    from pourdatum.cli.lines import result_lines

    with contextlib.ExitStack() as stack:
        progress = stack.enter_context(shown_progress(words.quiet))
        work = stack.enter_context(result_folder(target, overwrite=words.overwrite))
        kept = stack.enter_context(_kept_sums(target))
        if {"report", "pictures"} & set(kinds):
            progress = _drawing_ready(progress)
        means = words.to_means(kept)
        outcome: Survey | Plan | Check
        if command == "verify":
            # What is kept of BEFORE's files would be taken for AFTER's.
            means = replace(means, keeper=None)
            outcome = pipeline.check_scans(
                words.scans, words.after, job, means=means, progress=progress
            )
        else:
            measure = pipeline.plan_scan if command == "plan" else pipeline.survey_scan
            outcome = measure(words.scans, job, means=means, progress=progress)
        with writing(target):
            pipeline.fill_folder(outcome, work, kinds, progress=progress)
        check_stopped()
    if words.as_json:
        _show_result(outcome)
    else:
        say(map(printable, result_lines(outcome, target, kinds)))
    return _exit_status(outcome)


def _exit_status(outcome: Survey | Plan | Check) -> int:
    """1 where the answer is no, 4 where it is open."""
    match getattr(outcome, "verdict", "conforms"):
        case "does not conform":
            return 1
        case "undecided":
            return 4
        case _:
            return 0 if getattr(outcome, "buildable", True) else 1


def _drawing_ready(progress: Progress) -> Progress:
    """The same progress; what a picture needs is loaded while the points are gone through.

    That pass leaves a processor idle now and then: the sums are added to by one at a time.
    """
    from pourdatum.cells import MEASURING

    loading = threading.Thread(target=_load_drawing)

    def tell(stage: str, done: float | None, points: int = 0) -> None:
        if stage == MEASURING and loading.ident is None:
            loading.start()
        progress(stage, done, points)

    return tell


def _load_drawing() -> None:
    """Load what a picture needs; where it cannot be loaded, the drawing says so."""
    with contextlib.suppress(Exception):
        from pourdatum.report.canvas import load

        load()


@contextlib.contextmanager
def _kept_sums(target: str) -> Iterator[PartSums]:
    """Sums over finished files, kept beside the results until these are there."""
    from pourdatum.write.part_sums import PartSums

    kept = PartSums(f"{target}.part.npz")
    try:
        yield kept
    except BaseException:
        if kept.done:
            files = "1 file is" if len(kept.done) == 1 else f"{len(kept.done)} files are"
            say_error(
                printable(
                    f"pourdatum: the sums over {files} kept in {kept.path.name}:"
                    " the same command goes on from there"
                )
            )
        raise
    kept.clear()


def _show_result(outcome: Survey | Plan | Check) -> None:
    from pourdatum.pipeline import result_data

    for warning in outcome.warnings:
        say_error(printable(f"pourdatum: {warning.code}: {warning.text}"))
    show_json(result_data(outcome))
