"""What a job says of the proof after a pour: the second scan, how the two meet, what was used."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import model_validator

from pourdatum.tomlfile import Axis, Section, Unit, between
from pourdatum.uncertainty import SensorKind


class AfterSection(Section):
    """How to read the scan after the pour, where it differs from the one before."""

    units: Unit | None = None
    up: Axis | None = None
    sensor: SensorKind | None = None


class RegistrationSection(Section):
    """How the two scans are brought into one frame."""

    same_frame: bool = False
    """They are in one frame already: nothing is looked for, and heights are taken as they are."""
    turn_deg: Annotated[float, between(-360.0, 360.0)] | None = None
    """About how AFTER lies turned in BEFORE, anticlockwise, where a room looks alike both ways."""
    marks: str | None = None
    """Table of marks that both scans show: name,x,y,z,after_x,after_y,after_z."""

    @model_validator(mode="after")
    def _agrees(self) -> RegistrationSection:
        if self.same_frame and (self.marks is not None or self.turn_deg is not None):
            raise ValueError("registration.same_frame goes with neither marks nor turn_deg")
        return self


class ProofSection(Section):
    """What the pour is held against."""

    before: Literal["prepared", "unprepared"] | None = None
    """Whether BEFORE shows the floor as it was poured on, or as it was before preparation."""
    bags: Annotated[int, between(1, 1_000_000)] | None = None
    """Bags that were used."""
    plan: str | None = None
    """Result folder of the plan."""
    level_z_m: Annotated[float, between(-1e5, 1e5)] | None = None
    """Level that the floor was to have, in BEFORE's vertical."""
    tolerance_mm: Annotated[float, between(0.0, 1000.0, above=True)] | None = None
    """By how much it may depart from that level, either way."""

    @model_validator(mode="after")
    def _agrees(self) -> ProofSection:
        if self.tolerance_mm is not None and self.level_z_m is None and self.plan is None:
            raise ValueError("proof.tolerance_mm needs level_z_m or a plan to depart from")
        return self
