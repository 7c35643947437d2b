"""Files behind an address (``s3://``, ``https://``, ...), through fsspec.

What fsspec offers for an address depends on what is installed beside it. A file is asked for
its size and its stamp once, and again whenever it is opened: one that changed is refused.
"""

from __future__ import annotations

import re
import zlib
from typing import Any, BinaryIO, Final, cast

from pourdatum.errors import ScanError
from pourdatum.optional import need

_ADDRESS: Final = re.compile(r"[a-zA-Z][a-zA-Z0-9+.-]+://")
_STAMPS: Final = ("ETag", "etag", "LastModified", "last_modified", "mtime", "created", "updated")


def is_address(path: str) -> bool:
    """Whether this is an address and no path of this machine.

    Examples
    --------
    >>> is_address("s3://site/hall.laz"), is_address("scans/hall.laz"), is_address(r"C:/hall.laz")
    (True, False, False)
    """
    return _ADDRESS.match(path) is not None


def size_and_stamp(address: str) -> tuple[int, int]:
    """Bytes of the file, and a number that changes with it.

    Raises
    ------
    ScanError
        If it cannot be reached, or is no file.
    MissingExtra
        If fsspec is not installed.
    """
    fsspec = _fsspec()
    try:
        system, path = fsspec.core.url_to_fs(address)
        told: dict[str, Any] = system.info(path)
    except (OSError, ValueError, ImportError) as reason:
        raise _unreachable(address, reason) from reason
    if told.get("type") != "file" or told.get("size") is None:
        raise ScanError(
            "no file, or one whose size is not told",
            where=address,
            hint="copy it to a disk and give that",
            id="not-a-file",
        )
    words = repr([str(told[name]) for name in _STAMPS if told.get(name) is not None])
    return int(told["size"]), zlib.crc32(words.encode())


def open_address(address: str) -> BinaryIO:
    """The file for reading; seeks."""
    try:
        return cast("BinaryIO", _fsspec().open(address, "rb").open())
    except (OSError, ValueError, ImportError) as reason:
        raise _unreachable(address, reason) from reason


def _fsspec() -> Any:
    return need("fsspec", purpose="reading from an address", extra="cluster")


def _unreachable(address: str, reason: Exception) -> ScanError:
    words = " ".join(str(reason).split())[:120] or type(reason).__name__
    return ScanError(
        f"cannot be reached ({words})",
        where=address,
        hint="check the address, or copy the file to a disk and give that",
        id="file-unreadable",
    )
