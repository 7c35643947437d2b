"""A result folder that is written whole or not at all.

Files are made in a hidden folder beside the target, so that the last step is a rename
on one file system; each is flushed to the disk first. Where a folder is replaced, the
two names are exchanged in one step where the system can, so that at any moment the name
stands for a whole result, old or new.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import json
import os
import secrets
import shutil
import sys
import time
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from pourdatum.errors import OutputError

OUR_FILES: Final = frozenset(
    {
        "result.json", "report.html", "report.pdf", "depth.png", "levels.png", "thickness.png",
        "surface.nc", "depth.tif", "levels.tif", "drawing.dxf", "humps.csv", "pins.csv",
        "batches.csv", "points.csv", "areas.geojson", "surface.xml", "classified.laz",
    }
)  # fmt: skip
"""Names that a result folder may hold."""

_OF_FILE_MANAGERS: Final = frozenset({".DS_Store", ".directory", "desktop.ini", "Thumbs.db"})
"""What the system itself lays into folders that people look at."""

STALE_AFTER_S: Final = 3600.0
_MARK: Final = "unfinished"
_OLD: Final = "replaced"


@contextlib.contextmanager
def result_folder(target: str | Path, *, overwrite: bool = False) -> Iterator[Path]:
    """A folder to write into, which becomes ``target`` when the block ends well.

    Entering checks that the target can be written, before any long work. Leaving by an
    error removes what was written and leaves the target as it was.

    Parameters
    ----------
    target : str or Path
        Result folder. Its parent must exist.
    overwrite : bool
        Replace an existing result folder.

    Raises
    ------
    OutputError
        If the target exists (and ``overwrite`` is false), is not a result folder, its
        parent is missing or cannot be written, or the disk is full.
    """
    shown, target = str(target), Path(target).absolute()
    _put_back(target)
    check_target(shown, overwrite=overwrite)
    _clear_stale(target)
    work = _beside(target, _MARK)
    try:
        with writing(shown):
            work.mkdir(mode=0o777)
            _probe(work)
        yield work
        with writing(shown):
            _flush(work)
            check_target(shown, overwrite=overwrite)
            _put_in_place(work, target)
    finally:
        _remove(work)


def _remove(work: Path) -> None:
    """Remove a folder; an impatient second Ctrl-C does not leave the half of it."""
    try:
        shutil.rmtree(work, ignore_errors=True)
    except BaseException:
        shutil.rmtree(work, ignore_errors=True)
        raise


@contextlib.contextmanager
def writing(target: str | Path) -> Iterator[None]:
    """Turns what the system says while writing into an ``OutputError`` about the target."""
    try:
        yield
    except OSError as reason:
        raise _cannot_write(str(target), reason) from reason


def check_target(target: str | Path, *, overwrite: bool = False) -> None:
    """Raise ``OutputError`` where ``result_folder`` would; writes nothing."""
    where, target = str(target), Path(target)
    if not where.strip():
        raise OutputError("no output folder is named", hint="give one with --out", id="output")
    if not _can_be_a_name(where):
        raise OutputError(
            "no folder can have this name", where=where, hint="give another --out", id="output"
        )
    with writing(where):
        if target.is_symlink():
            raise OutputError(
                "output is a link; results are not written through links",
                where=where,
                hint="give the folder itself with --out",
                id="output-link",
            )
        held = next((one for one in target.absolute().parents if one.exists()), None)
        if held is not None and not held.is_dir():
            raise OutputError(
                f"{held.name} is a file, and no folder can be made in it",
                where=where,
                hint="give another --out",
                id="output-parent",
            )
        if not target.absolute().parent.is_dir():
            raise OutputError(
                f"the folder {target.parent} does not exist",
                where=where,
                hint="make it first, or give another --out",
                id="output-parent",
            )
        if not target.exists():
            return
        if not target.is_dir():
            raise OutputError(
                "output is a file, and a folder is needed",
                where=where,
                hint="give another --out",
                id="output-file",
            )
        if not overwrite:
            raise OutputError(
                "the output folder exists",
                where=where,
                hint="give another --out, or --overwrite to replace it",
                id="output-exists",
            )
        _check_ours(target)


def _can_be_a_name(text: str) -> bool:
    try:
        return b"\0" not in os.fsencode(text)
    except UnicodeEncodeError:
        return False


def _check_ours(target: Path) -> None:
    """Refuse to replace a folder that holds anything of others: it would be gone."""
    if target.resolve() == Path.cwd():
        stray = "the current folder"
    else:
        names = (item.name for item in sorted(target.iterdir()) if not _may_go(item))
        stray = next(names, "")
    if stray:
        raise OutputError(
            f"will not replace a folder that is not a result folder (found {stray})",
            where=str(target), hint="take that away, or give another --out", id="output-foreign",
        )  # fmt: skip


def _may_go(item: Path) -> bool:
    if item.name == "result.json" and not _is_our_result(item):
        return False
    return item.name in OUR_FILES | _OF_FILE_MANAGERS and not item.is_dir()


def _is_our_result(path: Path) -> bool:
    try:
        stated = json.loads(path.read_bytes())["schema"]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return False
    return str(stated).startswith("pourdatum.")


def _beside(target: Path, state: str) -> Path:
    """A hidden name beside the target; short, so that long names stay within the limit."""
    mine = f"{_stem(target, state)}{os.getpid()}-{secrets.token_hex(4)}"
    return target.parent / mine


def _stem(target: Path, state: str) -> str:
    return f".pourdatum-{zlib.crc32(os.fsencode(target.name)):08x}-{state}-"


def _probe(work: Path) -> None:
    # Some full or read-only file systems let a folder be made and no byte be written.
    probe = work / "probe"
    with probe.open("wb") as out:
        out.write(b"\0" * 4096)
        out.flush()
        os.fsync(out.fileno())
    probe.unlink()


def _flush(folder: Path) -> None:
    for item in sorted(folder.iterdir()):
        with item.open("r+b") as written:
            os.fsync(written.fileno())
    _flush_names(folder)


def _flush_names(folder: Path) -> None:
    if sys.platform == "win32":
        return  # A folder cannot be opened there.
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _put_in_place(work: Path, target: Path) -> None:
    if not target.exists():
        _rename(work, target)
    elif not _exchanged(work, target):
        old = _beside(target, _OLD)
        _rename(target, old)
        try:
            _rename(work, target)
        except BaseException:
            _rename(old, target)
            raise
        shutil.rmtree(old, ignore_errors=True)
    # After an exchange ``work`` is the old result, and the caller removes it.
    _flush_names(target.parent)


def _rename(source: Path, target: Path) -> None:
    """Rename; where another program holds a file for a moment (Windows), try again."""
    for pause_s in (0.2, 0.5, 1.0):
        try:
            source.rename(target)
        except PermissionError:
            if os.name != "nt":
                raise
            time.sleep(pause_s)
        else:
            return
    source.rename(target)


def _exchanged(a: Path, b: Path) -> bool:
    """Exchange two names in one step, where the system knows how (Linux); else False."""
    if not sys.platform.startswith("linux"):
        return False
    try:
        call = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError):
        return False
    at_cwd, exchange = -100, 2  # AT_FDCWD and RENAME_EXCHANGE of the kernel's interface.
    return bool(call(at_cwd, os.fsencode(a), at_cwd, os.fsencode(b), exchange) == 0)


def _put_back(target: Path) -> None:
    """Give an old result its name back, where a killed run had only taken it away."""
    with contextlib.suppress(OSError):
        if not target.exists():
            for old in target.parent.glob(f"{_stem(target, _OLD)}*"):
                old.rename(target)
                return


def _clear_stale(target: Path) -> None:
    """Remove what killed runs left beside the target."""
    with contextlib.suppress(OSError):
        for state in (_MARK, _OLD):
            for item in target.parent.glob(f"{_stem(target, state)}*"):
                if _abandoned(item):
                    shutil.rmtree(item, ignore_errors=True)


def clear_after(folder: Path, process: int) -> None:
    """Remove what a run that had to be killed was writing in a folder."""
    with contextlib.suppress(OSError):
        for item in folder.glob(f".pourdatum-*-{_MARK}-{process}-*"):
            shutil.rmtree(item, ignore_errors=True)


def _abandoned(item: Path) -> bool:
    # Age counts too: another machine may be writing to a shared disk under this number.
    number = item.name.split("-")[-2]
    alive = number.isdecimal() and _runs(int(number))
    return not alive and time.time() - item.stat().st_mtime > STALE_AFTER_S


def _runs(process: int) -> bool:
    if sys.platform == "win32":
        return False  # Asking by signal would end it there; age alone must do.
    try:
        os.kill(process, 0)
    except PermissionError:
        return True
    except OSError:
        return False
    return True


def _cannot_write(where: str, reason: OSError) -> OutputError:
    full = reason.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
    remedy = "make room on that disk" if full else "check the folder's rights"
    return OutputError(
        f"output cannot be written ({reason.strerror or reason})",
        where=where,
        hint=f"{remedy}, or give another --out",
        id="disk-full" if full else "output",
    )
