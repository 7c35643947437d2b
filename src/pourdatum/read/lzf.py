"""Unpacking LZF, the byte compression inside some point files.

A packed stream is a run of tokens. A first byte below 32 says how many bytes follow
as they are; otherwise its upper three bits and lower five say how many bytes to copy
from how far back in what was unpacked already.
"""

from __future__ import annotations

from typing import Final

MOST_RATIO: Final = 88
"""Unpacked bytes for one packed byte, at most: three bytes can stand for 264."""


def unpack_lzf(packed: bytes, size: int, *, enough: int | None = None) -> bytearray:
    """Unpack to ``size`` bytes, or stop once ``enough`` are there.

    Raises
    ------
    ValueError
        If the stream ends early, points before its beginning, or holds more than
        ``size``.

    Examples
    --------
    >>> bytes(unpack_lzf(bytes([1]) + b"ab" + bytes([0x60, 1]), 7))
    b'abababa'
    """
    wanted = size if enough is None else min(size, enough)
    out = bytearray()
    position = 0
    end = len(packed)
    while len(out) < wanted:
        if position >= end:
            raise ValueError(f"they end after {len(out)} of {size} bytes")
        control = packed[position]
        position += 1
        if control < 32:
            stop = position + control + 1
            if stop > end:
                raise ValueError(f"they end after {len(out)} of {size} bytes")
            out += packed[position:stop]
            position = stop
            continue
        length = control >> 5
        if position + (2 if length == 7 else 1) > end:
            raise ValueError(f"they end after {len(out)} of {size} bytes")
        if length == 7:
            length += packed[position]
            position += 1
        back = ((control & 31) << 8) + packed[position] + 1
        position += 1
        begin = len(out) - back
        if begin < 0:
            raise ValueError(f"a copy at byte {len(out)} reaches before the beginning")
        length += 2
        if back >= length:
            out += out[begin : begin + length]
        else:  # the copy overlaps itself: it repeats
            pattern = out[begin:]
            out += (pattern * (length // back + 1))[:length]
    if len(out) > size or (enough is None and position != end):
        raise ValueError(f"they hold more than {size} bytes")
    return out
