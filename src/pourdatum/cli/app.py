"""The commands: options, one library call, a few lines printed."""

from __future__ import annotations

import contextlib
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pourdatum import __version__
from pourdatum.cli.options import Words, plan_options, shared_options, verify_options
from pourdatum.cli.refusal import Commands
from pourdatum.cli.say import printable, say, say_error, show_json
from pourdatum.cli.stop import Stopped

if TYPE_CHECKING:
    from pourdatum.filelist import Command
    from pourdatum.outcome import Check, Plan, Survey

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


@app.command("open", short_help="A page on this computer, for who uses no terminal.")
@click.option(
    "-o", "--out", metavar="DIR", help="Where result folders go. [default: the current folder]"
)
@click.option(
    "--port", type=click.IntRange(0, 65535), default=0, help="Port. [default: one that is free]"
)
@click.option("--no-browser", is_flag=True, help="Print the address and open nothing.")
def open_page(out: str | None, port: int, no_browser: bool) -> int:
    """Serve a page on this computer alone: drop a scan, answer, take the result.

    The address holds a token; whoever has it may use the page. Ctrl-C ends it.
    """
    from pourdatum.cli.local.serve import open_browser, served_page

    try:
        with served_page(Path(out or "."), port) as page, contextlib.suppress(KeyboardInterrupt):
            say([f"page at {page.address}", "Ctrl-C ends it, and removes what was dropped there"])
            if not no_browser and not open_browser(page.address):
                say(["no browser could be opened: open that address in one yourself"])
            page.wait()
    except Stopped as stopped:
        stopped.words = stopped.words.partition(";")[0]  # Results of before may well be written.
        raise
    return 0


@app.command(short_help="What is installed, and what to type for the rest.")
def doctor() -> int:
    """What is installed, which extra is missing, what to type to get it."""
    from pourdatum.cli.doctor import examine

    lines, sound = examine()
    say(lines)
    return 0 if sound else 2


def _run_command(command: Command, words: Words) -> int:
    """Carry the command out, and print what came of it."""
    from pourdatum.cli.carry import carry_out
    from pourdatum.cli.progress import shown_progress

    done = carry_out(command, words, lambda: shown_progress(words.quiet))
    if words.as_json:
        _show_result(done.outcome)
    else:
        from pourdatum.cli.lines import result_lines

        say(map(printable, result_lines(done.outcome, done.target, done.kinds)))
    return done.status


def _show_result(outcome: Survey | Plan | Check) -> None:
    from pourdatum.pipeline import result_data

    for warning in outcome.warnings:
        say_error(printable(f"pourdatum: {warning.code}: {warning.text}"))
    show_json(result_data(outcome))
