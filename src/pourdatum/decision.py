"""Whether a value conforms to a limit, given how far it may be out.

Three rules. *Simple*: the value decides, whatever its uncertainty. *Shared risk*: the value
decides where the uncertainty is no more than was agreed, else nobody. *Guarded*: what conforms
lies within the limit by a guard band, what does not lies beyond it by one, and between them
nothing is proved.

Sources: JCGM 106:2012, clauses 7 and 8; ISO 14253-1:1998 and 2013 (guard band U, k = 2) and 2017
(1.65 u for 95 %), both from memory; ILAC-G8:09/2019 (guard band w = U).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from pourdatum.units import System, show_limit

RuleKind = Literal["simple", "shared", "guarded"]
Verdict = Literal["conforms", "does not conform", "undecided"]

ONE_SIDED_95: Final = 1.6448536269514722
"""Standard normal quantile of 95 %: a guard band of so many u proves a limit kept with 95 %."""


@dataclass(frozen=True)
class Rule:
    """How a value is held against a limit.

    Attributes
    ----------
    kind : str
        "simple", "shared" or "guarded".
    guard : float
        With "guarded": width of the guard band, in standard uncertainties.
    most_uncertainty : float
        With "shared": largest standard uncertainty with which the value decides, in its unit.
    """

    kind: RuleKind = "guarded"
    guard: float = ONE_SIDED_95
    most_uncertainty: float = math.inf


GUARDED: Final = Rule()
"""What is used where the contract says nothing."""


@dataclass(frozen=True)
class Decision:
    """What was decided.

    Attributes
    ----------
    verdict : str
        "conforms", "does not conform" or "undecided".
    probability : float
        That the true value lies within the limits, for a normal error.
    accept : tuple
        Least and greatest value that conform under the rule.
    """

    verdict: Verdict
    probability: float
    accept: tuple[float, float]


def decide(
    value: float,
    uncertainty: float,
    *,
    lower: float = -math.inf,
    upper: float = math.inf,
    rule: Rule | None = None,
) -> Decision:
    """Hold a value against its limits.

    Parameters
    ----------
    value : float
        In any unit.
    uncertainty : float
        Its standard uncertainty, in the same.
    lower, upper : float
        Limits, in the same; a value on a limit keeps it.
    rule : Rule, optional
        Default guarded with 95 % on one side.

    Raises
    ------
    ValueError
        If the value is not finite, the uncertainty negative or not finite, or no limit is left
        between lower and upper.

    Examples
    --------
    A gap of 2.4 mm with 0.5 mm under a limit of 3 mm (U = 1 mm):

    >>> decide(2.4, 0.5, upper=3.0, rule=Rule("guarded", guard=2.0)).verdict
    'undecided'
    >>> decide(2.4, 0.5, upper=3.0, rule=Rule("simple")).verdict
    'conforms'
    """
    chosen = rule or Rule()
    if not (math.isfinite(value) and math.isfinite(uncertainty) and uncertainty >= 0.0):
        raise ValueError(
            f"a value of {value} with an uncertainty of {uncertainty} decides nothing; both are "
            "to be finite, and the uncertainty not below 0"
        )
    if lower > upper:
        raise ValueError(f"no value keeps a lower limit of {lower} and an upper of {upper}")
    guard = chosen.guard * uncertainty if chosen.kind == "guarded" else 0.0
    return Decision(
        _verdict((value, value), (lower, upper), guard)
        if chosen.kind != "shared" or uncertainty <= chosen.most_uncertainty
        else "undecided",
        conformance_probability(value, uncertainty, lower=lower, upper=upper),
        (lower + guard, upper - guard),
    )


def decide_by_interval(
    interval: tuple[float, float], *, lower: float = -math.inf, upper: float = math.inf
) -> Verdict:
    """The guarded rule where a value has an interval of unequal halves.

    Parameters
    ----------
    interval : tuple
        Ends of the interval; with 95 % in it, each limit is proved kept or broken with 97.5 %.
    lower, upper : float
        Limits.

    Examples
    --------
    >>> decide_by_interval((33.0, 41.0), lower=35.0), decide_by_interval((36.0, 41.0), lower=35.0)
    ('undecided', 'conforms')
    """
    if not interval[0] <= interval[1] or not lower <= upper:
        raise ValueError(f"{interval} and {lower} to {upper} are to run from low to high")
    return _verdict(interval, (lower, upper), 0.0)


def _verdict(interval: tuple[float, float], limits: tuple[float, float], guard: float) -> Verdict:
    least, most = interval
    lower, upper = limits
    if most < lower - guard or least > upper + guard:
        return "does not conform"
    if lower + guard <= least and most <= upper - guard:
        return "conforms"
    return "undecided"


def conformance_probability(
    value: float, uncertainty: float, *, lower: float = -math.inf, upper: float = math.inf
) -> float:
    """Probability that the true value lies within limits, if it is normal about the value.

    Examples
    --------
    >>> round(conformance_probability(-5.47, 0.05, upper=-5.4), 2)
    0.92
    """
    if uncertainty == 0.0:
        return float(lower <= value <= upper)
    low, high = ((limit - value) / (math.sqrt(2.0) * uncertainty) for limit in (lower, upper))
    # From whichever tail is the small one, so that small chances keep their digits.
    if low > 0.0:
        return 0.5 * (math.erfc(low) - math.erfc(high))
    return 0.5 * (math.erfc(-high) - math.erfc(-low))


def rule_in_words(rule: Rule | None = None, system: System = "metric") -> str:
    """The rule of decision as a sentence.

    Examples
    --------
    >>> rule_in_words(Rule("simple"))
    'Rule of decision: simple acceptance; the value decides, whatever its uncertainty.'
    """
    rule = rule or Rule()
    said = "Rule of decision: "
    if rule.kind == "simple":
        return said + "simple acceptance; the value decides, whatever its uncertainty."
    if rule.kind == "shared":
        return said + (
            f"shared risk; the value decides if its standard uncertainty is at most "
            f"{show_limit(rule.most_uncertainty, system)}."
        )
    return said + (
        f"guarded; a floor conforms where the value keeps the limit by {rule.guard:.2f} standard "
        "uncertainties or more, does not conform where it misses it by as much, and is undecided "
        "between (JCGM 106:2012 and ISO 14253-1:2017, the latter from memory)."
    )
