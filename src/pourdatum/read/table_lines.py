"""From the bytes of a small table to rows of words: encoding, comments, separator, numbers."""

from __future__ import annotations

import csv
import re
from typing import Final

import numpy as np

from pourdatum.errors import PourdatumError

ROWS_CAP: Final = 50_000
_LINE_CAP: Final = 10_000
_SHOWN: Final = 40

_NUMBER: Final = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
_COMMA_NUMBER: Final = re.compile(r"[-+]?(?:\d+,\d*|,\d+)(?:[eE][-+]?\d+)?")
_GROUPED: Final = re.compile(r"[-+]?\d{1,3}(?:,\d{3})*,\d{3}\.\d*|[-+]?\d{1,3}(?:\.\d{3})+,\d+")
_TWO_IN_ONE: Final = re.compile(r"[\d.]\s+[-+]?[\d.]")
_SEPARATOR_LINE: Final = re.compile(r"sep=([;,|\t])\s*", re.IGNORECASE)
SEPARATOR_WORDS: Final = {"\t": "tabs", ";": "semicolons", ",": "commas", " ": "blanks"}

Cells = list[tuple[int, tuple[str, ...]]]
"""Rows of words, each with its line."""


def decoded(data: bytes, where: str, fault: type[PourdatumError]) -> str:
    """Text in UTF-8, UTF-16 with or without its mark, or else the western code page 1252."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        kind = "utf-16"
    elif b"\0" in data[:4096]:
        # ASCII in UTF-16 without its mark has its zero bytes all on one side.
        even, odd = data[:4096:2].count(0), data[1:4096:2].count(0)
        kind = "utf-16-be" if even > odd else "utf-16-le"
    else:
        kind = "utf-8-sig"
    try:
        text = data.decode(kind)
    except UnicodeDecodeError:
        if kind != "utf-8-sig":
            raise table_fault(
                fault, "is no table of text", where, "export it as CSV in UTF-8"
            ) from None
        text = data.decode("cp1252", errors="replace")
    if any(ord(c) < 32 and c not in "\t\r\n\f\x1a" for c in text[:4096]):
        raise table_fault(fault, "is no table of text", where, "export it as CSV in UTF-8")
    return text


def content_lines(
    text: str, where: str, fault: type[PourdatumError]
) -> tuple[list[tuple[int, str]], list[tuple[int, str]]]:
    """Lines with words in them, and comments without their sign, each with its number."""
    lines: list[tuple[int, str]] = []
    comments: list[tuple[int, str]] = []
    # Not splitlines(): it would also part a line at characters that stand within words.
    for number, raw in enumerate(re.split(r"\r\n|\n|\r", text.rstrip("\x1a")), 1):
        line = raw.strip(" \f\ufeff").replace("\u00a0", " ")
        if len(line) > _LINE_CAP:
            raise table_fault(
                fault, f"line {number} has over {_LINE_CAP} characters", where, "is it a table?"
            )
        if line.startswith(("#", "//")):
            comments.append((number, line.lstrip("#/ ")))
        elif line.strip():
            lines.append((number, line))
        if len(lines) > ROWS_CAP:
            raise table_fault(fault, f"table has over {ROWS_CAP} rows", where, "thin it out")
    if not lines:
        raise table_fault(fault, "holds no row of values", where, "write one row for each place")
    return lines, comments


def separator_of(lines: list[str], where: str, fault: type[PourdatumError]) -> str:
    """The separator; a word ``sep=;`` of a spreadsheet settles it and is taken out."""
    if found := _SEPARATOR_LINE.fullmatch(lines[0]):
        return found[1]
    for separator in "\t;":
        if all(len(split_line(line, separator)) > 1 for line in lines):
            return separator
    by_comma = [split_line(line, ",") for line in lines]
    widths = {len(row) for row in by_comma}
    if min(widths) > 1 and not any(
        _TWO_IN_ONE.search(word) for row in by_comma[1:] or by_comma for word in row if word
    ):
        return ","
    if any("\t" in line or ";" in line for line in lines[: len(lines) // 2 + 1]):
        # Most lines have it: the errors of single lines are said later, by line.
        separator = max("\t;", key=lambda sign: sum(sign in line for line in lines))
        if 2 * sum(separator in line for line in lines) > len(lines):
            return separator
    by_blank = [split_line(line, " ") for line in lines]
    if 2 * sum(len(row) > 1 for row in by_blank) > len(lines) and (
        2 * sum(len(row) > 1 for row in by_comma) <= len(lines)
        or any(_TWO_IN_ONE.search(word) for row in by_comma for word in row)
    ):
        return " "
    if 2 * sum(len(row) > 1 for row in by_comma) > len(lines):
        return ","
    raise table_fault(
        fault, "has only one column, or no separator is found", where,
        "part the columns by commas, semicolons or tabs",
    )  # fmt: skip


def split_line(line: str, separator: str) -> tuple[str, ...]:
    """Words of a line; quoted ones may hold the separator.

    Examples
    --------
    >>> split_line('P1, "by the door, left", 0.312', ",")
    ('P1', 'by the door, left', '0.312')
    """
    if _SEPARATOR_LINE.fullmatch(line):
        return ()
    if separator == " ":
        line = re.sub(r"[ \t]+", " ", line.strip())
    if '"' not in line:
        return tuple(word.strip() for word in line.split(separator))
    row = next(csv.reader([line], delimiter=separator, skipinitialspace=True))
    return tuple(word.strip() for word in row)


def trimmed(row: tuple[str, ...]) -> tuple[str, ...]:
    """A row without the empty words that separators at its end leave."""
    while row and not row[-1]:
        row = row[:-1]
    return row


def has_decimal_comma(cells: Cells, where: str, fault: type[PourdatumError]) -> bool:
    """Whether numbers are written with a decimal comma.

    Raises
    ------
    PourdatumError
        ``fault``, if both manners occur, or thousands are parted.
    """
    for number, row in cells:
        for word in row:
            if _GROUPED.fullmatch(word.replace("\u2212", "-")):
                raise table_fault(
                    fault,
                    f"line {number}: '{word[:_SHOWN]}' has signs between its thousands",
                    where,
                    "write numbers without them",
                )
    words = [word for _, row in cells for word in row]
    commas = next((w for w in words if _COMMA_NUMBER.fullmatch(w.replace("\u2212", "-"))), None)
    points = next((w for w in words if "." in w and number_in(w, False) is not None), None)
    if commas is not None and points is not None:
        raise table_fault(
            fault,
            f"has both decimal commas and decimal points ('{commas[:_SHOWN]}',"
            f" '{points[:_SHOWN]}')",
            where,
            "write all numbers in one manner",
        )
    return commas is not None


def is_number(word: str) -> bool:
    """Whether a word is a number, with a decimal point or a decimal comma.

    Examples
    --------
    >>> [is_number(word) for word in ("12.5", "-3,25", "1e-3", "nan", "12.5 m", "")]
    [True, True, True, False, False, False]
    """
    return number_in(word, False) is not None or number_in(word, True) is not None


def number_in(word: str, comma: bool) -> float | None:
    """The finite number that a word is, ``None`` where it is none."""
    word = word.replace("\u2212", "-")
    if comma and _COMMA_NUMBER.fullmatch(word):
        word = word.replace(",", ".")
    if not word.isascii() or not _NUMBER.fullmatch(word):
        return None
    value = float(word)
    return value if np.isfinite(value) else None


def table_fault(fault: type[PourdatumError], message: str, where: str, hint: str) -> PourdatumError:
    """The caller's error."""
    return fault(message, where=where, hint=hint, id="table")
