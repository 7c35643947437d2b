"""Text that fits: widths, wrapping, and letters that the face does not have."""

from __future__ import annotations

from pourdatum.report import style

MARK = "¤"
"""Stands for a letter that the face lacks; a clear sign, never an empty box."""


def drawable(text: str, bold: bool = False) -> str:
    r"""The text with ``MARK`` for every letter that the face cannot draw.

    Examples
    --------
    >>> drawable("Flur 3 \u5e8a")
    'Flur 3 ¤'
    """
    from matplotlib.font_manager import get_font

    face = get_font(str(style.font_file(bold)))
    return "".join(letter if face.get_char_index(ord(letter)) else MARK for letter in text)


def width_in(text: str, size_pt: float, bold: bool = False) -> float:
    """Width of one line of text [in]."""
    from matplotlib.textpath import text_to_path

    wide, _, _ = text_to_path.get_text_width_height_descent(
        text, style.font(size_pt, bold=bold), ismath=False
    )
    return float(wide) / 72.0


def cut(text: str, size_pt: float, room_in: float, bold: bool = False) -> str:
    """One line, with an ellipsis where it is wider than the room."""
    if width_in(text, size_pt, bold) <= room_in:
        return text
    while text and width_in(text + "…", size_pt, bold) > room_in:
        text = text[:-1]
    return text.rstrip() + "…"


def wrapped(
    text: str, size_pt: float, room_in: float, *, bold: bool = False, most: int = 2
) -> list[str]:
    """Lines that fit the room, broken at spaces; what is over is cut.

    Parameters
    ----------
    text : str
        One paragraph.
    size_pt, room_in : float
        Size of the type [pt] and width of the room [in].
    bold : bool
        Face.
    most : int
        Most lines.
    """
    lines: list[str] = []
    line = ""
    for word in drawable(text, bold).split():
        trial = f"{line} {word}".strip()
        if line and width_in(trial, size_pt, bold) > room_in:
            lines.append(line)
            trial = word
        line = trial
    lines.append(line)
    if len(lines) > most:
        lines = [*lines[: most - 1], " ".join(lines[most - 1 :])]
    return [cut(line, size_pt, room_in, bold) for line in lines]
