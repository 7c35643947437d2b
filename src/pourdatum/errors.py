"""The few named ways a job can fail, each with its exit status.

Every error says what is wrong, where, with which value, and what to do. The
command line turns one into a line on standard error and an exit status; a
script catches ``PourdatumError`` or one of its children.

Examples
--------
>>> error = ScanError("file is empty", where="hall.laz", hint="export the scan again")
>>> str(error)
'hall.laz: file is empty; export the scan again'
>>> error.exit_status
3
"""

from __future__ import annotations

from typing import ClassVar


class PourdatumError(Exception):
    """Any refusal of ours.

    Parameters
    ----------
    message : str
        What is wrong, with the value found.
    where : str, optional
        File, key or option at fault, as the user wrote it.
    hint : str, optional
        What would mend it.
    id : str, optional
        Short stable word for scripts, such as ``"file-empty"``.
    """

    exit_status: ClassVar[int] = 70
    default_id: ClassVar[str] = "fault"

    def __init__(self, message: str, *, where: str = "", hint: str = "", id: str = "") -> None:
        self.message = message
        self.where = where
        self.hint = hint
        self.id = id or self.default_id
        super().__init__(message, where, hint, self.id)

    def __str__(self) -> str:
        text = f"{self.where}: {self.message}" if self.where else self.message
        return f"{text}; {self.hint}" if self.hint else text

    def __reduce__(self) -> tuple[object, ...]:
        # Errors cross process borders when chunks are read by workers.
        return (_rebuild, (type(self), self.message, self.where, self.hint, self.id))


def _rebuild(
    kind: type[PourdatumError], message: str, where: str, hint: str, id: str
) -> PourdatumError:
    return kind(message, where=where, hint=hint, id=id)


class JobError(PourdatumError):
    """A word, job file or material sheet is wrong, or a question is open (exit 2)."""

    exit_status = 2
    default_id = "job"


class MissingExtra(JobError):
    """A package that the job needs is not installed (exit 2)."""

    default_id = "missing-extra"


class ScanError(PourdatumError):
    """An input file is missing, cut off, lying, or not a scan (exit 3)."""

    exit_status = 3
    default_id = "scan"


class NoFloor(PourdatumError):
    """The scan does not hold what the question needs (exit 4)."""

    exit_status = 4
    default_id = "no-floor"


class OutputError(PourdatumError):
    """A result could not be written, or would replace one (exit 5)."""

    exit_status = 5
    default_id = "output"


class LimitMet(PourdatumError):
    """A limit of memory, size or count was met (exit 6)."""

    exit_status = 6
    default_id = "limit"
