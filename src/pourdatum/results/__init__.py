"""What is written into ``result.json``, and the schema that is published."""

from pourdatum.results.convert import as_data, plan_result, survey_result
from pourdatum.results.models import PlanResult, SurveyResult
from pourdatum.results.proof import check_result
from pourdatum.results.proof_models import VerifyResult
from pourdatum.results.schema import MODELS, result_schema

__all__ = [
    "MODELS",
    "PlanResult",
    "SurveyResult",
    "VerifyResult",
    "as_data",
    "check_result",
    "plan_result",
    "result_schema",
    "survey_result",
]
