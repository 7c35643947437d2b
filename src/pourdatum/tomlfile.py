"""Reads a TOML file that a person wrote, and says on one line what is wrong in it.

Shared by the job file and the material sheet: the file is capped, decoded and parsed
here, held against a pydantic model, and the first fault becomes a ``JobError`` that
names the file, the line, the key, the value and what would be right.
"""

from __future__ import annotations

import datetime as dt
import difflib
import math
import re
import stat
import tomllib
import unicodedata
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal, TypeVar, get_args, get_origin

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, ValidationError

from pourdatum.errors import JobError

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

Model = TypeVar("Model", bound="Section")

SIZE_CAP: Final = 1_000_000
TEXT_CAP: Final = 200


class Section(BaseModel):
    """A table of a file: keys are checked, values keep their type, nothing changes later."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


def between(low: float, high: float, *, above: bool = False) -> AfterValidator:
    """Accepts numbers from ``low`` (or, with ``above``, beyond it) to ``high``."""

    def check(value: float) -> float:
        if value > high or value < low or (above and value == low):
            start = f"above {_plain(low)}" if above else f"from {_plain(low)}"
            raise ValueError(
                f"{_plain(value)} is out of range: permitted {start} to {_plain(high)}"
            )
        return value

    return AfterValidator(check)


def _plain(value: float) -> str:
    return f"{value:.0f}" if value == int(value) and abs(value) < 1e15 else f"{value:g}"


def _to_tuple(value: object) -> object:
    return tuple(_to_tuple(item) for item in value) if isinstance(value, list) else value


as_tuple: Final = BeforeValidator(_to_tuple)
"""TOML knows lists only; a strict tuple wants a tuple."""


_EXPECTED: Final = {
    "bool_type": "true or false",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "string_type": "text in quotes",
    "tuple_type": "a list in [ ], or [[ ]] tables",
    "list_type": "a list in [ ]",
}


def plain_text(value: object) -> object:
    r"""Text without control and direction marks, capped; other values as they are.

    Examples
    --------
    >>> plain_text("Annex\x07,\u202e floor")
    'Annex, floor'
    """
    if not isinstance(value, str):
        return value
    spaced = " ".join(value.split())
    kept = "".join(c for c in spaced if unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Co"))
    return kept if len(kept) <= TEXT_CAP else kept[: TEXT_CAP - 1] + "…"


def _not_empty(value: str) -> str:
    if not value.strip():
        raise ValueError("text is empty")
    return value


not_empty: Final = AfterValidator(_not_empty)
"""Accepts text with something in it."""


def _near_enough(place: tuple[float, ...]) -> tuple[float, ...]:
    # Beyond it a distance to the floor says nothing, and in the end overflows.
    if not all(abs(value) <= 1e9 for value in place):
        raise ValueError("a coordinate beyond 1e9 is no place on a site")
    return place


def _date_as_text(value: object) -> object:
    # TOML has dates of its own, and people write calibration dates as such.
    return value.isoformat() if isinstance(value, (dt.date, dt.time)) else value


Text = Annotated[str, BeforeValidator(plain_text)]
Note = Annotated[str, BeforeValidator(plain_text), BeforeValidator(_date_as_text)]
Place = Annotated[tuple[float, float], as_tuple, AfterValidator(_near_enough)]
Unit = Literal["m", "cm", "mm", "ft", "us-ft", "in"]
Axis = Literal["x", "y", "z", "-x", "-y", "-z"]


def read_toml(path: Path, kind: str) -> tuple[dict[str, Any], str]:
    """Parsed content and text of a TOML file.

    Parameters
    ----------
    path : Path
        File as the user named it.
    kind : str
        What it is to be, for messages: ``"job file"``.

    Raises
    ------
    JobError
        If it is missing, no regular file, over 1 MB, not UTF-8 or not TOML.
    """
    where = str(path)
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise JobError(f"{kind} is not a regular file", where=where, id="job-file")
        if (size := path.stat().st_size) > SIZE_CAP:
            raise JobError(
                f"{kind} has {size} bytes, over the {SIZE_CAP} that are read",
                where=where, hint="a job is a page of text; is this another file?", id="job-size",
            )  # fmt: skip
        raw = path.read_bytes()
    except (OSError, ValueError) as reason:  # ValueError: a name with a zero byte in it.
        told = reason.strerror if isinstance(reason, OSError) else ""
        raise JobError(
            f"{kind} cannot be read ({told or reason})", where=where, id="job-file"
        ) from None
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as reason:
        line = raw.count(b"\n", 0, reason.start) + 1
        column = reason.start - raw.rfind(b"\n", 0, reason.start)
        raise JobError(
            f"{kind} is not UTF-8 at line {line}, column {column}",
            where=where, hint="save it as UTF-8 text", id="job-encoding",
        ) from None  # fmt: skip
    try:
        return tomllib.loads(text), text
    except tomllib.TOMLDecodeError as reason:
        raise JobError(
            f"{kind} is not TOML: {_toml_place(text, str(reason))}",
            where=where, hint=_toml_hint(text, str(reason)), id="job-toml",
        ) from None  # fmt: skip
    except RecursionError:
        raise JobError(f"{kind} is nested too deeply", where=where, id="job-toml") from None
    except ValueError:  # Python turns no number of thousands of digits into one.
        raise JobError(
            f"{kind} holds a whole number of thousands of digits", where=where, id="job-toml"
        ) from None


def check(model: type[Model], data: dict[str, Any], source: str, text: str) -> Model:
    """The data as a model, or a JobError about the first fault.

    Parameters
    ----------
    model : type
        What the data is to be.
    data : dict
        Parsed content.
    source : str
        File or option that it came from, for the message.
    text : str
        Content of the file, to find the line; empty where there is none.
    """
    try:
        return model.model_validate(data)
    except ValidationError as faults:
        raise _as_job_error(model, data, _first(faults.errors()), source, text) from None


def one_line(text: str) -> str:
    r"""Text on one line without control characters.

    Examples
    --------
    >>> one_line("a\n  b")
    'a b'
    """
    joined = " ".join(text.split())
    return "".join(c for c in joined if unicodedata.category(c) not in ("Cc", "Cf", "Cs"))


def nearest(word: str, known: list[str]) -> str | None:
    """The known word that was probably meant.

    Examples
    --------
    >>> nearest("pirce_per_bag", ["waste", "price_per_bag"])
    'price_per_bag'
    """
    found = difflib.get_close_matches(word.lower(), known, n=1, cutoff=0.6)
    return found[0] if found else None


def _first(faults: list[ErrorDetails]) -> ErrorDetails:
    # A misspelt required key is both unknown and missing; the misspelling is the news.
    return next((fault for fault in faults if fault["type"] == "extra_forbidden"), faults[0])


def _as_job_error(
    model: type[BaseModel], data: dict[str, Any], fault: ErrorDetails, source: str, text: str
) -> JobError:
    loc = fault["loc"]
    if fault["type"] not in ("missing", "extra_forbidden"):
        loc = _known_part(data, loc)
    key = _dotted(loc)
    value = fault["input"]
    hint = ""
    match fault["type"]:
        case "extra_forbidden":
            message, hint = _unknown_key(model, loc)
        case "missing" if isinstance(loc[-1], int):
            loc = loc[:-1]
            message = f"{_dotted(loc)} = {_shown(fault['input'])} has too few entries"
        case "missing":
            message = f"key {key} is missing"
            fields = _model_at(model, loc[:-1]).model_fields
            hint = f"required: {', '.join(n for n, f in fields.items() if f.is_required())}"
        case "literal_error":
            choices = _literals(fault)
            message = f"{key} = {_shown(value)} is not known"
            close = nearest(str(value), choices)
            meant = f" (did you mean {close}?)" if close else ""
            hint = f"use one of {', '.join(choices)}{meant}"
        case "value_error":
            said = str(fault["ctx"]["error"])
            message = f"{key} = {said}" if isinstance(value, (int, float)) else said
            if isinstance(value, (str, list, tuple)):
                message = f"{key}: {said}"
        case _:
            message, hint = _wrong_type(key, value, fault)
    line = _line_of(text, loc)
    where = f"{source}, line {line}" if line else source
    return JobError(one_line(message), where=where, hint=one_line(hint), id="job-key")


def _unknown_key(model: type[BaseModel], loc: tuple[int | str, ...]) -> tuple[str, str]:
    section, word = loc[:-1], str(loc[-1])
    known = [f.alias or n for n, f in _model_at(model, section).model_fields.items()]
    place = f" in {_header(section)}" if section else ""
    message = f"key '{word}' is not known{place}"
    elsewhere = [
        name for name, field in model.model_fields.items()
        if name != "".join(map(str, section[:1])) and (inner := _section_type(field.annotation))
        and word in inner.model_fields
    ]  # fmt: skip
    if close := nearest(word, known):
        return message, f"did you mean '{close}'?"
    if elsewhere:
        return message, f"it belongs in [{elsewhere[0]}]"
    return message, f"known keys: {', '.join(known)}"


def _wrong_type(key: str, value: object, fault: ErrorDetails) -> tuple[str, str]:
    if isinstance(value, float) and not math.isfinite(value):
        return f"{key} = {value} is not a finite number", "write a number"
    wants_number = fault["type"] in ("float_type", "int_type", "float_parsing")
    if wants_number and isinstance(value, str):
        if re.fullmatch(r"\s*[-+]?\d+,\d+\s*", value):
            right = value.strip().replace(",", ".")
            return f"{key} = '{value}' is text with a decimal comma", f"write {right}"
        if re.fullmatch(r"\s*[-+]?\d+(\.\d+)?\s*", value):
            return f"{key} = '{value}' is text", f"write {value.strip()} without quotes"
        return (
            f"{key} = {_shown(value)} is text where a number is needed",
            "write the number alone; its unit is the one in the key",
        )
    if fault["type"] in ("model_type", "model_attributes_type", "dict_type"):
        return f"{key} = {_shown(value)} is no table", f"write [{key}] on a line of its own"
    if fault["type"] in ("too_long", "too_short"):
        context = fault["ctx"]
        most, least = context.get("max_length"), context.get("min_length")
        allowed = f"at most {most}" if most is not None else f"at least {least}"
        return f"{key} has {context['actual_length']} entries; {allowed} are permitted", ""
    expected = _EXPECTED.get(fault["type"]) or fault["msg"]
    return f"{key} = {_shown(value)} is not right here", f"write {expected}"


def _shown(value: object) -> str:
    value = list(value) if isinstance(value, tuple) else value
    text = "true" if value is True else "false" if value is False else repr(value)
    text = one_line(text)
    return text if len(text) <= 60 else text[:57] + "..."


def _literals(fault: ErrorDetails) -> list[str]:
    return re.findall(r"'([^']*)'", str(fault.get("ctx", {}).get("expected", "")))


def _known_part(data: Any, loc: tuple[int | str, ...]) -> tuple[int | str, ...]:
    # Unions and validators leave names of their own at the end of a location; only
    # what leads somewhere in the file helps the reader.
    here, kept = data, []
    for step in loc:
        try:
            here = here[step]
        except (KeyError, IndexError, TypeError):
            break
        kept.append(step)
    return tuple(kept)


def _dotted(loc: tuple[int | str, ...]) -> str:
    out = ""
    for part in loc:
        out += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if out else part
    return out


def _header(section: tuple[int | str, ...]) -> str:
    if isinstance(section[-1], int):
        return f"[[{_dotted(section[:-1])}]] number {section[-1] + 1}"
    return f"[{_dotted(section)}]"


def _section_type(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in get_args(annotation) if get_origin(annotation) is not Literal else ():
        if found := _section_type(inner):
            return found
    return None


def _model_at(model: type[BaseModel], loc: tuple[int | str, ...]) -> type[BaseModel]:
    for part in loc:
        if isinstance(part, str) and part in model.model_fields:
            model = _section_type(model.model_fields[part].annotation) or model
    return model


def _line_of(text: str, loc: tuple[int | str, ...]) -> int | None:
    """Line of a key, found by reading headers and keys; None where it is not plain to see."""
    words = [part for part in loc if isinstance(part, str)]
    repeat = next((part for part in loc if isinstance(part, int)), 0)
    if not words or not text:
        return None
    section: list[str] = []
    seen: Counter[str] = Counter()
    header_line: int | None = None
    for number, line in enumerate(text.splitlines(), 1):
        if header := re.match(r"\s*\[\[?\s*([^\]]+?)\s*\]\]?", line):
            section = header[1].replace('"', "").split(".")
            seen[header[1]] += 1
            right_one = seen[header[1]] - 1 == repeat or len(words) == len(section)
            if section == words[: len(section)] and right_one:
                header_line = header_line or number
        elif entry := re.match(r"""\s*["']?([^"'=\s]+)["']?\s*=""", line):
            path = [*section, *entry[1].split(".")]
            nth = max(seen[".".join(section)] - 1, 0)
            # Only the first of lists within lists is looked for: enough for a job.
            if path == words[: len(path)] and (nth == repeat or len(path) > len(section) + 1):
                return number
    return header_line


def _toml_place(text: str, reason: str) -> str:
    lines = text.split("\n")
    end = f"(at line {len(lines)}, column {len(lines[-1]) + 1})"
    return one_line(reason).replace("(at end of document)", end)


def _toml_hint(text: str, reason: str) -> str:
    place = re.search(r"line (\d+)", reason)
    if place and int(place[1]) <= len(lines := text.splitlines()):
        line = lines[int(place[1]) - 1]
        if comma := re.search(r"=\s*([-+]?\d+),(\d+)\s*(#.*)?$", line):
            return f"write {comma[1]}.{comma[2]}, with a point"
    return "mend the text at that place"
