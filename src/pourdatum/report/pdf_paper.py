"""Sheets of paper: sizes, margins, the title block, and lines of print in millimetres.

Positions are in millimetres from the top left. Sizes are those of ISO 216, or Letter and its
double for jobs in feet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

from pourdatum.report import lettering, style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from pourdatum.units import System

MM_IN: Final = 25.4
MARGIN_MM: Final = 12.0
BLOCK_MM: Final = 25.0
"""Height of the title block at the foot of each sheet."""
TEXT_PT: Final = 9.0
SMALL_PT: Final = 7.0
TINY_PT: Final = 5.6
HEAD_PT: Final = 12.5
TITLE_PT: Final = 16.0


@dataclass(frozen=True)
class Paper:
    """A sheet as it lies: name, width and height [mm]."""

    name: str
    wide_mm: float
    tall_mm: float

    def turned(self) -> Paper:
        """The same sheet on its other side."""
        return Paper(self.name, self.tall_mm, self.wide_mm)


def usual_paper(system: System) -> tuple[Paper, Paper]:
    """The sheet that every printer has and the one twice as large, both upright.

    Examples
    --------
    >>> [paper.name for paper in usual_paper("metric")]
    ['A4', 'A3']
    """
    if system == "imperial":
        return Paper("Letter", 8.5 * MM_IN, 11 * MM_IN), Paper("11 x 17 in", 11 * MM_IN, 17 * MM_IN)
    return Paper("A4", 210.0, 297.0), Paper("A3", 297.0, 420.0)


@dataclass(frozen=True)
class About:
    """What the title block of every sheet says.

    Attributes
    ----------
    title : str
        Of the job; foreign text, made plain.
    kind : str
        Levelling plan, or survey of a floor.
    datum : str
    inputs : tuple of str
        Files with their hashes, a line each.
    made : str
        By which version.
    """

    title: str
    kind: str
    datum: str
    inputs: tuple[str, ...]
    made: str


class Sheet:
    """One sheet being printed."""

    def __init__(self, paper: Paper) -> None:
        from matplotlib.backends.backend_pdf import FigureCanvasPdf
        from matplotlib.figure import Figure

        self.paper = paper
        size = (paper.wide_mm / MM_IN, paper.tall_mm / MM_IN)
        self.figure: Figure = Figure(figsize=size, dpi=72, facecolor=style.PAPER)
        FigureCanvasPdf(self.figure)

    def write(self, x_mm: float, down_mm: float, text: str, size_pt: float = TEXT_PT,
              *, bold: bool = False, **more: Any) -> None:  # fmt: skip
        """One line of print, its foot at a height."""
        self.figure.text(
            x_mm / self.paper.wide_mm,
            1.0 - down_mm / self.paper.tall_mm,
            lettering.drawable(text, bold),
            fontproperties=style.font(size_pt, bold=bold),
            parse_math=False,
            **({"color": style.INK, "va": "baseline"} | more),
        )

    def rule(self, x_mm: float, down_mm: float, to_mm: tuple[float, float], wide_pt: float = 0.5,
             colour: str = style.INK) -> None:  # fmt: skip
        """A straight line to another place."""
        from matplotlib.lines import Line2D

        xs = [x_mm / self.paper.wide_mm, to_mm[0] / self.paper.wide_mm]
        ys = [1.0 - down_mm / self.paper.tall_mm, 1.0 - to_mm[1] / self.paper.tall_mm]
        self.figure.add_artist(
            Line2D(xs, ys, color=colour, linewidth=wide_pt, solid_capstyle="butt")
        )

    def axes(
        self, left_mm: float, top_mm: float, wide_mm: float, tall_mm: float, name: str
    ) -> Axes:
        """Axes in a frame of exactly this size."""
        paper = self.paper
        return self.figure.add_axes(
            (
                left_mm / paper.wide_mm,
                1.0 - (top_mm + tall_mm) / paper.tall_mm,
                wide_mm / paper.wide_mm,
                tall_mm / paper.tall_mm,
            ),
            label=name,
        )

    def title_block(self, about: About, what: str, scale: str, page: tuple[int, int]) -> None:
        """Frame at the foot: job, drawing, scale, datum, inputs with hashes, page."""
        paper = self.paper
        left, right = MARGIN_MM, paper.wide_mm - MARGIN_MM
        low = paper.tall_mm - MARGIN_MM
        top = low - BLOCK_MM
        for height in (top, low):
            self.rule(left, height, (right, height), 0.8)
        for side in (left, right):
            self.rule(side, top, (side, low), 0.8)
        room = right - left
        inner = left + 2.0
        second = left + 0.66 * room
        self.rule(second, top, (second, top + 15.0))
        self.rule(left, top + 15.0, (right, top + 15.0))
        self.write(
            inner, top + 6.2, fitted(about.title, 12.0, second - inner - 2, bold=True), 12.0,
            bold=True,
        )  # fmt: skip
        self.write(inner, top + 12.2, fitted(f"{about.kind}: {what}", TEXT_PT, second - inner - 2))
        self.write(second + 2, top + 5.2, fitted(scale, TEXT_PT, right - second - 4, bold=True),
                   bold=True)  # fmt: skip
        self.write(second + 2, top + 9.2, fitted(about.datum, SMALL_PT, right - second - 4),
                   SMALL_PT)  # fmt: skip
        self.write(second + 2, top + 13.2, f"sheet {page[0]} of {page[1]}", SMALL_PT)
        shown = list(about.inputs)
        if len(shown) > 2:
            shown = [shown[0], f"and {len(about.inputs) - 1} more files, listed on the last sheet"]
        for number, line in enumerate(shown):
            self.write(inner, top + 18.4 + 2.8 * number, fitted(line, TINY_PT, room - 4), TINY_PT)
        self.write(inner, low - 1.1, about.made, TINY_PT, color=style.SOFT_INK)


@lru_cache(maxsize=20_000)
def _word_mm(word: str, bold: bool) -> float:
    """Width of a word at ten points [mm]."""
    return lettering.width_in(word, 10.0, bold) * MM_IN if word else 0.0


def width_mm(text: str, size_pt: float, *, bold: bool = False) -> float:
    """Width of a line [mm], word by word: kerning across a space is none."""
    words = text.split(" ")
    gaps = (len(words) - 1) * (_word_mm("n n", bold) - _word_mm("nn", bold))
    return (sum(_word_mm(word, bold) for word in words) + gaps) * size_pt / 10.0


def fitted(text: str, size_pt: float, room_mm: float, *, bold: bool = False) -> str:
    """One line, cut with an ellipsis where it is wider than its room."""
    if width_mm(text, size_pt, bold=bold) <= room_mm:
        return text
    while text and width_mm(text + "…", size_pt, bold=bold) > room_mm:
        text = text[:-1]
    return text.rstrip() + "…"


def wrapped(text: str, size_pt: float, room_mm: float, *, bold: bool = False) -> list[str]:
    """Lines that fit a room, broken at spaces, or within a word that fits no line."""
    lines: list[str] = []
    for paragraph in text.split("\n"):
        line = ""
        for word in _breakable(paragraph.split(" "), size_pt, room_mm, bold):
            trial = f"{line} {word}" if line else word
            if line and width_mm(trial, size_pt, bold=bold) > room_mm:
                lines.append(line)
                line = word
            else:
                line = trial
        lines.append(line)
    return lines


def _breakable(words: Sequence[str], size_pt: float, room_mm: float, bold: bool) -> list[str]:
    found: list[str] = []
    for word in words:
        rest = word
        while rest and width_mm(rest, size_pt, bold=bold) > room_mm and len(rest) > 1:
            take = max(1, int(len(rest) * room_mm / width_mm(rest, size_pt, bold=bold)))
            while take > 1 and width_mm(rest[:take], size_pt, bold=bold) > room_mm:
                take -= 1
            found.append(rest[:take])
            rest = rest[take:]
        found.append(rest)
    return found
