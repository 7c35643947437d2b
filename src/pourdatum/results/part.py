"""What every piece of ``result.json`` keeps to: keys of the contract, and finite numbers."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

Place = tuple[float, float]
Interval = tuple[float, float]


class Part(BaseModel):
    """A piece of a result: numbers are finite, keys are those of the contract."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=True
    )
