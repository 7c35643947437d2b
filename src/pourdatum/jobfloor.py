"""What a job says of the floor: datum, zones, grinding, material, preparation, pins, the pour.

The tables of the job file that a plan is made from; how the scan is read and what is judged
stand in ``job``.
"""

from __future__ import annotations

import datetime as dt
import re
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from pourdatum.tomlfile import Note, Place, Section, Text, as_tuple, between, not_empty

Money = Annotated[float, between(0.0, 1e7)]
Price = Annotated[float, between(0.0, 1e6, above=True)]


def _time_as_text(value: object) -> object:
    return value.isoformat("minutes") if isinstance(value, dt.time) else value


def _time_of_day(text: str) -> str:
    found = re.fullmatch(r"([0-9]{1,2}):([0-9]{2})", text.strip())
    if found is None or int(found[1]) > 23 or int(found[2]) > 59:
        raise ValueError(f"start = '{text}' is no time of day: write it like \"07:30\"")
    return text.strip()


class DatumSection(Section):
    """What the floor is to be."""

    kind: Literal["high-point", "level", "parallel", "fall"] = "high-point"
    z_m: Annotated[float, between(-1e4, 1e4)] | None = None
    z: Annotated[float, between(-1e8, 1e8)] | None = None
    """As ``z_m``, but in the scan's unit: what ``--datum Z`` gives."""
    slope_mm_per_m: Annotated[float, between(0.0, 200.0, above=True)] | None = None
    toward: Place | None = None

    def _who(self) -> str:
        return "datum"

    def unused(self) -> tuple[str, ...]:
        """Keys that belong to another kind than the stated one."""
        of_kind = {"z_m": "level", "z": "level", "slope_mm_per_m": "fall", "toward": "fall"}
        return tuple(
            key for key, kind in of_kind.items()
            if kind != self.kind and getattr(self, key) is not None
        )  # fmt: skip

    @model_validator(mode="after")
    def _agrees(self) -> DatumSection:
        if self.z_m is not None and self.z is not None:
            raise ValueError(f"{self._who()} has both z_m and z: two levels; keep one")
        if self.kind == "level" and self.z_m is None and self.z is None:
            raise ValueError(f'{self._who()}.kind = "level" needs z_m, the level in metres')
        stated = "kind" in self.model_fields_set
        if not stated and (self.z_m is not None or self.z is not None):
            raise ValueError(f'{self._who()} has z_m and no kind: write kind = "level"')
        missing = [n for n in ("slope_mm_per_m", "toward") if getattr(self, n) is None]
        if self.kind == "fall" and missing:
            raise ValueError(f'{self._who()}.kind = "fall" needs {" and ".join(missing)}')
        if not stated and len(missing) < 2:
            raise ValueError(f'{self._who()} has a slope and no kind: write kind = "fall"')
        return self


class ZoneSection(DatumSection):
    """A part of the floor with a datum of its own; keys of the datum as under ``[datum]``."""

    name: Annotated[Text, not_empty]
    points: Annotated[
        tuple[Place, ...],
        as_tuple,
        Field(min_length=3, max_length=10_000),
    ]
    """Its corners in the scan's plan coordinates and unit, in their order around it."""

    def _who(self) -> str:
        return f'zone "{self.name}"'


class GrindSection(Section):
    """Whether grinding may lower the datum, how far, and what it costs."""

    allowed: bool = True
    max_depth_mm: Annotated[float, between(0.0, 100.0, above=True)] | None = None
    price_per_m2: Money | None = None
    price_per_m2_mm: Money | None = None
    setup_price: Money | None = None

    @property
    def priced(self) -> bool:
        """Whether grinding can be weighed against filling."""
        return self.price_per_m2 is not None or self.price_per_m2_mm is not None


class MaterialSection(Section):
    """Which sheet, and what the bags cost here."""

    sheet: Annotated[str, not_empty] = "standard"
    waste: Annotated[float, between(0.0, 1.0)] = 0.0
    price_per_bag: Price | None = None
    labour_per_bag: Money = 0.0
    primer_price_per_l: Price | None = None
    confidence: Annotated[float, between(0.5, 0.999)] = 0.95


class PreparationSection(Section):
    """What grinding off laitance or shot-blasting does to the floor before the pour."""

    removal_mm: Annotated[float, between(0.0, 50.0)] = 0.0
    roughness_mm: Annotated[float, between(0.0, 10.0)] = 0.0
    absorbency: Literal["absorbent", "normal", "dense"] = "normal"
    """Of the prepared substrate; chooses the primer."""
    substrate: Note = ""
    moisture: Note = ""
    pull_off: Note = ""
    cleanliness: Note = ""
    """What was found by test; printed as open until given."""


class BuildUpSection(Section):
    """What lies on the poured floor: covering, adhesive, membrane."""

    mm: Annotated[float, between(0.0, 300.0)]


class ThresholdSection(Section):
    """A finished level that the floor must meet."""

    place: Place
    level: Annotated[float, between(-1e8, 1e8)]
    """Finished, on top of the covering; in the scan's vertical and unit."""
    tolerance_mm: Annotated[float, between(0.0, 100.0)] = 2.0


class OpeningSection(Section):
    """A pocket of the floor that stays open and is not filled: a tray, a mat well."""

    place: Place
    """Somewhere in it."""


class LineSection(Section):
    """A joint or crack."""

    kind: Literal["movement", "isolation", "saw-cut", "day", "crack"]
    points: Annotated[
        tuple[Place, ...],
        as_tuple,
        Field(min_length=2, max_length=10_000),
    ]


class PinsSection(Section):
    """Depth pins: how far apart, and the height mark that the laser is set to."""

    reach_m: Annotated[float, between(0.3, 20.0)] | None = None
    """From pin to pin: as far as a rake or straightedge reaches."""
    mark_z_m: Annotated[float, between(-1e4, 1e4)] | None = None
    """Level of the height mark in the scan's vertical."""
    mark_above_datum_mm: Annotated[float, between(0.0, 5000.0)] | None = None
    """Height of the mark over the datum, where its level is not known; over the high point of a
    datum that is not level, or over the middle of the floor without one."""

    @model_validator(mode="after")
    def _agrees(self) -> PinsSection:
        if self.mark_z_m is not None and self.mark_above_datum_mm is not None:
            raise ValueError("pins has both mark_z_m and mark_above_datum_mm: two marks; keep one")
        return self


def _one_exit(value: Any) -> Any:
    """A list of places is no place: which of them is a question for who knows the site."""
    if isinstance(value, list) and value and all(isinstance(part, list) for part in value):
        raise ValueError(
            f"{len(value)} places are given, and a pour ends at one: write the doorway by which the"
            " crew leaves last, [x, y]; what lies behind the others is reached once the floor bears"
            " a foot"
        )
    return value


class PourSection(Section):
    """How the material gets to the floor."""

    mode: Literal["bags", "pump"] = "bags"
    exit: Annotated[Place | None, BeforeValidator(_one_exit)] = None
    mixers: Annotated[int, between(1, 50)] = 1
    minutes_per_batch: Annotated[float, between(0.01, 120.0)] = 6.0
    """Of one mixer: mixing, carrying and spreading in it."""
    bags_per_batch: Annotated[int, between(1, 20)] = 1
    litres_per_minute: Annotated[float, between(0.1, 2000.0)] | None = None
    hose_l: Annotated[float, between(0.0, 5000.0)] | None = None
    """What the hose holds: it stays full at the end, and is bought."""
    delivery_kg: Annotated[float, between(1.0, 1e5)] | None = None
    """Powder that comes to the site at a time: each delivery is a line of the day."""
    start: Annotated[str, BeforeValidator(_time_as_text), AfterValidator(_time_of_day)] | None = (
        None
    )
    """Time of day at which the first batch begins, such as "07:30"."""
    max_load_kg_per_m2: Annotated[float, between(0.0, 1e5, above=True)] | None = None

    @model_validator(mode="after")
    def _agrees(self) -> PourSection:
        if self.mode == "pump" and self.litres_per_minute is None:
            raise ValueError('pour.mode = "pump" needs litres_per_minute')
        return self

    @property
    def start_min(self) -> float | None:
        """Minutes after midnight at which the first batch begins."""
        if self.start is None:
            return None
        hours, minutes = self.start.split(":")
        return 60.0 * int(hours) + int(minutes)

    def unused(self) -> tuple[str, ...]:
        """Keys that belong to the other mode."""
        other = (
            ("litres_per_minute", "hose_l") if self.mode == "bags"
            else ("mixers", "minutes_per_batch", "bags_per_batch")
        )  # fmt: skip
        return tuple(key for key in other if key in self.model_fields_set)
