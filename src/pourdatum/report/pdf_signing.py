"""A sheet of a printed proof: what was found in a few lines, and where both sides sign."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pourdatum.report import style
from pourdatum.report.pdf_paper import (
    HEAD_PT,
    MARGIN_MM,
    SMALL_PT,
    TEXT_PT,
    About,
    Paper,
    Sheet,
    wrapped,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

_LEAD_MM: Final = 4.6
_LINE_MM: Final = 13.0
"""Room for one line that is written on by hand."""
_SIDES: Final = ("For the client", "For the contractor")
_BLANKS: Final = ("Name", "Date", "Signature")


@dataclass(frozen=True)
class Signing:
    """Lines for client and contractor to sign, under what they sign.

    Attributes
    ----------
    title : str
        Of the job.
    said : sequence of str
        What was found, a paragraph each.
    """

    title: str
    said: Sequence[str]

    def draw(self, paper: Paper, about: About, page: tuple[int, int]) -> Sheet:
        """Print it, within ``style.drawing``."""
        sheet = Sheet(paper)
        left, right = MARGIN_MM, paper.wide_mm - MARGIN_MM
        down = MARGIN_MM + 6.0
        sheet.write(left, down, "Handed over", HEAD_PT, bold=True)
        down += 3.0
        for text in self.said:
            for line in wrapped(text, TEXT_PT, right - left):
                down += _LEAD_MM
                sheet.write(left, down, line, TEXT_PT)
            down += 1.5
        down = self._blanks(sheet, ("Job", "Client", "Site"), (left, right), down, self.title)
        down += _LEAD_MM
        half = 0.5 * (right - left) - 4.0
        for number, side in enumerate(_SIDES):
            start = left + number * (half + 8.0)
            sheet.write(start, down + 6.0, side, TEXT_PT, bold=True)
            self._blanks(sheet, _BLANKS, (start, start + half), down + 6.0)
        foot = down + 6.0 + len(_BLANKS) * _LINE_MM + 8.0
        note = (
            "Signed is what both have read: what was measured and what of it is judged. What is "
            "undecided or not known stays so."
        )
        for line in wrapped(note, SMALL_PT, right - left):
            sheet.write(left, foot, line, SMALL_PT, color=style.SOFT_INK)
            foot += _LEAD_MM
        sheet.title_block(about, "Handed over", "no scale", page)
        return sheet

    def _blanks(
        self,
        sheet: Sheet,
        names: Sequence[str],
        across: tuple[float, float],
        down: float,
        first: str = "",
    ) -> float:
        """Names with lines to write on; the first may be filled in. The height of the last."""
        for number, name in enumerate(names):
            down += _LINE_MM
            sheet.write(across[0], down, name, SMALL_PT, color=style.SOFT_INK)
            sheet.rule(across[0] + 18.0, down + 0.8, (across[1], down + 0.8))
            if first and number == 0:
                line = wrapped(first, TEXT_PT, across[1] - across[0] - 20.0)[0]
                sheet.write(across[0] + 19.0, down, line, TEXT_PT)
        return down
