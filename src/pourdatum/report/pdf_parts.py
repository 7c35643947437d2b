"""What printed reports share: sheets of words, and lines of the title block."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pourdatum.report import words
from pourdatum.report.pdf_text import Piece, pieces_of

if TYPE_CHECKING:
    from pourdatum.outcome import Survey
    from pourdatum.scan import InputFile


@dataclass(frozen=True)
class Words:
    """Pieces that begin on a sheet of their own, and their name in the title block."""

    what: str
    pieces: list[Piece]


def words_of(what: str, *found: str | None) -> Words:
    """The words of some blocks of the page; None prints nothing."""
    return Words(what, pieces_of(*found))


def mean_level(survey: Survey) -> str:
    """The floor's mean level in the scan's vertical, where it has one."""
    mean_m = survey.figures.mean_m
    if not math.isfinite(mean_m):
        return "level not known"
    return f"mean level {words.level(mean_m + survey.origin_m[2], survey.system)}"


def hashed(item: InputFile) -> str:
    """A file that was read, and its hash."""
    return f"{words.plain(item.file, 60)}   sha256 {item.sha256}"
