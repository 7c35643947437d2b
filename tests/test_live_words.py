"""The page's script says figures in the words of the tool, and reads a section cell by cell.

Run in Node; without it these tests are skipped and say so.
"""

from __future__ import annotations

import re

import numpy as np
import pytest

from live_js import in_node
from pourdatum.report import words
from pourdatum.units import System, show_area, show_height, show_length, show_limit, show_volume


@pytest.mark.parametrize("system", ["metric", "imperial"])
def test_figures_are_worded_as_the_tool_words_them(system: System) -> None:
    """Heights, lengths, areas, volumes, limits, levels, places, counts: small, large, below 0."""
    rng = np.random.default_rng(7)
    size = 10.0 ** rng.uniform(-3, 4, 300)
    values = [*(size * rng.choice([-1.0, 1.0], 300)).tolist(), 0.0, 0.1, 0.0999, 1.0, 1000.0]
    found = in_node(
        "const units = UNITS[input.system];"
        "return input.values.map((one) => [units.height(one), units.length(one), units.area(one),"
        " units.volume(one), levelWords(units, one), grouped(one, 0), placeWords(units, one, -one),"
        " units.limit(Math.round(1e4 * Math.abs(one)) / 1e7)]);",
        {"system": system, "values": values},
        "units.js",
    )
    for value, told in zip(values, found, strict=True):
        expected = [
            show_height(value, system), show_length(value, system), show_area(value, system),
            show_volume(value, system), words.level(value, system), words.count(value),
            f"{words.place(value, -value, system)} {words.plan_unit(system)}",
            show_limit(round(1e4 * abs(value)) / 1e7, system),
        ]  # fmt: skip
        # Of what is nothing when rounded the script leaves the sign away.
        plain = [re.sub(r"\u2212(?=[0.]+(?![.\d]))", "", words.minus(one)) for one in expected]
        assert [one.replace("\u00a0", " ") for one in told] == plain, value


def test_ranges_are_worded_as_the_tool_words_them() -> None:
    """One unit for both ends, and one figure where they are shown alike."""
    ends = [(0.0021, 0.0118), (-0.0031, 0.0118), (0.00211, 0.00212), (0.0, 0.25)]
    found = in_node(
        "return input.map(([low, high]) => ['metric', 'imperial'].map((system) =>"
        " span(UNITS[system].height(low), UNITS[system].height(high))));",
        ends,
        "units.js",
    )
    systems: tuple[System, System] = ("metric", "imperial")
    assert found == [[words.span(*one, system) for system in systems] for one in ends]


def test_a_long_section_misses_no_cell() -> None:
    """Over 30 m a ridge as narrow as one cell of 50 mm is found wherever it stands."""
    ridges = np.linspace(0.3, 29.7, 40).tolist()
    found = in_node(
        "return input.map((ridge) => Math.min(...alongLine({ floor: { cell_m: 0.05 },"
        " at: (x) => ({ depth_m: Math.abs(x - ridge) < 0.025 ? 0.001 : 0.01 }) }, [0, 0], [30, 0])"
        ".map((one) => one.depth_m)));",
        ridges,
        "section.js",
    )
    assert found == [0.001] * len(ridges)


def test_the_first_place_is_one_that_can_be_read() -> None:
    """Where the cell in the middle lies a hair beyond the drawn edge, the next one is taken."""
    found = in_node(
        "const map = { box: { left: -1, right: 1, low: -1, high: 1 } };"
        "const model = { data: { marks: [] }, cells: [0, 1, 1], at: (x) => (x > 0.5 ? {} : null),"
        " floor: { nx: 3, x0_m: -1, y0_m: 0, cell_m: 1 } };"
        "return LivePage.prototype.startPlace.call({ model, map });",
        None,
        "model.js",
        "controls.js",
    )
    assert found == [1, 0]
