"""Takes dropped files in: streamed into a folder of this run, under their own base names."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Final

from pourdatum.cli.local.held import held_folder
from pourdatum.errors import OutputError, PourdatumError, ScanError

SPARE_BYTES: Final = 64 << 20
"""Of the disk, left free for everything else."""
_LONGEST: Final = 200
"""Bytes of a name; file systems take 255, and a result folder's name is made from it."""
_FORBIDDEN: Final = '<>:"|?*' if os.name == "nt" else ""


class Intake:
    """A folder for one campaign of dropped files; it goes when the program ends."""

    def __init__(self) -> None:
        self.folder = held_folder()
        self.scans = self.folder / "scans"
        self.campaign = 0
        self.clear()

    def clear(self) -> None:
        """Remove what was taken in, for another campaign."""
        shutil.rmtree(self.scans, ignore_errors=True)
        self.scans.mkdir(exist_ok=True)
        self.names: list[str] = []
        self.campaign += 1

    def close(self) -> None:
        """Remove everything."""
        shutil.rmtree(self.folder, ignore_errors=True)

    def check_campaign(self, told: object) -> None:
        """Raise ``ScanError`` where a page means other files than those that are here now."""
        if told is not None and str(told) != str(self.campaign):
            raise ScanError(
                "another tab has dropped another scan meanwhile, which took the place of this one",
                hint="work in one tab, and drop the scan there again",
                id="other-tab",
            )

    def paths(self) -> list[str]:
        """The files that were taken in, in order."""
        return [str(self.scans / name) for name in self.names]

    def check_room(self, size: object, name: str = "") -> None:
        """Raise ``OutputError`` where the disk does not hold so many bytes more."""
        free = shutil.disk_usage(self.scans).free
        if isinstance(size, int) and size > free - SPARE_BYTES:
            raise _full(name, size, free)

    async def take(self, told: str, size: int, pieces: AsyncIterator[bytes]) -> str:
        """Take one file in, whole or not at all; gives the name it has now.

        Parameters
        ----------
        told : str
            Name as the browser tells it; nothing of it but its last part is used.
        size : int
            Bytes, as announced.
        pieces : async iterator of bytes

        Raises
        ------
        OutputError
            If the disk does not hold it.
        ScanError
            If a file of this name was taken in already, it ends too early, or another campaign
            has begun meanwhile.
        """
        campaign = self.campaign
        name = base_name(told)
        if name in self.names:
            raise ScanError(
                "a file of this name is there already", where=name, hint="drop each file once"
            )
        self.check_room(size, name)
        path = self.scans / name
        try:
            with path.open("xb") as out:
                async for piece in pieces:
                    out.write(piece)
                found = out.tell()
            if found != size:
                raise ScanError(
                    f"only {found} of {size} bytes came", where=name, hint="drop it again"
                )
            self.check_campaign(campaign)
        except BaseException as reason:
            if self.campaign == campaign:  # Else the name may be another file's.
                path.unlink(missing_ok=True)
            if isinstance(reason, OSError):
                raise _not_taken(name, size, reason, self.scans) from reason
            raise
        self.names.append(name)
        return name


def base_name(told: str) -> str:
    r"""The last part of a told name, so that it is a name on this computer and no path.

    Examples
    --------
    >>> base_name("../../etc/hall.laz"), base_name("C:\\scans\\hall.laz"), base_name("..")
    ('hall.laz', 'hall.laz', 'scan')
    """
    last = told.replace("\\", "/").rsplit("/", 1)[-1]
    kept = "".join(c for c in last if c.isprintable() and c not in _FORBIDDEN)
    name = kept.strip(" .")
    while len(os.fsencode(name)) > _LONGEST:
        stem, dot, ending = name.rpartition(".")
        name = f"{stem[:-1]}{dot}{ending}" if stem else ending[:-1]
        name = name.strip(" .")
    return name or "scan"


def _not_taken(name: str, size: int, reason: OSError, folder: Path) -> PourdatumError:
    if reason.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return _full(name, size, shutil.disk_usage(folder).free)
    return OutputError(f"it cannot be taken in ({reason.strerror or reason})", where=name)


def _full(name: str, size: int, free: int) -> OutputError:
    return OutputError(
        f"the scan has {size / 1e6:,.0f} MB, and the disk for temporary files has"
        f" {free / 1e6:,.0f} MB left",
        where=name,
        hint="give its path on this computer instead, so that it is not copied, or make room",
        id="disk-full",
    )
