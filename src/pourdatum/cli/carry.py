"""A command from its words to a finished folder: what the command line and the page share."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from pourdatum.cli.say import printable, say_error
from pourdatum.cli.stop import settle

if TYPE_CHECKING:
    from pourdatum.cli.options import Words
    from pourdatum.filelist import Command
    from pourdatum.outcome import Check, Plan, Survey
    from pourdatum.passing import Keeper, Progress
    from pourdatum.pipeline import Decide
    from pourdatum.write.part_sums import PartSums


@dataclass(frozen=True, eq=False)
class Carried:
    """What came of a command: the result, its folder as named, and the kinds of file in it."""

    outcome: Survey | Plan | Check
    target: str
    kinds: tuple[str, ...]

    @property
    def status(self) -> int:
        """Exit status: 1 where the answer is no, 4 where it is open."""
        match getattr(self.outcome, "verdict", "conforms"):
            case "does not conform":
                return 1
            case "undecided":
                return 4
            case _:
                return 0 if getattr(self.outcome, "buildable", True) else 1


def carry_out(
    command: Command,
    words: Words,
    show: Callable[[], AbstractContextManager[Progress]],
    *,
    decide: Decide | None = None,
    keep_sums: bool = True,
) -> Carried:
    """Check every word, hold the output folder, and only then read the scan.

    Parameters
    ----------
    command : str
        survey, plan or verify.
    words : Words
        As on the command line.
    show : callable
        Opens the progress, once all words are found right.
    decide : callable, optional
        Of a plan: gives the job to go on by, once the floor is found.
    keep_sums : bool
        Whether sums over finished files are kept for a run that was interrupted.

    Raises
    ------
    PourdatumError
        One of its children, each with the exit status it stands for.
    """
    from pourdatum.cli.limits import check_memory_limit
    from pourdatum.filelist import choose_files
    from pourdatum.sheetfile import read_sheet
    from pourdatum.write.folder import check_target, result_folder, writing

    job = words.to_job()
    kinds = choose_files(words.files, command)
    if command != "survey":
        read_sheet(job.material.sheet)
    target = words.out
    if target is None:
        target = default_target(words.scans[0], command)
    check_target(target, overwrite=words.overwrite)
    check_memory_limit()

    # Only now what takes time to load: a wrong word is answered at once.
    from pourdatum import pipeline

    with contextlib.ExitStack() as stack:
        progress = stack.enter_context(show())
        work = stack.enter_context(result_folder(target, overwrite=words.overwrite))
        kept: Keeper | None = stack.enter_context(_kept_sums(target)) if keep_sums else None
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
        elif command == "plan":
            outcome = pipeline.plan_scan(
                words.scans, job, means=means, progress=progress, decide=decide
            )
        else:
            outcome = pipeline.survey_scan(words.scans, job, means=means, progress=progress)
        with writing(target):
            pipeline.fill_folder(outcome, work, kinds, progress=progress)
        settle()
    return Carried(outcome, target, kinds)


def default_target(scan: str, command: Command) -> str:
    """Name of the result folder where none is given."""
    return f"{Path(scan).stem or 'scan'}-{command}"


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
