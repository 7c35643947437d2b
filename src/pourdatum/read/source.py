"""The file at the door: it exists, is a plain file, can be read, and stays the same.

Every format starts from a ``Source``. Its size and time stamp are noted before the
first byte is read and compared whenever a piece is read later, so that a file that
is still being copied is refused rather than half used.
"""

from __future__ import annotations

import hashlib
import os
import stat
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import Future
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

from pourdatum.errors import ScanError
from pourdatum.read.remote import is_address, open_address, size_and_stamp

_BLOCK: Final = 1 << 20
HEAD_BYTES: Final = 4096
"""Bytes from which the content is told."""
LAST_LINE_OPEN: Final = (
    "the last line has no end, as in a file that was cut short: the scan is taken to be whole"
)
BOM: Final = b"\xef\xbb\xbf"
"""Mark of UTF-8, which editors of text put before the first line."""


@dataclass(frozen=True)
class Source:
    """A plain file as it was when first looked at.

    Attributes
    ----------
    path : str
        From the root, so that a worker that starts elsewhere finds it; or an address.
    size : int
        Bytes.
    stamp_ns : int
        Time of the last change [ns]; of an address a number that changes with the file.
    typed : str
        As the user wrote it.
    """

    path: str
    size: int
    stamp_ns: int
    typed: str = ""

    @property
    def shown(self) -> str:
        """The path on one line, control characters escaped."""
        return shown(self.typed or self.path)


def shown(path: str) -> str:
    r"""A path on one line, control characters escaped.

    Examples
    --------
    >>> shown("hall.laz")
    'hall.laz'
    >>> print(shown("two" + chr(10) + "lines.ply"))
    two\nlines.ply
    """
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in path)


def find_source(path: str | os.PathLike[str]) -> Source:
    """Check that a path leads to a plain, non-empty file; nothing is read yet.

    Raises
    ------
    ScanError
        If there is no such file, it is no plain file (a pipe would block), it is
        empty, or the system refuses; with the system's own reason.
    """
    text = os.fspath(path)
    if is_address(text):
        size, stamp = size_and_stamp(text)
        return _not_empty(Source(text, size, stamp, text))
    if not text:
        raise ScanError("the name of a scan is empty", hint="name its file", id="no-such-file")
    try:
        found = Path(text).stat()
    except FileNotFoundError:
        raise ScanError(
            "no such file", where=shown(text), hint="check the path", id="no-such-file"
        ) from None
    except (OSError, ValueError) as reason:
        raise _unreadable(text, reason) from reason
    if not stat.S_ISREG(found.st_mode):
        kind = "a folder" if stat.S_ISDIR(found.st_mode) else "a pipe, socket or device"
        raise ScanError(
            f"not a regular file but {kind}",
            where=shown(text),
            hint="give the scan file itself",
            id="not-a-file",
        )
    return _not_empty(Source(str(Path(text).absolute()), found.st_size, found.st_mtime_ns, text))


def _not_empty(source: Source) -> Source:
    if source.size == 0:
        raise ScanError(
            "file is empty (0 bytes)",
            where=source.shown,
            hint="export or copy the scan again",
            id="file-empty",
        )
    return source


@contextmanager
def opened(source: Source) -> Iterator[BinaryIO]:
    """Open the file for reading, and check before and after that it did not change.

    Raises
    ------
    ScanError
        If it cannot be read, or size or time stamp differ from ``source``.
    """
    try:
        if is_address(source.path):
            size, stamp = size_and_stamp(source.path)
            _check_same(source, size, stamp)
            with open_address(source.path) as stream:
                yield stream
            return
        with Path(source.path).open("rb") as stream:
            _check_same(source, *_now(stream))
            yield stream
            _check_same(source, *_now(stream))
    except OSError as reason:
        raise _unreadable(source.shown, reason) from reason


def read_exactly(stream: BinaryIO, start: int, count: int, source: Source) -> bytes:
    """``count`` bytes from ``start``; fewer is an error, never a short answer."""
    stream.seek(start)
    data = stream.read(count)
    if len(data) != count:
        raise ScanError(
            f"file ends early: {len(data)} of {count} bytes at byte {start}",
            where=source.shown,
            hint="copy or export the scan again",
            id="cut-short",
        )
    return data


def read_head(source: Source) -> bytes:
    """The first bytes, from which the content is told."""
    with opened(source) as stream:
        return stream.read(HEAD_BYTES)


def ends_its_last_line(source: Source) -> bool:
    """Whether a text ends with the end of a line, as one that was cut short seldom does."""
    with opened(source) as stream:
        return read_exactly(stream, source.size - 1, 1, source) in b"\n\r\0\x1a"


def glance_at(source: Source) -> bytes:
    """Some bytes at the start, in the middle and at the end: copies have the same.

    Raises
    ------
    ScanError
        If it cannot be read, or changed since it was first looked at.
    """
    some = min(HEAD_BYTES, source.size)
    starts = (0, (source.size - some) // 2, source.size - some)
    with opened(source) as stream:
        return b"".join(read_exactly(stream, start, some, source) for start in starts)


def sha256_of(source: Source) -> str:
    """SHA-256 of the whole file in hexadecimal, read in blocks.

    Raises
    ------
    ScanError
        If the file changes while it is read: the hash would be that of nothing.
    """
    digest = hashlib.sha256()
    done = 0
    with opened(source) as stream:
        while block := stream.read(_BLOCK):
            digest.update(block)
            done += len(block)
    if done != source.size:
        raise _changed(source, f"{done} bytes read, {source.size} at the start")
    return digest.hexdigest()


def _now(stream: BinaryIO) -> tuple[int, int]:
    found = os.fstat(stream.fileno())
    return found.st_size, found.st_mtime_ns


def _check_same(source: Source, size: int, stamp_ns: int) -> None:
    if size != source.size:
        raise _changed(source, f"{source.size} bytes at the start, {size} now")
    if stamp_ns != source.stamp_ns:
        raise _changed(source, "it was written to again")


def _changed(source: Source, how: str) -> ScanError:
    return ScanError(
        f"file changed while reading ({how})",
        where=source.shown,
        hint="wait until it is copied, then start again",
        id="file-changed",
    )


def _unreadable(path: str, reason: Exception) -> ScanError:
    words = getattr(reason, "strerror", None) or str(reason)
    return ScanError(
        f"cannot be read: {words}",
        where=shown(path),
        hint="check its permissions and the disk",
        id="file-unreadable",
    )


def hash_behind(sources: Sequence[Source]) -> list[Future[str]]:
    """Promises of the files' SHA-256; one thread behind the reading keeps them in order.

    It dies with the program: who stops it does not wait for a large file.
    """
    promised: list[Future[str]] = [Future() for _ in sources]

    def work() -> None:
        for source, promise in zip(sources, promised, strict=True):
            try:
                promise.set_result(sha256_of(source))
            except BaseException as reason:
                promise.set_exception(reason)

    threading.Thread(target=work, daemon=True).start()
    return promised
