"""The only place that prints: lines for people, JSON for programs, one line for an error."""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Iterable, Mapping
from typing import IO, Any, Final

from pourdatum.errors import OutputError, PourdatumError

_PLAIN: Final = str.maketrans(
    {"²": "2", "³": "3", "\u2212": "-", "·": "-", "…": "...", "°": " deg"}
)


def say(lines: Iterable[str]) -> None:
    """Lines on standard output."""
    _write(sys.stdout, "".join(f"{line}\n" for line in lines))


def say_error(line: str) -> None:
    """One line on standard error."""
    _write(sys.stderr, f"{line}\n")


def show_json(data: Mapping[str, Any]) -> None:
    """A JSON object on standard output: UTF-8 whatever the terminal speaks."""
    from pourdatum.write.result_json import json_text

    if sys.stdout is None:
        return
    text = json_text(data)
    if not hasattr(sys.stdout, "buffer"):
        sys.stdout.write(text)
        return
    try:
        sys.stdout.flush()
        sys.stdout.buffer.write(text.encode("utf-8"))
        sys.stdout.buffer.flush()
    except OSError as reason:
        _not_written(sys.stdout, reason)


def error_line(error: PourdatumError) -> str:
    r"""``pourdatum: where: what; hint`` on one line, with nothing that moves a cursor.

    Examples
    --------
    >>> from pourdatum.errors import ScanError
    >>> error_line(ScanError("file is empty", where="a\nb.laz"))
    'pourdatum: a\\x0ab.laz: file is empty'
    """
    return f"pourdatum: {printable(str(error))}"


def error_object(error: PourdatumError) -> dict[str, Any]:
    """The same for programs."""
    message = f"{error.where}: {error.message}" if error.where else error.message
    return {
        "error": {
            "code": error.exit_status,
            "id": error.id,
            "message": printable(message),
            "hint": printable(error.hint),
        }
    }


def printable(text: str) -> str:
    """Text with control, direction and broken characters written out as escapes."""
    return "".join(c if c.isprintable() else _escaped(c) for c in text)


def _escaped(character: str) -> str:
    code = ord(character)
    return (
        f"\\x{code:02x}"
        if code < 0x100
        else f"\\u{code:04x}"
        if code < 0x10000
        else f"\\U{code:08x}"
    )


def _write(stream: IO[str] | None, text: str) -> None:
    if stream is None:  # Closed before we were started.
        return
    encoding = getattr(stream, "encoding", None) or "utf-8"
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        text = text.translate(_PLAIN).encode(encoding, "replace").decode(encoding)
    try:
        stream.write(text)
        stream.flush()
    except OSError as reason:
        _not_written(stream, reason)


def _not_written(stream: IO[str], reason: OSError) -> None:
    """A stream takes nothing more: its reader has gone, or what it goes to is full."""
    _say_no_more(stream)
    # EIO: the terminal was closed. What cannot be said on standard error is left unsaid.
    if reason.errno in (errno.EPIPE, errno.EIO) or stream is sys.stderr:
        return
    raise OutputError(
        f"standard output cannot be written ({reason.strerror or reason})",
        hint="make room where it goes; a result folder that was asked for is there, and whole",
        id="standard-output",
    ) from reason


def _say_no_more(stream: IO[str]) -> None:
    """Whoever read this stream has gone; the work is done all the same, and its status counts."""
    with open(os.devnull, "w") as nowhere:  # noqa: PTH123 - not a file of ours
        os.dup2(nowhere.fileno(), stream.fileno())
