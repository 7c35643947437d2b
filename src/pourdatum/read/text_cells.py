"""How a row of text is told apart into cells: separator, decimal mark, quotes, comments."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

_SPACE: Final = 32
_QUOTE: Final = 34
_NUMBER: Final = re.compile(
    rb"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?|[+-]?(?:nan|inf)|-?[0-9.]+#\w+",
    re.I,
)
_COMMA_NUMBER: Final = re.compile(
    rb"[+-]?(?:[0-9]+(?:,[0-9]+)?|,[0-9]+)(?:[eE][+-]?[0-9]+)?|[+-]?(?:nan|inf)", re.I
)
_COMMENT_LINE: Final = re.compile(rb"(?m)^[ \t]*(?:#|//)[^\n]*")
LONGEST_WORD: Final = 64
"""Characters of the longest word that can be a number."""
SWAP_MARKS: Final = bytes.maketrans(b",.", b".,")
_QUOTED: Final = re.compile(rb'"[^"\n]*"')
_BLANK_CELLS: Final = re.compile(rb'"[^"]*"|\S+')


@dataclass(frozen=True)
class Cells:
    """How the cells of a row are told apart.

    Attributes
    ----------
    separator : str, optional
        ``","``, ``";"`` or a tab between two cells; without one, blanks and tabs of any
        number.
    decimal_comma : bool
        Numbers have a comma where others have a point. With commas between the cells
        too, only those within quotes are decimal.
    comments : bool
        Lines that begin with ``#`` or ``//`` are no rows.
    """

    separator: str | None = None
    decimal_comma: bool = False
    comments: bool = False

    def is_row(self, data: bytes, starts: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Which lines hold a row: not blank, not separators alone, no comment; (n,)."""
        text = np.frombuffer(data, np.uint8)
        if self.separator is not None:
            text = np.where((text == ord(self.separator)) | (text == _QUOTE), 0, text)
        row = np.maximum.reduceat(text, starts) > _SPACE
        if self.comments:
            row &= ~_is_comment(data, starts)
        return np.asarray(row)

    def clean(self, data: bytes) -> bytes:
        """The rows alone, and decimal points for decimal commas.

        A point becomes a comma then, so that it is no number: it may part thousands.
        """
        if self.comments and (b"#" in data or b"//" in data):
            data = _COMMENT_LINE.sub(b"", data)
        if self.separator is not None:
            data = self._nothing.sub(b"", data)
        if self.decimal_comma and self.separator != ",":
            data = data.translate(SWAP_MARKS)
        elif self.decimal_comma:
            data = _QUOTED.sub(lambda quoted: quoted[0].translate(SWAP_MARKS), data)
        return data

    def counts(self, data: bytes) -> NDArray[np.intp]:
        """Cells of every line that is not blank, of rows made ``clean``."""
        starts = line_begins(data)
        if self.separator is None:
            words = words_per_line(data, starts)
            return words[words > 0]
        text = np.frombuffer(data, np.uint8)
        between = text == ord(self.separator)
        if b'"' in data:
            between &= ~_within_quotes(text, starts)
        counts = np.add.reduceat(between, starts, dtype=np.intp) + 1
        return np.asarray(counts[np.maximum.reduceat(text, starts) > _SPACE])

    def split(self, line: bytes) -> list[bytes]:
        r"""The cells of one line, without blanks around them and quotes.

        Examples
        --------
        >>> Cells(",").split(b'"pump, large", 1.5,,2\r')
        [b'pump, large', b'1.5', b'', b'2']
        >>> Cells().split(b' 1.5  "sump 2"\t3 ')
        [b'1.5', b'sump 2', b'3']
        """
        if self.separator is None:
            found: list[bytes] = _BLANK_CELLS.findall(line) if b'"' in line else line.split()
        else:
            mark = self.separator.encode()
            if b'"' in line:
                inner = _QUOTED.sub(lambda q: q[0].replace(mark, b"\0"), line)
                found = [cell.replace(b"\0", mark) for cell in inner.split(mark)]
            else:
                found = line.split(mark)
        return [cell.strip().strip(b'"').strip() for cell in found]

    def is_number(self, cell: bytes) -> bool:
        """Whether a cell holds one number."""
        return (_COMMA_NUMBER if self.decimal_comma else _NUMBER).fullmatch(cell) is not None

    @property
    def _nothing(self) -> re.Pattern[bytes]:
        return re.compile(rb'(?m)^[ \t\r"' + re.escape((self.separator or "").encode()) + rb"]+$")


def number_of(word: bytes | str) -> float:
    """The number that a word of a file is.

    Raises
    ------
    ValueError
        If it is none, or has an underscore (a number to Python, and to nobody else) or more
        than ``LONGEST_WORD`` characters.

    Examples
    --------
    >>> number_of(b"-1.5e3"), number_of("nan")
    (-1500.0, nan)
    """
    odd = b"_" in word if isinstance(word, bytes) else "_" in word
    if odd or len(word) > LONGEST_WORD:
        raise ValueError("no number")
    return float(word)


def longest_of(words: list[bytes]) -> int | None:
    """Which word is the longest, where it is over ``LONGEST_WORD``; else None.

    An array of words is as wide as the longest for all of them: one of 900 kB among 400 000
    short ones would ask for 335 GiB.
    """
    lengths = np.fromiter(map(len, words), np.int64, len(words))
    if len(words) and int(lengths.max()) > LONGEST_WORD:
        return int(lengths.argmax())
    return None


def line_begins(data: bytes, mark: bytes = b"\n") -> NDArray[np.int64]:
    """Where each line of a text that is not empty begins, (n,); the last may lack its end."""
    ends = np.flatnonzero(np.frombuffer(data, np.uint8) == mark[0])
    begins = np.concatenate([np.zeros(1, np.int64), ends + 1])
    return begins[:-1] if begins[-1] == len(data) else begins


def words_per_line(data: bytes, starts: NDArray[np.int64]) -> NDArray[np.intp]:
    r"""Words between blanks of each line, (n,); quotes hold blanks together.

    Examples
    --------
    >>> data = b'1 2 3\n\n "sump 2" 5\n7'
    >>> words_per_line(data, line_begins(data)).tolist()
    [3, 0, 2, 1]
    """
    text = np.frombuffer(data, np.uint8)
    solid = text > _SPACE
    if b'"' in data:
        solid |= _within_quotes(text, starts)
    begins = solid.copy()
    begins[1:] &= ~solid[:-1]
    return np.asarray(np.add.reduceat(begins, starts, dtype=np.intp))


def _is_comment(data: bytes, starts: NDArray[np.int64]) -> NDArray[np.bool_]:
    comment = np.zeros(len(starts), bool)
    if b"#" in data or b"//" in data:
        found = [m.start() for m in _COMMENT_LINE.finditer(data.replace(b"\r", b"\n"))]
        comment |= np.isin(starts, found)
    return comment


def _within_quotes(text: NDArray[np.uint8], starts: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which characters follow an odd number of quotes in their line.

    None in a line whose quotes do not pair: there they are inch marks.
    """
    marks = np.cumsum(text == _QUOTE, dtype=np.int32)
    ends = np.append(starts[1:], len(text))
    before = np.where(starts > 0, marks[starts - 1], 0)
    paired = (marks[ends - 1] - before) & 1 == 0
    odd = ((marks - np.repeat(before, ends - starts)) & 1) == 1
    return np.asarray(odd & np.repeat(paired, ends - starts))
