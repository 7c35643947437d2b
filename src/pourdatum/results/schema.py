"""Which command writes which result, and the schema that is published."""

from __future__ import annotations

from typing import Any, Final

from pourdatum.errors import JobError
from pourdatum.results.models import Common, PlanResult, SurveyResult
from pourdatum.results.proof_models import VerifyResult

MODELS: Final[dict[str, type[Common]]] = {
    "survey": SurveyResult,
    "plan": PlanResult,
    "verify": VerifyResult,
}


def result_schema(command: str) -> dict[str, Any]:
    """JSON Schema of a command's ``result.json``, from the models that write it.

    Raises
    ------
    JobError
        If the command writes no result.

    Examples
    --------
    >>> "fill" in result_schema("plan")["required"]
    True
    """
    if command not in MODELS:
        raise JobError(
            f"there is no schema for '{command}'", where="schema",
            hint=f"use one of {', '.join(MODELS)}", id="schema",
        )  # fmt: skip
    schema = MODELS[command].model_json_schema(by_alias=True, mode="serialization")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}
