"""Keeps the sums over the files of a campaign that are finished, for a run that goes on later.

One file beside the results, replaced in one step and removed in the end. It holds arrays
alone, and a mark of what was summed: sums of another floor, cell or file are not taken.
"""

from __future__ import annotations

import contextlib
import json
import os
import zipfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

_TOLD: Final = "told"


class PartSums:
    """Sums kept in a file.

    Parameters
    ----------
    path : Path
        Of the file; it need not exist.
    """

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        self.done: tuple[str, ...] = ()
        """Files whose sums are kept."""

    def identity(self, path: str) -> str:
        """What tells a file from another, and from itself after a change."""
        try:
            found = Path(path).stat()
        except (OSError, ValueError):
            return path
        return f"{path} {found.st_size} {found.st_mtime_ns}"

    def load(self, mark: str) -> tuple[dict[str, NDArray[Any]], tuple[str, ...]] | None:
        """Sums kept under this mark and the files in them; None where there are none."""
        try:
            # Opened here: NumPy leaves a file that it cannot read open.
            with self.path.open("rb") as stream, np.load(stream, allow_pickle=False) as held:
                told = json.loads(str(held[_TOLD]))
                if told["mark"] != mark:
                    return None
                arrays = {name: held[name] for name in held.files if name != _TOLD}
        except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
            return None
        self.done = tuple(told["done"])
        return arrays, self.done

    def save(self, mark: str, arrays: dict[str, NDArray[Any]], done: Sequence[str]) -> None:
        """Keep sums; where the disk is full they are not kept, and the run goes on."""
        work = self.path.with_name(f"{self.path.name}.{os.getpid()}")
        told = np.array(json.dumps({"mark": mark, "done": list(done)}))
        named: dict[str, Any] = {_TOLD: told, **arrays}
        try:
            with work.open("wb") as stream:
                np.savez(stream, **named)
            work.replace(self.path)
            self.done = tuple(done)
        except OSError:
            pass
        finally:  # also when the run is stopped
            with contextlib.suppress(OSError):
                work.unlink(missing_ok=True)

    def clear(self) -> None:
        """Remove what was kept: the run is through."""
        with contextlib.suppress(OSError):
            self.path.unlink(missing_ok=True)
        self.done = ()
