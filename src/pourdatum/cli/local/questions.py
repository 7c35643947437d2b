"""What only the user can tell: refusals of the command line that an answer mends, as questions."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from pourdatum.errors import JobError, OutputError, PourdatumError

if TYPE_CHECKING:
    from pourdatum.cli.options import Words

Name = Literal["units", "up", "columns", "exists", "exit"]

_UNITS: Final = {
    "m": "Metres",
    "cm": "Centimetres",
    "mm": "Millimetres",
    "ft": "Feet (international)",
    "us-ft": "US survey feet",
    "in": "Inches",
}
_UNIT: Final = re.compile(r"--units ([a-z-]+)(?: makes (.*?)(?=, --units|$))?")
_UP: Final = re.compile(r"--up (-?[xyz])(?: if (.*?)(?=,? or (?:with )?--up|$))?")
_ALONG: Final = {"-": "points down", "": "points up"}


@dataclass(frozen=True)
class Question:
    """A question, as the page shows it.

    Attributes
    ----------
    name : str
        What is asked.
    title, told : str
        The question, and why it is asked.
    choices : tuple of (str, str, str)
        Value, label, and what it would mean; empty where the answer is typed.
    plan : dict, optional
        The floor to point at, see ``exits``.
    """

    name: Name
    title: str
    told: str
    choices: tuple[tuple[str, str, str], ...] = ()
    plan: dict[str, Any] | None = None


def question_of(error: PourdatumError, out: str) -> Question | None:
    """The question that a refusal asks; None where no answer would mend it.

    Parameters
    ----------
    error : PourdatumError
        As the command line would print it.
    out : str
        Result folder.

    Examples
    --------
    >>> error = JobError(
    ...     "the file does not say its unit", where="a.xyz", id="unit-unknown",
    ...     hint="say which: --units m makes the room 12 x 9 m and 8 m high, --units ft makes "
    ...     "the room 3.7 x 2.7 m and 2.4 m high",
    ... )
    >>> [choice[::2] for choice in question_of(error, "out").choices[:2]]
    [('m', 'makes the room 12 x 9 m and 8 m high'),
     ('ft', 'makes the room 3.7 x 2.7 m and 2.4 m high')]
    """
    told = f"{error.where}: {error.message}" if error.where else error.message
    if isinstance(error, OutputError) and error.id == "output-exists":
        return _exists(told, out)
    if not isinstance(error, JobError):
        return None
    if error.id in ("unit-unknown", "unit-doubt") and "--units" in error.hint:
        title = "In which unit are the coordinates of the scan?"
        return Question("units", title, told, _units(error))
    if error.id == "up-unknown" and (found := _UP.findall(error.hint)):
        choices = tuple(
            (axis, f"{axis[-1]} {_ALONG[axis[:-1]]}", f"if {why}" if why else "")
            for axis, why in found
        )
        return Question("up", "Which way is up in the scan?", told, choices)
    if "--columns" in error.hint:
        title = "Which columns of the table are x, y and z?"
        return Question("columns", title, told)
    return None


def answered(words: Words, question: Question, answer: str) -> Words:
    """The words of the command with an answer among them."""
    if question.choices and answer not in {value for value, _, _ in question.choices}:
        raise JobError(f"'{answer}' is no answer to: {question.title}", id="answer")
    match question.name:
        case "units":
            return replace(words, units=answer)
        case "up":
            return replace(words, up=answer)
        case "columns":
            return replace(words, columns=answer.strip())
        case "exists" if answer == "replace":
            return replace(words, overwrite=True)
        case _:
            return replace(words, out=free_name(str(words.out)))


def free_name(out: str) -> str:
    """The first of ``out-2``, ``out-3`` … that does not exist."""
    number = 2
    while Path(f"{out}-{number}").exists():
        number += 1
    return f"{out}-{number}"


def _exists(told: str, out: str) -> Question:
    beside = Path(free_name(out)).name
    choices = (
        ("beside", "Keep both", f"the new one is called {beside}"),
        ("replace", "Replace the older one", "it is gone once the new one is there, not before"),
    )
    return Question("exists", "A result of this name is there already. Keep it?", told, choices)


def _units(error: PourdatumError) -> tuple[tuple[str, str, str], ...]:
    """The units that the refusal names, and the others where they are not ruled out."""
    found = {} if "e.g." in error.hint else dict(_UNIT.findall(error.hint))
    more = [name for name in _UNITS if name not in found and error.id == "unit-unknown"]
    found = {name: makes for name, makes in found.items() if name in _UNITS}
    said = {name: f"makes {makes}" if makes else "" for name, makes in found.items()}
    return tuple((name, _UNITS[name], said.get(name, "")) for name in (*found, *more))
