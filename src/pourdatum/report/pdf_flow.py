"""Pieces of print laid out on sheets: lines broken, columns measured, sheets filled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from pourdatum.report import style
from pourdatum.report.pdf_paper import (
    BLOCK_MM,
    HEAD_PT,
    MARGIN_MM,
    TEXT_PT,
    Paper,
    Sheet,
    width_mm,
    wrapped,
)
from pourdatum.report.pdf_text import Piece

_LEAD: Final = 1.32
"""Distance of lines in heights of type."""
_PT_MM: Final = 25.4 / 72
_CELL_PT: Final = 8.0
_GAP_MM: Final = 3.0
"""Between columns of a table."""
_POINT_MM: Final = 4.0
_LAST_MM: Final = 4.5
"""Kept free at the foot for the last line of a paragraph, which else stood alone on a sheet."""


@dataclass(frozen=True)
class Line:
    """A printed line: where on the sheet, and how."""

    x_mm: float
    down_mm: float
    text: str
    size_pt: float
    bold: bool = False


@dataclass
class Filled:
    """A sheet with its lines, and rules (from x, height, to x)."""

    lines: list[Line] = field(default_factory=list)
    rules: list[tuple[float, float, float]] = field(default_factory=list)

    def draw(self, sheet: Sheet) -> None:
        """Print it."""
        for line in self.lines:
            sheet.write(line.x_mm, line.down_mm, line.text, line.size_pt, bold=line.bold)
        for left, height, right in self.rules:
            sheet.rule(left, height, (right, height), 0.4, style.HAIR)


class Flow:
    """Fills sheets of one size from top to bottom."""

    def __init__(self, paper: Paper) -> None:
        self._left = MARGIN_MM
        self._right = paper.wide_mm - MARGIN_MM
        self._foot = paper.tall_mm - MARGIN_MM - BLOCK_MM - 4.0 - _LAST_MM
        self.sheets: list[Filled] = []
        self._down = 0.0
        self.new_sheet()

    def new_sheet(self) -> None:
        """Go on at the top of another sheet."""
        self.sheets.append(Filled())
        self._down = MARGIN_MM

    def add(self, pieces: Sequence[Piece]) -> None:
        """Print pieces one under the other; rows that follow each other are one table."""
        at = 0
        while at < len(pieces):
            kind = pieces[at].kind
            if kind in ("head", "row"):
                last = at + 1
                while last < len(pieces) and pieces[last].kind == "row":
                    last += 1
                self._table(pieces[at:last])
                at = last
            else:
                follows = pieces[at + 1] if at + 1 < len(pieces) else None
                self._text(pieces[at], follows)
                at += 1

    def _text(self, piece: Piece, follows: Piece | None) -> None:
        size = {"heading": HEAD_PT, "small-heading": 10.0}.get(piece.kind, TEXT_PT)
        bold = piece.kind in ("heading", "small-heading", "strong")
        indent = _POINT_MM if piece.kind in ("point", "step") else 0.0
        lines = wrapped(piece.text, size, self._right - self._left - indent, bold=bold)
        lead = size * _PT_MM * _LEAD
        above = {"heading": 5.0, "small-heading": 3.0, "point": 0.6, "step": 0.6}.get(
            piece.kind, 1.2
        )
        # A heading stays with the first lines of what it heads.
        with_next = 14.0 if bold and follows is not None else 0.0
        self._need(above + min(len(lines), 3) * lead + with_next)
        self._down += above if self._down > MARGIN_MM else 0.0
        for number, text in enumerate(lines):
            last = 0 < number == len(lines) - 1
            self._need(lead - (_LAST_MM if last else 0.0))
            self._down += lead
            if piece.kind == "point" and number == 0:
                self._line(self._left + 1.0, "–", size)
            self._line(self._left + indent, text, size, bold=bold)

    def _table(self, pieces: Sequence[Piece]) -> None:
        columns = max(len(piece.cells) for piece in pieces)
        rows = [
            piece.cells
            if len(piece.cells) == 1
            else (*piece.cells, *[""] * (columns - len(piece.cells)))
            for piece in pieces
        ]
        heads = [piece.kind == "head" for piece in pieces]
        wide = self._columns(rows, heads, columns)
        self._down += 1.5
        for number, row in enumerate(rows):
            again = number > 0 and heads[0] and not self._fits(self._tall(row, wide, bold=False))
            if again:
                self.new_sheet()
                self._row(rows[0], wide, bold=True)
            self._row(row, wide, bold=heads[number])
        self._down += 1.5

    def _columns(
        self, rows: Sequence[tuple[str, ...]], heads: Sequence[bool], columns: int
    ) -> list[float]:
        """Widths: what each wants, and where that is too much, the widest give way."""
        room = self._right - self._left - _GAP_MM * (columns - 1)
        wants, needs = [], []
        for k in range(columns):
            cells = [
                (row[k], head) for row, head in zip(rows, heads, strict=True) if len(row) == columns
            ]
            wants.append(max(width_mm(part, _CELL_PT, bold=head)
                             for cell, head in cells for part in cell.split("\n")))  # fmt: skip
            # Broken at plain spaces alone, as ``wrapped`` does: what is tied stays whole.
            needs.append(max(width_mm(word, _CELL_PT, bold=head) for cell, head in cells
                             for word in cell.replace("\n", " ").split(" ")) + 0.2)  # fmt: skip
        if sum(needs) > room:
            needs = [min(need, room / columns) for need in needs]
        wide = [want + 0.5 for want in wants]
        over = sum(wide) - room
        while over > 0.01:
            slack = [max(w - n, 0.0) for w, n in zip(wide, needs, strict=True)]
            total = sum(slack)
            if total < 0.01:
                return [w * room / sum(wide) for w in wide]
            take = min(over, total)
            wide = [w - take * s / total for w, s in zip(wide, slack, strict=True)]
            over = sum(wide) - room
        return wide

    def _across(self, row: tuple[str, ...], wide: Sequence[float]) -> Sequence[float]:
        """Widths of the cells of a row; one alone runs across the table."""
        return wide if len(row) == len(wide) else [self._right - self._left]

    def _tall(self, row: tuple[str, ...], wide: Sequence[float], *, bold: bool) -> float:
        most = max(
            len(wrapped(cell, _CELL_PT, w, bold=bold))
            for cell, w in zip(row, self._across(row, wide), strict=True)
        )
        return most * _CELL_PT * _PT_MM * _LEAD + 1.6

    def _row(self, row: tuple[str, ...], wide: Sequence[float], *, bold: bool) -> None:
        tall = self._tall(row, wide, bold=bold)
        self._need(tall)
        x = self._left
        lead = _CELL_PT * _PT_MM * _LEAD
        for cell, w in zip(row, self._across(row, wide), strict=True):
            for number, text in enumerate(wrapped(cell, _CELL_PT, w, bold=bold)):
                line = Line(x, self._down + (number + 1) * lead, text, _CELL_PT, bold)
                self.sheets[-1].lines.append(line)
            x += w + _GAP_MM
        self._down += tall
        if len(row) == len(wide):
            self.sheets[-1].rules.append((self._left, self._down, x - _GAP_MM))

    def _line(self, x: float, text: str, size: float, *, bold: bool = False) -> None:
        self.sheets[-1].lines.append(Line(x, self._down, text, size, bold))

    def _fits(self, tall: float) -> bool:
        return self._down + tall <= self._foot

    def _need(self, tall: float) -> None:
        if not self._fits(tall) and self._down > MARGIN_MM:
            self.new_sheet()
