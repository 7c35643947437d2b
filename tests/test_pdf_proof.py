"""The printed proof: its sheets, scale, profiles, hashes, and that it fits its paper."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.backends.backend_pdf import PdfPages

from finished import make_check, make_survey
from pourdatum.filelist import choose_files
from pourdatum.headedges import Heads
from pourdatum.report.labels import Box, Taken
from pourdatum.report.pdf import write_pdf
from pourdatum.report.pdf_paper import MARGIN_MM
from pourdatum.report.proof_page import check_page
from test_pdf import POINT_MM, content_of, sizes_of, text_of


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The proof of the made-up L of 8 by 6 m."""
    path = tmp_path_factory.mktemp("proof") / "proof.pdf"
    write_pdf(make_check(), path)
    return path


def test_verify_writes_it_where_it_is_asked_for() -> None:
    """By its name or its kind, with all, and not unasked."""
    assert choose_files("report.pdf", "verify") == ("pdf",)
    assert "pdf" in choose_files("all", "verify")
    assert "pdf" not in choose_files(None, "verify")


def test_every_sheet_says_of_which_scans_it_is(printed: Path) -> None:
    """Summary, plan, flatness, worst places, frame and cautions, each with both hashes."""
    check = make_check()
    pages = text_of(printed).split("\f")[:-1]
    for what in ("Summary", "Thickness placed", "Flatness", "Worst places", "Handed over",
                 "Frame and cautions"):  # fmt: skip
        assert any(f"Proof of a poured floor: {what}" in page for page in pages), what
    for number, page in enumerate(pages, 1):
        assert f"sheet {number} of {len(pages)}" in page
        assert f"BEFORE {check.before.floor.scan.inputs[0].file}" in page
        assert f"AFTER {check.scan.inputs[0].file}" in page
        assert check.scan.inputs[0].sha256 in page
    whole = "\n".join(pages)
    for said in ("Does not conform", "Level, apart from flatness", "Both scans in one frame",
                 "Before you mend or cover it"):  # fmt: skip
        assert said in whole, said


def test_thickness_is_drawn_to_its_scale(printed: Path) -> None:
    """The outline of 8 by 6 m is 160 by 120 mm at 1:50, to 0.03 mm."""
    plans = [
        text
        for _, text in content_of(printed)
        if any(abs(w - 160.0) < 0.03 and abs(h - 120.0) < 0.03 for w, h in sizes_of(text))
    ]
    assert len(plans) == 1
    assert text_of(printed).count("1:50 on A4") == 2


def test_a_worst_place_has_its_profile_and_what_mends_it(printed: Path) -> None:
    """Where it lies, how much would fill or grind it; at most three to a sheet."""
    page = next(page for page in text_of(printed).split("\f") if "Worst places" in page)
    for said in ("3mm/2m: at", "To fill the hollow up to the straightedge takes about 2.1 l",
                 "along the straightedge, from its middle (m)", "floor below it (mm)"):  # fmt: skip
        assert said in " ".join(page.split()), said
    check = make_check()
    gap, mend = check.found.flatness[0], check.found.mends[0]
    many = tuple(
        replace(gap, criterion=f"{k}mm/2m", worst=replace(gap.worst, place_m=(0.5 * k, 2.0)))
        for k in range(1, 6)
    )
    found = replace(check.found, flatness=many, mends=(mend,) * 5)
    path = printed.parent / "many.pdf"
    write_pdf(replace(check, found=found, survey=replace(check.survey, flatness=many)), path)
    pages = [page for page in text_of(path).split("\f") if "floor: Worst places" in page]
    assert [page.count("floor below it") for page in pages] == [3, 2]


def test_imperial_print_is_in_feet_and_inches(tmp_path: Path) -> None:
    """On Letter, with feet along the straightedge in whole steps."""
    write_pdf(make_check(make_survey(system="imperial")), tmp_path / "feet.pdf")
    said = text_of(tmp_path / "feet.pdf")
    assert "on Letter" in said
    assert "from its middle (ft)" in said
    assert "floor below it (in)" in said
    page = next(page for page in said.split("\f") if "floor: Worst places" in page)
    assert " mm" not in page.replace("3mm/2m", "")


def test_a_proof_without_thickness_prints_its_levels(tmp_path: Path) -> None:
    """And says that what was placed is not known."""
    check = make_check()
    found = replace(check.found, placed=None, lacks="nothing is fixed in height")
    write_pdf(replace(check, found=found), tmp_path / "levels.pdf")
    said = text_of(tmp_path / "levels.pdf")
    assert "Proof of a poured floor: Levels" in said
    assert "not known" in said


def test_what_litres_hang_on_stands_beside_them(tmp_path: Path) -> None:
    """Who signs the first sheet reads there that a ceiling alone holds the thickness."""
    told = make_check()
    tie = told.found.registration
    assert tie is not None
    by_heads = replace(tie, heads=Heads(0.0, 0.001, 2.0))
    check = replace(told, found=replace(told.found, registration=by_heads))
    said = "nothing but a ceiling ties the heights"
    for one, there in ((check, False), (told, True)):
        write_pdf(one, tmp_path / "first.pdf")
        first = " ".join(text_of(tmp_path / "first.pdf").split("\f")[0].split())
        assert (said in first) == there
        page = check_page(one, b"")
        assert (said in page) == there
        if there:
            assert page.index(said) < page.index("<h2>Flatness")


def test_nothing_of_it_runs_off_the_paper(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Every line of print ends within the margins, profiles with their axes too."""
    save = PdfPages.savefig
    seen = []

    def kept(book: PdfPages, figure: Any = None, **more: Any) -> None:
        save(book, figure, **more)
        renderer = figure._get_renderer()
        wide, tall = (figure.get_size_inches() * 72).tolist()
        edge = MARGIN_MM / POINT_MM - 18.0
        boxes = [text.get_window_extent(renderer) for text in figure.texts]
        boxes += [
            axes.get_tightbbox(renderer) for axes in figure.axes if "profile" in axes.get_label()
        ]
        for box in boxes:
            assert box.x0 >= edge - 0.5
            assert box.x1 <= wide - edge + 0.5
            assert box.y0 >= edge - 0.5
            assert box.y1 <= tall - edge + 0.5
            seen.append(box)

    monkeypatch.setattr(PdfPages, "savefig", kept)
    for system in ("metric", "imperial"):
        write_pdf(make_check(make_survey(system=system)), tmp_path / "kept.pdf")
    assert len(seen) > 100


def test_it_is_legible_in_grey_and_the_same_twice(printed: Path, tmp_path: Path) -> None:
    """The gap under a straightedge is hatched: grey and black and white show it."""
    write_pdf(make_check(), tmp_path / "again.pdf")
    assert (tmp_path / "again.pdf").read_bytes() == printed.read_bytes()
    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm (poppler-utils) is not there")
    subprocess.run(["pdftoppm", "-r", "60", "-mono", str(printed), str(tmp_path / "g")], check=True)
    from PIL import Image

    for sheet in sorted(tmp_path.glob("g-*.pbm")):
        assert (~np.asarray(Image.open(sheet))).mean() > 0.003, sheet.name


def test_both_sides_can_sign(printed: Path) -> None:
    """Job, client and site, what was found, and a name, a date and a signature of either side."""
    page = next(page for page in text_of(printed).split("\f") if "For the contractor" in page)
    words = " ".join(page.split())
    for said in ("Annex, ground floor", "Client", "For the client", "Does not conform.",
                 "Asked: 3mm/2m, departure from the level", "Placed: ",
                 "if the ceiling did not move"):  # fmt: skip
        assert said in words, said
    for blank in ("Name", "Date", "Signature"):
        assert words.count(blank) == 2, blank


def test_a_label_keeps_off_the_edge_of_the_floor() -> None:
    """Beside a sign at a wall the word goes where it crosses no line, if there is such a place."""
    taken = Taken(Box(0, 0, 200, 100))
    wall = 60.0
    at = taken.beside(50, 50, 5, 20, 10, steps=(1.0, 2.0), clear=lambda box: box.right < wall)
    assert at == (35.0, 50.0)
