"""Verdicts by rule: published guard bands and probabilities, and what lies between."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from pourdatum.decision import (
    ONE_SIDED_95,
    Rule,
    conformance_probability,
    decide,
    decide_by_interval,
)

SHARED = Path(__file__).parent.parent / "shared"
CASES = {
    case["id"]: case
    for case in json.loads((SHARED / "guard_band_examples.json").read_text(encoding="utf-8"))[
        "examples"
    ]
}
U2 = Rule("guarded", guard=2.0)


@pytest.mark.parametrize("name", ["JCGM106-ZENER", "JCGM106-BURST"])
def test_published_conformance_probabilities(name) -> None:
    """Source: JCGM 106:2012, clause 7 examples (inputs from memory, recomputed)."""
    case = CASES[name]
    limits = {key.partition("_")[0]: case[key] for key in case if key.endswith("_limit")}
    found = conformance_probability(case["y"], case["u"], **limits)
    assert found == pytest.approx(case["pc"], rel=1e-12)
    assert round(found, 2) == case["rounded"]


@pytest.mark.parametrize("name", ["TAIL-N10-04", "TAIL-N105-04"])
def test_published_tails(name) -> None:
    """What lies outside two limits.

    Source: TAIL-N10-04, TAIL-N105-04 of guard_band_examples.json, as printed there.
    """
    case = CASES[name]
    lower, upper = case["limits"]
    mean, sd = case["process"]["mean"], case["process"]["sd"]
    outside = 1.0 - conformance_probability(mean, sd, lower=lower, upper=upper)
    assert outside == pytest.approx(case["exact_total"], rel=1e-12)
    assert outside == pytest.approx(case["published_total"], abs=5.1e-6)
    # A tail by itself, small ones to their digits.
    above = conformance_probability(mean, sd, lower=upper)
    assert above == pytest.approx(
        case.get("published_upper", case.get("published_each_tail")), abs=5.1e-6
    )
    below = conformance_probability(mean, sd, upper=lower)
    assert below == pytest.approx(
        case.get("published_lower", case.get("published_each_tail")), abs=5.1e-6
    )


def test_guard_bands_and_the_risk_they_leave() -> None:
    """At the accept limit: 2.3 % with w = U, 5 % with 1.645 u, half with none.

    Source: GB-U, GB-ONE-SIDED-95, GB-SIMPLE, GB-Z-TABLE of guard_band_examples.json (ILAC-G8;
    JCGM 106, table 1).
    """
    case = CASES["GB-U"]
    edge = decide(1.0, 0.5, upper=2.0, rule=U2)
    assert edge.accept == (-math.inf, 1.0)
    assert edge.verdict == "conforms"
    assert 1.0 - edge.probability == pytest.approx(case["exact_at_limit"], rel=1e-12)
    assert 1.0 - edge.probability < case["false_accept_probability_below"]
    assert CASES["GB-ONE-SIDED-95"]["z"] == ONE_SIDED_95
    for share, z in CASES["GB-Z-TABLE"]["values"].items():
        found = decide(10.0 - z, 1.0, upper=10.0, rule=Rule("guarded", guard=z))
        assert found.probability == pytest.approx(float(share), abs=1e-12)
    on_limit = decide(2.0, 0.5, upper=2.0, rule=Rule("simple"))
    assert on_limit.verdict == "conforms"
    assert 1.0 - on_limit.probability == CASES["GB-SIMPLE"]["false_accept_probability_up_to"]


def test_three_zones_of_two_limits() -> None:
    """Proved within, proved without, and undecided on either side of both limits.

    Source: GB-ISO14253-2013 of guard_band_examples.json (from memory there).
    """
    zones = {
        0.5: "does not conform", 1.5: "undecided", 2.5: "undecided", 3.0: "conforms",
        5.0: "conforms", 7.0: "conforms", 7.5: "undecided", 8.5: "undecided",
        9.5: "does not conform",
    }  # fmt: skip
    for value, verdict in zones.items():
        assert decide(value, 0.5, lower=2.0, upper=8.0, rule=U2).verdict == verdict


def test_a_floor_under_a_straightedge() -> None:
    """Source: FLOOR-SR1-GB and FLOOR-SR1-GB-FAIL of guard_band_examples.json (arithmetic)."""
    case = CASES["FLOOR-SR1-GB"]
    found = decide(2.4, 0.5, upper=3.0, rule=U2)
    assert found.accept[1] == pytest.approx(case["guarded_AL_mm"])
    assert found.probability == pytest.approx(case["pc"], rel=1e-12)
    assert found.verdict == "undecided"
    assert decide(2.4, 0.5, upper=3.0, rule=Rule("simple")).verdict == "conforms"
    assert decide(4.2, 0.5, upper=3.0, rule=U2).verdict == "does not conform"
    beyond = CASES["FLOOR-SR1-GB-FAIL"]["proved_fail_above_mm"]
    assert decide(beyond, 0.5, upper=3.0, rule=U2).verdict == "undecided"
    assert decide(beyond + 1e-9, 0.5, upper=3.0, rule=U2).verdict == "does not conform"


def test_risk_is_shared_only_up_to_the_uncertainty_agreed() -> None:
    """The value decides with 0.5 where 0.5 was agreed, and nobody with more."""
    agreed = Rule("shared", most_uncertainty=0.5)
    assert decide(2.9, 0.5, upper=3.0, rule=agreed).verdict == "conforms"
    assert decide(3.1, 0.5, upper=3.0, rule=agreed).verdict == "does not conform"
    assert decide(2.9, 0.51, upper=3.0, rule=agreed).verdict == "undecided"


def test_an_uncertainty_as_wide_as_the_tolerance_proves_nothing_good() -> None:
    """Guard bands that meet leave no value that conforms."""
    for value in np.linspace(1.5, 8.5, 15):
        assert decide(value, 2.0, lower=2.0, upper=8.0, rule=U2).verdict != "conforms"


def test_of_a_hundred_bad_floors_at_most_five_are_passed() -> None:
    """True values just beyond a limit, read with noise: 5 % pass under the default rule.

    20 000 readings know 5 % to 0.15 %; the bound is four of those.
    """
    read = 3.0 + 0.5 * np.random.default_rng(31).standard_normal(20_000)
    passed = np.mean([decide(value, 0.5, upper=3.0).verdict == "conforms" for value in read])
    assert passed == pytest.approx(0.05, abs=0.0062)


def test_intervals_of_unequal_halves() -> None:
    """All of it within, all of it without, and anything else."""
    assert decide_by_interval((1.0, 3.0), upper=3.0) == "conforms"
    assert decide_by_interval((1.0, 3.1), upper=3.0) == "undecided"
    assert decide_by_interval((3.1, math.inf), upper=3.0) == "does not conform"
    assert decide_by_interval((20.0, math.inf), lower=20.0) == "conforms"


@pytest.mark.parametrize(
    ("value", "uncertainty", "limits"),
    [
        (math.nan, 0.1, {}),
        (1.0, -0.1, {}),
        (1.0, math.inf, {}),
        (1.0, 0.1, {"lower": 3.0, "upper": 2.0}),
    ],
)
def test_what_decides_nothing_is_refused(value, uncertainty, limits) -> None:
    """No value, no uncertainty, or no room between limits."""
    with pytest.raises(ValueError, match=r"decides nothing|no value keeps"):
        decide(value, uncertainty, **limits)


def test_an_interval_that_runs_backwards_is_refused() -> None:
    """Ends in the wrong order."""
    with pytest.raises(ValueError, match="from low to high"):
        decide_by_interval((3.0, 1.0), upper=3.0)
