"""A folder for temporary files that is cleared away even after a kill that nobody can catch.

Who holds it keeps a lock on a file in it, which the system lets go at the holder's end, however
that comes. A folder of ours whose lock can be had belongs to nobody any more.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
import tempfile
from pathlib import Path
from typing import Final

_PREFIX: Final = "pourdatum-"
_HELD: Final = "held"


def held_folder() -> Path:
    """A new folder for this process; those of processes that were killed are removed.

    On Windows, and on disks that know no locks, nothing is cleared away.
    """
    _clear_abandoned(Path(tempfile.gettempdir()))
    folder = Path(tempfile.mkdtemp(prefix=_PREFIX))
    with contextlib.suppress(OSError):
        # Locked before it has its name: nobody sees it without a lock.
        coming = folder / f"{_HELD}.coming"
        if _locked(coming, os.O_CREAT) is not None:
            coming.rename(folder / _HELD)
    return folder


def _clear_abandoned(place: Path) -> None:
    if sys.platform == "win32":
        return
    with contextlib.suppress(OSError):
        for folder in place.glob(f"{_PREFIX}*"):
            # Another user may lay a folder or a link of such a name here: it stays.
            if folder.is_symlink() or folder.lstat().st_uid != os.geteuid():
                continue
            with contextlib.suppress(OSError):
                held = _locked(folder / _HELD)
                if held is not None:
                    shutil.rmtree(folder, ignore_errors=True)
                    os.close(held)


def _locked(path: Path, more: int = 0) -> int | None:
    """A handle that holds the lock on a file; None where another has it, or on Windows."""
    if sys.platform == "win32":
        return None
    import fcntl

    # It is not handed on to a worker, which outlives us by a little.
    handle = os.open(path, os.O_RDWR | os.O_NOFOLLOW | os.O_CLOEXEC | more, 0o600)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(handle)
        return None
    return handle
