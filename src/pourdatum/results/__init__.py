"""What is written into ``result.json``, and the schema that is published."""

from pourdatum.results.convert import as_data, plan_result, survey_result
from pourdatum.results.models import MODELS, PlanResult, SurveyResult, result_schema

__all__ = [
    "MODELS",
    "PlanResult",
    "SurveyResult",
    "as_data",
    "plan_result",
    "result_schema",
    "survey_result",
]
