"""Whole numbers over a grid, packed for the page: differences, byte by byte, deflated.

Heights of a floor hardly differ from the plane through their neighbours, and masks hardly at
all; differences of differences are small whole numbers, whose bytes pack well. The page unpacks
them with what every browser brings (RFC 1950), and ``live/unpacking.js`` sums them up again.
"""

from __future__ import annotations

import base64
import zlib
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

_LARGEST: Final = 2**28
"""Differences of differences are up to four times as large, folded eight times: 32 bits."""
_LEVEL: Final = 6


def packed(values: NDArray[Any]) -> str:
    """Whole numbers as text.

    Parameters
    ----------
    values : (ny, nx) or (n,) array of whole numbers or bool

    Raises
    ------
    ValueError
        If one is larger than 2**28 either way.

    Examples
    --------
    >>> unpacked(packed(np.array([[3, -4], [500, 6]])), 2, 2)
    array([[  3,  -4], [500,   6]], dtype=int32)
    """
    whole = np.atleast_2d(values).astype(np.int32)
    if whole.size and max(int(whole.max()), -int(whole.min())) > _LARGEST:
        raise ValueError(f"whole numbers to pack reach {np.abs(whole).max()}; {_LARGEST} is most")
    whole[:, 1:] -= whole[:, :-1].copy()
    whole[1:] -= whole[:-1].copy()
    # Small numbers of either sign become small numbers: 0, -1, 1, -2 are 0, 1, 2, 3.
    folded = ((whole << 1) ^ (whole >> 31)).view(np.uint32)
    most = int(folded.max()) if folded.size else 0
    planes = [
        ((folded >> np.uint32(shift)) & np.uint32(255)).astype(np.uint8).tobytes()
        for shift in range(0, max(most.bit_length(), 1), 8)
    ]
    return base64.b64encode(zlib.compress(b"".join(planes), _LEVEL)).decode()


def unpacked(text: str, rows: int, columns: int) -> NDArray[np.int32]:
    """The whole numbers again, as the page gets them."""
    planes = np.frombuffer(zlib.decompress(base64.b64decode(text)), np.uint8)
    folded = np.zeros(rows * columns, np.uint32)
    for place, plane in enumerate(planes.reshape(-1, rows * columns)):
        folded |= plane.astype(np.uint32) << np.uint32(8 * place)
    steps = ((folded >> np.uint32(1)) ^ -(folded & np.uint32(1))).view(np.int32)
    grid = steps.reshape(rows, columns)
    out: NDArray[np.int32] = grid.cumsum(axis=1, dtype=np.int32).cumsum(axis=0, dtype=np.int32)
    return out
