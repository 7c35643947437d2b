"""The words of the page as pieces of print: headings, paragraphs, points and tables.

The blocks of ``report`` are the one place where a result becomes words. Print takes their markup,
which ``markup.el`` alone makes, apart again; pictures in it are left out: print draws its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from html.parser import HTMLParser
from typing import Literal

PieceKind = Literal[
    "heading", "small-heading", "paragraph", "strong", "point", "step", "head", "row"
]


@dataclass(frozen=True)
class Piece:
    """Something that is printed under the one before.

    Attributes
    ----------
    kind : str
        "heading", "small-heading", "paragraph", "strong" (a paragraph in bold), "point", "step"
        (a point with its number), "head" or "row" of a table. A row of one cell in a table of
        several columns runs across it.
    cells : tuple of str
        Of a row; else the one text.
    """

    kind: PieceKind
    cells: tuple[str, ...]

    @property
    def text(self) -> str:
        """The words of what is no row."""
        return " ".join(self.cells)


_TEXT_OF: dict[str, PieceKind] = {
    "h2": "heading",
    "h3": "small-heading",
    "p": "paragraph",
    "li": "point",
    "caption": "small-heading",
}
_VOID = frozenset({"meta", "img", "br", "link"})


class _Reader(HTMLParser):
    """Walks over markup and notes what is printed."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.pieces: list[Piece] = []
        self._words: list[str] = []
        self._bold = 0
        self._plain = False
        self._cells: list[str] = []
        self._header = False
        self._card = False
        self._hidden = 0
        self._numbers: list[int | None] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Begin a piece."""
        if tag == "figure":
            self._hidden += 1
        elif tag in _TEXT_OF or tag in ("td", "th", "dt", "dd"):
            self._words, self._plain = [], False
        elif tag == "br":
            self._words.append("\n")
        elif tag in ("b", "strong"):
            self._bold += 1
        elif tag in ("ul", "ol"):
            self._numbers.append(0 if tag == "ol" else None)
        elif tag == "thead":
            self._header = True
        if tag == "tr" or (tag == "div" and not self._hidden):
            self._end_row()

    def handle_endtag(self, tag: str) -> None:
        """End a piece."""
        if tag == "figure":
            self._hidden -= 1
        elif self._hidden:
            return
        elif tag in ("b", "strong"):
            self._bold -= 1
        elif tag in ("td", "th", "dt", "dd"):
            self._card = tag in ("dt", "dd")
            self._cells.append(self._taken())
        elif tag in ("tr", "dl", "div"):
            self._end_row()
        elif tag == "thead":
            self._header = False
        elif tag in ("ul", "ol"):
            self._numbers.pop()
        elif tag in _TEXT_OF:
            self._end_text(_TEXT_OF[tag])

    def handle_data(self, data: str) -> None:
        """Words of a piece."""
        if not self._hidden:
            self._words.append(data)
            self._plain = self._plain or (not self._bold and bool(data.strip()))

    def _taken(self) -> str:
        lines = "".join(self._words).split("\n")
        self._words = []
        # A space that ties a number to its unit stays one.
        return "\n".join(" ".join(line.split(" ")).strip(" ") for line in lines)

    def _end_text(self, kind: PieceKind) -> None:
        bold = not self._plain
        text = self._taken()
        if not text:
            return
        if kind == "point" and self._numbers and self._numbers[-1] is not None:
            self._numbers[-1] += 1
            kind, text = "step", f"{self._numbers[-1]}. {text}"
        if kind == "paragraph" and bold:
            kind = "strong"
        self.pieces.append(Piece(kind, (text,)))

    def _end_row(self) -> None:
        if self._card and len(self._cells) > 1:
            # A card of figures is a row: its name, its figure, and all notes on it.
            self._cells = [*self._cells[:2], "; ".join(self._cells[2:])]
        if any(self._cells):
            self.pieces.append(Piece("head" if self._header else "row", tuple(self._cells)))
        self._cells, self._card = [], False


def pieces_of(*blocks: str | None) -> list[Piece]:
    """What is printed of some blocks, in their order; None prints nothing.

    Examples
    --------
    >>> from pourdatum.report.markup import el
    >>> block = el("section", el("h2", "Water"), el("p", el("b", "4.4 l"), " a bag"))
    >>> for piece in pieces_of(block):
    ...     print(piece.kind, piece.cells)
    heading ('Water',)
    paragraph ('4.4 l a bag',)
    """
    reader = _Reader()
    for block in blocks:
        if block is not None:
            reader.feed(block)
    reader.close()
    return reader.pieces
