"""The pages of an E57 file: 1020 bytes of content, then their checksum.

Layout after ASTM E2807: every address in the file is a *physical* one, which counts the
checksums; lengths are *logical*, without them. A page's checksum is the CRC-32C of its
content (polynomial of G. Castagnoli 1993, as in RFC 3720), stored with the high byte
first.
"""

from __future__ import annotations

from typing import BinaryIO, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import ScanError
from pourdatum.read.source import Source, read_exactly

PAGE: Final = 1024
"""Bytes of a page with its checksum; the only size that the standard's writers use."""
CONTENT: Final = PAGE - 4
_POLYNOMIAL: Final = 0x82F63B78
_AHEAD: Final = 4


def _table() -> NDArray[np.uint32]:
    table = np.arange(256, dtype=np.uint32)
    for _ in range(8):
        table = np.where(table & 1, (table >> 1) ^ np.uint32(_POLYNOMIAL), table >> 1)
    return table


_TABLE: Final = _table()


def crc32c(rows: NDArray[np.uint8]) -> NDArray[np.uint32]:
    """CRC-32C of each row, (n, bytes) to (n,).

    Examples
    --------
    RFC 3720, B.4: thirty-two bytes of zeros, and thirty-two of ones.

    >>> [f"{c:08x}" for c in crc32c(np.array([[0] * 32, [255] * 32], np.uint8))]
    ['8a9136aa', '62a8ab43']
    """
    crc = np.full(len(rows), 0xFFFFFFFF, np.uint32)
    for column in rows.T:
        crc = _TABLE[(crc ^ column) & 0xFF] ^ (crc >> 8)
    return ~crc


class Pages:
    """Reads the content of pages by logical address.

    Parameters
    ----------
    stream : binary file
    source : Source
    """

    def __init__(self, stream: BinaryIO, source: Source) -> None:
        self._stream = stream
        self._source = source
        self._first = 0
        self._held = b""
        self.size = source.size // PAGE * CONTENT
        """Logical bytes of the file."""

    def logical(self, physical: int, what: str) -> int:
        """Logical address of a physical one.

        Raises
        ------
        ScanError
            If it lies outside of the file or within a checksum; ``what`` names it.
        """
        page, within = divmod(physical, PAGE)
        if not 0 <= physical < self._source.size or within >= CONTENT:
            place = "within a checksum" if within >= CONTENT else "outside of the file"
            raise bad_e57(f"{what} at byte {physical} is {place}", self._source)
        return page * CONTENT + within

    def read(self, start: int, count: int) -> bytes:
        """``count`` bytes from a logical address, their checksums compared.

        Raises
        ------
        ScanError
            If the file ends before, or a page is damaged; names the page.
        """
        first, end = start // CONTENT, -(-(start + count) // CONTENT)
        data = read_exactly(self._stream, first * PAGE, (end - first) * PAGE, self._source)
        pages = np.frombuffer(data, np.uint8).reshape(-1, PAGE)
        stored = pages[:, CONTENT:].copy().view(">u4")[:, 0]
        bad = np.flatnonzero(crc32c(pages[:, :CONTENT]) != stored)
        if len(bad):
            raise damaged_page(first + int(bad[0]), self._source)
        begin = start - first * CONTENT
        return pages[:, :CONTENT].tobytes()[begin : begin + count]

    def peek(self, start: int, count: int) -> bytes:
        """A few bytes from a logical address, unchecked; fewer where the file ends.

        Pages ahead stay in hand: the heads of small packets stand close together.
        """
        begin = start - self._first * CONTENT
        if not 0 <= begin <= len(self._held) - count:
            self._first = start // CONTENT
            begin = start - self._first * CONTENT
            pages = -(-(begin + count) // CONTENT) + _AHEAD
            self._stream.seek(self._first * PAGE)
            data = self._stream.read(pages * PAGE)
            self._held = b"".join(data[i : i + CONTENT] for i in range(0, len(data), PAGE))
        return self._held[begin : begin + count]


def damaged_page(page: int, source: Source) -> ScanError:
    """The refusal of a page whose checksum is wrong, pages counted from 1."""
    return ScanError(
        f"page {page + 1} of {source.size // PAGE} is damaged: its checksum is wrong",
        where=source.shown,
        hint="copy or export the scan again",
        id="e57-damaged",
    )


def bad_e57(what: str, source: Source) -> ScanError:
    """The refusal of a file whose parts do not fit together."""
    return ScanError(
        f"E57: {what}", where=source.shown, hint="copy or export the scan again", id="e57-header"
    )
