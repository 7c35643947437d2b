"""Limits of flatness are those that were published, with their sources."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from pourdatum.criteria import FLimit, GapLimit, MovementLimit, NotKnown, gap_limit, limit_of
from pourdatum.units import MM

SHARED = Path(__file__).parent.parent / "shared"


def rows(name: str) -> list[dict[str, str]]:
    """A table of published figures."""
    with (SHARED / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_regularity_is_as_published() -> None:
    """BS 8204 SR1 to SR3 and ASTM F710: length and limit as in surface_regularity.csv."""
    listed = {row["id"]: row for row in rows("surface_regularity.csv")}
    for criterion, row_id in [
        ("BS8204:SR1", "BS8204-SR1"), ("BS8204:SR2", "BS8204-SR2"),
        ("BS8204:SR3", "BS8204-SR3"), ("F710", "ASTM-F710"),
    ]:  # fmt: skip
        found, row = gap_limit(criterion), listed[row_id]
        assert row["confidence"] == "published-verified"
        assert found.trust == "published"
        assert [m * MM for m in found.lengths_m] == pytest.approx([float(row["straightedge_mm"])])
        assert float(found.at(1.0)) * MM == pytest.approx(float(row["limit_mm"]))


def test_din_18202_is_linear_between_its_columns() -> None:
    """Every cell for floors (lines 1 to 4), before rounding, as in din18202_flatness.csv.

    Of the printed whole millimetres two disagree with linear rounding: line 2 at 3.5 m, and
    one for walls. Ours is the unrounded line in both, never the printed exception.
    """
    odd = []
    for row in rows("din18202_flatness.csv"):
        if row["rounded_linear_equals_table"] == "no":
            odd.append((row["line"], float(row["point_spacing_m"])))
        if int(row["line"]) <= 4:
            found = gap_limit(f"DIN18202:{row['line']}").at(float(row["point_spacing_m"]))
            assert float(found) * MM == pytest.approx(
                float(row["linear_interpolation_mm"]), abs=5e-5
            )
            if row["kind"] == "standard value":
                assert float(found) * MM == pytest.approx(float(row["limit_mm"]), abs=1e-9)
    assert odd == [("2", 3.5), ("7", 0.6)]
    assert float(gap_limit("DIN18202:2").at(3.5)) * MM == pytest.approx(34 / 3)


def test_free_movement_is_that_of_the_fourth_edition() -> None:
    """TR34 FM1 to FM4, E and F, as in tr34_free_movement.csv; readings are from memory."""
    for row in rows("tr34_free_movement.csv"):
        if not row["id"].startswith("TR34-4"):
            continue
        found = limit_of(f"TR34:{row['class']}")
        assert isinstance(found, MovementLimit)
        value = found.f_m if row["property"].startswith("F") else found.e_m
        assert value * MM == pytest.approx(float(row["limit_mm"]))
        assert "from memory" in found.source


def test_a_straightedge_as_asked() -> None:
    """Any gap under any length, in the user's own figures."""
    found = limit_of("2.5mm/3.05m")
    assert isinstance(found, GapLimit)
    assert (found.lengths_m, found.limit_m) == ((3.05,), (0.0025,))
    assert found.trust == "as asked"


def test_f_numbers_are_marked_as_from_memory() -> None:
    """E1155's constants are from memory: they are never called the standard's own words."""
    found = limit_of("E1155:FF35/FL25")
    assert isinstance(found, FLimit)
    assert (found.flatness, found.levelness, found.trust) == (35.0, 25.0, "from memory")
    assert "from memory" in found.source


@pytest.mark.parametrize(
    ("criterion", "known"),
    [("DIN18202:5", "lines 1 to 4"), ("DIN18202:2a", "lines 1 to 4"),
     ("TR34:DM1", "FM1 to FM4"), ("0mm/2m", "no usable"), ("3mm/0.01m", "no usable")],
)  # fmt: skip
def test_what_we_have_no_figures_for_is_said(criterion, known) -> None:
    """A wall's line, a class of defined movement: not known, and what is known."""
    found = limit_of(criterion)
    assert isinstance(found, NotKnown)
    assert known in found.why


@pytest.mark.parametrize(
    ("criterion", "why"),
    [
        ("E1155:FF0/FL0", "asks for nothing"),
        ("E1155:FF35/FL0", "asks for nothing"),
        ("E1155:FF35/FL25/MLFF0/MLFL15", "asks for nothing"),
        ("E1155:FF35/FL25/MLFF50/MLFL15", "the two seem exchanged"),
        ("E1155:FF35/FL25/MLFF21/MLFL26", "the two seem exchanged"),
    ],
)
def test_f_numbers_that_no_contract_means(criterion: str, why: str) -> None:
    """Nothing asked for, or more of the parts than of the whole: not judged, with the reason."""
    found = limit_of(criterion)
    assert isinstance(found, NotKnown)
    assert why in found.why
