"""Text of one byte a character, or of two: read alike, by character.

A table is numbers and separators, which are ASCII in every encoding. Text in UTF-16 (it
says so by its byte order mark) is read as Latin-1, other letters as ``?``; places in it
are counted in characters. Names suffer, numbers do not.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import BinaryIO, Final, Protocol

import numpy as np

from pourdatum.errors import ScanError
from pourdatum.read.source import Source, opened

_UTF8: Final = b"\xef\xbb\xbf"
_UTF16: Final = {b"\xff\xfe": "<u2", b"\xfe\xff": ">u2"}


@dataclass(frozen=True)
class WideText:
    """A file in UTF-16, and how two bytes make a character (``<u2`` or ``>u2``)."""

    source: Source
    pair: str

    @property
    def size(self) -> int:
        """Characters, the byte order mark among them."""
        return self.source.size // 2

    @property
    def shown(self) -> str:
        """The path on one line."""
        return self.source.shown


TextSource = Source | WideText


class TextStream(Protocol):
    """What is read of a text: bytes, one for each character."""

    def seek(self, offset: int, /) -> int:
        """Go to a character."""
        ...

    def read(self, size: int, /) -> bytes:
        """Up to ``size`` characters from there."""
        ...


class _Narrowed:
    """A stream of two-byte characters, read as if they were one byte each."""

    def __init__(self, stream: BinaryIO, pair: str) -> None:
        self._stream = stream
        self._pair = pair

    def seek(self, offset: int, /) -> int:
        return self._stream.seek(2 * offset) // 2

    def read(self, size: int, /) -> bytes:
        return _narrow(self._stream.read(2 * size), self._pair)


@contextmanager
def opened_text(text: TextSource) -> Iterator[TextStream]:
    """Open a text for reading; checks that the file did not change, as ``opened``."""
    if isinstance(text, WideText):
        with opened(text.source) as stream:
            yield _Narrowed(stream, text.pair)
    else:
        with opened(text) as stream:
            yield stream


def find_text(source: Source) -> tuple[TextSource, int]:
    """A file as text, and the character after the byte order mark, if there is one.

    Raises
    ------
    ScanError
        If UTF-16 ends in half a character.
    """
    with opened(source) as stream:
        mark = stream.read(3)
    if pair := _UTF16.get(mark[:2]):
        if source.size % 2:
            raise ScanError(
                f"text in UTF-16 has an odd number of bytes ({source.size})",
                where=source.shown,
                hint="copy or export it again",
                id="cut-short",
            )
        return WideText(source, pair), 1
    return source, 3 if mark == _UTF8 else 0


def read_text(text: TextSource, begin: int, count: int) -> bytes:
    """``count`` characters from ``begin``; fewer is an error, never a short answer."""
    with opened_text(text) as stream:
        stream.seek(begin)
        data = stream.read(count)
    if len(data) != count:
        raise ScanError(
            f"file ends early: {len(data)} of {count} characters at {begin}",
            where=text.shown,
            hint="copy or export the scan again",
            id="cut-short",
        )
    return data


def plain_head(head: bytes) -> bytes:
    r"""The first bytes of a file without byte order mark, one byte for each character.

    Examples
    --------
    >>> plain_head(b"\xef\xbb\xbf1 2 3"), plain_head("\ufeff1 2 3".encode("utf-16-le"))
    (b'1 2 3', b'1 2 3')
    """
    if pair := _UTF16.get(head[:2]):
        return _narrow(head[2:], pair)
    return head.removeprefix(_UTF8)


def _narrow(data: bytes, pair: str) -> bytes:
    wide = np.frombuffer(data, pair, count=len(data) // 2)
    return np.where(wide < 256, wide, ord("?")).astype(np.uint8).tobytes()
