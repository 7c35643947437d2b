"""Reads material sheets: the shipped ones by name, a user's own by its file."""

from __future__ import annotations

import re
import tomllib
from importlib import resources
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Final, Literal

from pydantic import BeforeValidator, model_validator

from pourdatum.errors import JobError
from pourdatum.job import is_path
from pourdatum.jobfloor import Price
from pourdatum.material import Primer, Sheet
from pourdatum.tomlfile import (
    Section,
    Text,
    as_tuple,
    between,
    check,
    nearest,
    not_empty,
    read_toml,
)

# EN 13813:2002, tables 2 and 3 (from memory, as our reference table says).
_COMPRESSIVE: Final = (5, 7, 12, 16, 20, 25, 30, 35, 40, 50, 60, 70, 80)
_FLEXURAL: Final = (1, 2, 3, 4, 5, 6, 7, 10, 15, 20, 30, 40, 50)

Range = Annotated[tuple[float, float], as_tuple]
Hours = Annotated[float, between(0.0, 5000.0)]


def _cover_as_table(value: object) -> object:
    # One figure for every depth is a table of one row.
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return ((0.0, float(value)),)
    return value


class PrimerTable(Section):
    """One [[primer]] of a sheet."""

    substrate: Literal["absorbent", "normal", "dense"]
    coverage_m2_per_l: Annotated[float, between(0.5, 50.0)]
    coats: Annotated[int, between(1, 5)] = 1
    dry_min: Annotated[float, between(0.0, 2880.0)] | None = None
    price_per_l: Price | None = None


class SheetFile(Section):
    """A material sheet as its file has it."""

    name: Annotated[Text, not_empty]
    depth_mm: Range
    powder_kg_per_m2_mm: Annotated[float, between(0.3, 3.0)]
    bag_kg: Annotated[float, between(1.0, 1500.0)]
    water_l_per_bag: Annotated[float, between(0.1, 600.0)]
    working_time_min: Annotated[float, between(1.0, 480.0)]
    water_tolerance_l: Annotated[float, between(0.0, 50.0)] | None = None
    walk_after_h: Hours | None = None
    cover_after_h: Annotated[
        tuple[tuple[float, float], ...] | None, as_tuple, BeforeValidator(_cover_as_table)
    ] = None
    max_fall_mm_per_m: Annotated[float, between(0.0, 100.0)] = 0.0
    substrates: Annotated[tuple[Text, ...], as_tuple] = ()
    strength: Text | None = None
    set_kg_per_m2_mm: Annotated[float, between(0.3, 4.0)] | None = None
    temperature_c: Range | None = None
    price_per_bag: Price | None = None
    primer: Annotated[tuple[PrimerTable, ...], as_tuple] = ()

    @model_validator(mode="after")
    def _agrees(self) -> SheetFile:
        least, greatest = self.depth_mm
        if not 0.0 <= least <= 300.0 or not 0.0 < greatest <= 300.0:
            raise ValueError(
                f"depth_mm = [{least:g}, {greatest:g}] is out of range: permitted from 0 to 300"
            )
        if least >= greatest:
            raise ValueError(
                f"depth_mm = [{least:g}, {greatest:g}]: the least depth is not below the greatest"
            )
        share = self.water_l_per_bag / self.bag_kg
        if not 0.05 <= share <= 0.8:
            raise ValueError(
                f"water_l_per_bag = {self.water_l_per_bag:g} is {share:.0%} of "
                f"bag_kg = {self.bag_kg:g}: permitted from 5% to 80%"
            )
        if self.water_tolerance_l is not None and self.water_tolerance_l >= self.water_l_per_bag:
            raise ValueError("water_tolerance_l is not below water_l_per_bag")
        self._times_agree()
        wet = self.powder_kg_per_m2_mm * (1.0 + share)
        if self.set_kg_per_m2_mm is not None and self.set_kg_per_m2_mm > 1.05 * wet:
            raise ValueError(
                f"set_kg_per_m2_mm = {self.set_kg_per_m2_mm:g} is more than powder and water "
                f"weigh ({wet:.2f})"
            )
        if self.temperature_c is not None:
            cold, warm = self.temperature_c
            if not -20.0 <= cold < warm <= 60.0:
                raise ValueError(
                    f"temperature_c = [{cold:g}, {warm:g}]: permitted from -20 to 60, lowest first"
                )
        if self.strength is not None:
            _check_strength(self.strength)
        kinds = [item.substrate for item in self.primer]
        if twice := next((kind for kind in kinds if kinds.count(kind) > 1), None):
            raise ValueError(f'primer: two tables for substrate = "{twice}"')
        return self

    def _times_agree(self) -> None:
        table = self.cover_after_h or ()
        if self.cover_after_h is not None and not table:
            raise ValueError("cover_after_h is empty: write hours, or pairs of depth and hours")
        for depth, hours in table:
            if not 0.0 <= depth <= 300.0 or not 0.0 <= hours <= 5000.0:
                raise ValueError(
                    f"cover_after_h: [{depth:g}, {hours:g}] is out of range: mm to 300, "
                    "hours to 5000"
                )
        if any(b[0] <= a[0] or b[1] < a[1] for a, b in pairwise(table)):
            raise ValueError("cover_after_h: depths rise from row to row, and hours never fall")
        if self.walk_after_h is not None and table and self.walk_after_h > table[0][1]:
            raise ValueError(
                f"walk_after_h = {self.walk_after_h:g} is later than "
                f"cover_after_h = {table[0][1]:g}"
            )

    def to_sheet(self) -> Sheet:
        """The plain value that the arithmetic works with."""
        fields = {name: getattr(self, name) for name in type(self).model_fields}
        fields["cover_after_h"] = self.cover_after_h or ()
        fields["primer"] = tuple(Primer(**item.model_dump()) for item in self.primer)
        return Sheet(**fields)


def shipped_sheets() -> tuple[str, ...]:
    """Names of the sheets that come with the package: invented and generic.

    Examples
    --------
    >>> "standard" in shipped_sheets()
    True
    """
    names = (item.name for item in _folder().iterdir())
    return tuple(sorted(name.removesuffix(".toml") for name in names if name.endswith(".toml")))


def read_sheet(name: str) -> Sheet:
    """A sheet by its shipped name, or from a file.

    Raises
    ------
    JobError
        If the name is not known, or the file is no sound sheet.
    """
    if is_path(name):
        data, text = read_toml(Path(name), "material sheet")
        return _sheet(data, name, text)
    if name not in shipped_sheets():
        close = nearest(name, list(shipped_sheets()))
        raise JobError(
            f"material sheet '{name}' is not known",
            where="material",
            hint=f"use one of {', '.join(shipped_sheets())}"
            + (f" (did you mean {close}?)" if close else "")
            + ", or a file that ends in .toml",
            id="material",
        )
    text = (_folder() / f"{name}.toml").read_text(encoding="utf-8")
    return _sheet(tomllib.loads(text), name, text)


def _sheet(data: dict[str, Any], source: str, text: str) -> Sheet:
    return check(SheetFile, data, source, text).to_sheet()


def _folder() -> Any:
    return resources.files("pourdatum").joinpath("sheets")


def _check_strength(text: str) -> None:
    found = re.fullmatch(r"(?:(?:CT|CA|MA|AS|SR)-)?C(\d+)-F(\d+)", text)
    if not found or int(found[1]) not in _COMPRESSIVE or int(found[2]) not in _FLEXURAL:
        raise ValueError(f"strength = '{text}' is no class of EN 13813; written such as C25-F7")
