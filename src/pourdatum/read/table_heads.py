"""Names and units of the columns of a table, from what people write above them."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

_BRACKETS: Final = re.compile(r"[\[({<]([^\])}>]*)[\])}>]\s*$")

UNIT_WORDS: Final[dict[tuple[str, ...], str]] = {
    tuple(words.split()): unit
    for unit, every in {
        "m": ("m", "mtr", "metre", "metres", "meter", "meters"),
        "cm": ("cm", "centimetre", "centimetres", "centimeter", "centimeters"),
        "mm": ("mm", "millimetre", "millimetres", "millimeter", "millimeters"),
        "ft": ("ft", "foot", "feet", "ift", "international feet", "international foot"),
        "us-ft": ("us ft", "usft", "ftus", "sft", "us survey foot", "us survey feet",
                  "survey foot", "survey feet", "us feet", "us foot"),
        "in": ("in", "inch", "inches"),
    }.items()
    for words in every
}  # fmt: skip


def alias_table(aliases: Mapping[str, Sequence[str]]) -> dict[tuple[str, ...], str]:
    """The caller's names by the words that people write for them."""
    own = {tokens_of(word): name for name, every in aliases.items() for word in every}
    return own | {tokens_of(name): name for name in aliases}


def name_and_unit(head: str, own: Mapping[tuple[str, ...], str]) -> tuple[str, str | None]:
    """Name and unit of a column from its head.

    Examples
    --------
    >>> own = {("z",): "z", ("height",): "z"}
    >>> [name_and_unit(head, own) for head in ("Z [mm]", "height in m", "z_us-ft", "Staff")]
    [('z', 'mm'), ('z', 'm'), ('z', 'us-ft'), ('staff', None)]
    """
    whole = tokens_of(head)
    if whole in own:
        return own[whole], None
    for unit_tokens, rest in _endings(head, whole):
        unit = UNIT_WORDS.get(unit_tokens)
        if unit is not None and rest:
            return own.get(rest, "_".join(rest)), unit
    if found := _BRACKETS.search(head):
        rest = tokens_of(head[: found.start()])
        if rest in own:
            return own[rest], None
    return "_".join(whole), None


def _endings(
    head: str, whole: tuple[str, ...]
) -> Iterator[tuple[tuple[str, ...], tuple[str, ...]]]:
    """What may be a unit at the end of a head, and what stands before it."""
    if found := _BRACKETS.search(head):
        yield tokens_of(found[1]), tokens_of(head[: found.start()])
    for length in (3, 2, 1):
        rest = whole[:-length]
        yield whole[-length:], rest[:-1] if len(rest) > 1 and rest[-1] == "in" else rest


def tokens_of(text: str) -> tuple[str, ...]:
    """Words of a head in lower case, without accents and signs."""
    plain = unicodedata.normalize("NFKD", text.casefold())
    plain = "".join(c for c in plain if not unicodedata.combining(c))
    return tuple(re.findall(r"[^\W_]+", plain))
