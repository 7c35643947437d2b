"""What a printed report is made of: sheets of words, beside the plans and profiles."""

from __future__ import annotations

from dataclasses import dataclass

from pourdatum.report.pdf_text import Piece, pieces_of


@dataclass(frozen=True)
class Words:
    """Pieces that begin on a sheet of their own, and their name in the title block."""

    what: str
    pieces: list[Piece]


def words_of(what: str, *found: str | None) -> Words:
    """The words of some blocks of the page; None prints nothing."""
    return Words(what, pieces_of(*found))
