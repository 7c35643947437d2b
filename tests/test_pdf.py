"""The printed report: true scales measured in the file, sizes of paper, words, legibility."""

from __future__ import annotations

import re
import shutil
import subprocess
import zlib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

from finished import make_plan, make_survey
from pourdatum.report import blocks
from pourdatum.report.markup import el
from pourdatum.report.pdf import write_pdf
from pourdatum.report.pdf_flow import Flow
from pourdatum.report.pdf_paper import MARGIN_MM, Paper, usual_paper, width_mm, wrapped
from pourdatum.report.pdf_text import Piece, pieces_of
from pourdatum.report.truescale import IMPERIAL, METRIC, fitting_scale
from pourdatum.results import plan_result
from site_plan import TITLE, planned, surveyed

POINT_MM = 25.4 / 72.0
"""PDF 32000-1:2008, 8.3.2.3: a unit of user space is 1/72 inch."""


def content_of(path: Path) -> list[tuple[tuple[float, float], str]]:
    """Each page's size [mm] and its content stream, unpacked."""
    data = path.read_bytes()
    objects = {
        int(number): body for number, body in re.findall(rb"(?ms)^(\d+) 0 obj\s(.*?)\sendobj", data)
    }
    found = []
    for body in objects.values():
        if not re.search(rb"/Type /Page\b", body):
            continue
        box = [float(part) for part in re.search(rb"/MediaBox \[([^\]]*)\]", body)[1].split()]  # type: ignore[index]
        inner = objects[int(re.search(rb"/Contents (\d+) 0 R", body)[1])]  # type: ignore[index]
        packed = re.search(rb"(?s)stream\r?\n(.*?)\r?\nendstream", inner)[1]  # type: ignore[index]
        text = zlib.decompress(packed).decode("latin-1")
        found.append(((box[2] * POINT_MM, box[3] * POINT_MM), text))
    return found


def paths_of(content: str) -> list[np.ndarray]:
    """Every run of straight lines on a page, (n, 2) [mm]."""
    runs: list[list[tuple[float, float]]] = []
    for x, y, how in re.findall(r"(-?[\d.]+) (-?[\d.]+) ([ml])\b", content):
        if how == "m":
            runs.append([])
        if runs:
            runs[-1].append((float(x) * POINT_MM, float(y) * POINT_MM))
    return [np.array(run) for run in runs if len(run) > 2]


def sizes_of(content: str) -> set[tuple[float, float]]:
    """Width and height of every such run, to 0.01 mm."""
    return {tuple(np.round(np.ptp(run, axis=0), 2).tolist()) for run in paths_of(content)}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A place for prints."""
    return tmp_path_factory.mktemp("prints")


@pytest.fixture(scope="module")
def printed(folder: Path) -> Path:
    """The plan of the made-up L of 8 by 6 m."""
    write_pdf(make_plan(), folder / "made.pdf")
    return folder / "made.pdf"


@pytest.fixture(scope="module")
def site(folder: Path) -> Path:
    """The plan of the scanned room on its site."""
    write_pdf(planned(), folder / "site.pdf")
    return folder / "site.pdf"


def text_of(path: Path, *words: str) -> str:
    """The text as another program reads it."""
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext (poppler-utils) is not there")
    done = subprocess.run(
        ["pdftotext", "-layout", *words, str(path), "-"], capture_output=True, check=True
    )
    return done.stdout.decode()


def test_a_known_length_is_true_on_paper(printed: Path) -> None:
    """The outline of 8 by 6 m is 160 by 120 mm at 1:50, to 0.03 mm, on each plan."""
    plans = [
        text
        for _, text in content_of(printed)
        if any(abs(w - 160.0) < 0.03 and abs(h - 120.0) < 0.03 for w, h in sizes_of(text))
    ]
    said = text_of(printed)
    assert said.count("1:50 on A4") == 2 * len(plans)  # at the scale bar and in the title block
    assert len(plans) >= 2


def test_a_known_length_is_true_in_feet(folder: Path) -> None:
    """On Letter at 1/4 inch to the foot, 8 m are 8 / 0.3048 / 4 inches wide."""
    plan = make_plan(make_survey(system="imperial"))
    write_pdf(plan, folder / "feet.pdf")
    pages = content_of(folder / "feet.pdf")
    assert {tuple(np.round(size, 1)) for size, _ in pages} == {(215.9, 279.4)}
    wide, tall = (side / 0.3048 / 4.0 * 25.4 for side in (8.0, 6.0))
    assert any(
        abs(w - wide) < 0.03 and abs(h - tall) < 0.03
        for _, text in pages
        for w, h in sizes_of(text)
    )
    assert "1/4 in = 1 ft on Letter" in text_of(folder / "feet.pdf")


def test_the_scale_bar_is_as_long_as_it_says(printed: Path) -> None:
    """Five parts of one metre at 1:50 are 20 mm each."""
    most = 0
    for _, text in content_of(printed):
        lines = re.findall(r"(-?[\d.]+) (-?[\d.]+) m\s+(-?[\d.]+) (-?[\d.]+) l\s+S", text)
        level = [abs(float(c) - float(a)) * POINT_MM for a, b, c, d in lines if b == d]
        most = max(most, sum(abs(length - 20.0) < 0.02 for length in level))
    assert most == 5


def test_the_largest_scale_that_fits_is_taken(seed: int) -> None:
    """Of the usual ones, for rooms of any size: the floor fits, and not at the next larger."""
    rng = np.random.default_rng(seed)
    for _ in range(200):
        wide, tall = rng.uniform(1.0, 120.0, 2)
        room = tuple(rng.uniform(100.0, 380.0, 2))
        for system, usual in (("metric", METRIC), ("imperial", tuple(n for n, _ in IMPERIAL))):
            ratio = fitting_scale(wide, tall, room, system).ratio  # type: ignore[arg-type]
            fits = [n for n in usual if 1000 * wide / n <= room[0] and 1000 * tall / n <= room[1]]
            assert ratio == min(fits), seed


def test_a_large_floor_is_drawn_on_the_larger_sheet(folder: Path) -> None:
    """A floor of 32 by 24 m is coarser than 1:100 on A4: its plans are A3, its words A4."""
    survey = make_survey(cell_m=0.2, noise_m=0.0)
    grow = 4.0

    def grown(shape: Any) -> Any:
        return shapely.affinity.scale(shape, grow, grow, origin=(0.0, 0.0))

    grid = replace(survey.surface.grid, cell_m=survey.surface.grid.cell_m * grow)
    survey.surface.grid, survey.floor.grid = grid, grid  # type: ignore[misc]
    survey.floor.outline = grown(survey.floor.outline)  # type: ignore[misc]
    survey.floor.openings, survey.floor.obstructions = (), ()  # type: ignore[misc]
    write_pdf(make_plan(survey, humps=()), folder / "large.pdf")
    sizes = [tuple(sorted(np.round(size, 0))) for size, _ in content_of(folder / "large.pdf")]
    assert (297.0, 420.0) in sizes
    assert (210.0, 297.0) in sizes


def test_pages_say_what_was_asked_of_them(site: Path) -> None:
    """Summary, depth, pins, batches, humps, materials, cautions, each with the title block."""
    plan = planned()
    pages = text_of(site).split("\f")[:-1]
    for what in ("Summary", "Depth", "Depth pins", "Batches", "Humps", "Materials", "Cautions"):
        assert any(f"Levelling plan: {what}\n" in page or f"Levelling plan: {what} " in page
                   for page in pages), what  # fmt: skip
    for number, page in enumerate(pages, 1):
        assert f"sheet {number} of {len(pages)}" in page
        assert plan.scan.inputs[0].sha256 in page
        assert TITLE in page
    whole = "\n".join(pages)
    for pin in plan_result(plan).pins:
        assert re.search(rf"\b{pin.name}\b", whole)
    assert "Cement powder and wet mix burn skin" in whole
    assert str(Path.home()) not in whole


def test_each_sheet_of_a_plan_that_cannot_be_built_says_so(site: Path, folder: Path) -> None:
    """In its title block, and over the drawing of batches in words that stop whoever would pour."""
    assert planned().buildable
    assert "not buildable" not in text_of(site).lower()
    write_pdf(replace(planned(), obstacles=("3 m² would be too deep",)), folder / "not.pdf")
    sheets = text_of(folder / "not.pdf").split("\f")[:-1]
    assert len(sheets) > 5
    assert all("not buildable as it stands" in sheet for sheet in sheets)
    stopped = [sheet for sheet in sheets if "do not pour by this drawing" in sheet]
    (drawing,) = (sheet for sheet in stopped if "numbers: batches" in sheet.lower())
    assert stopped == [drawing]


def test_the_mixing_card_is_one_sheet(site: Path) -> None:
    """It hangs on a wall: water, order of work and what hurts stand on one sheet, and only they."""
    cards = [page for page in text_of(site).split("\f") if "Levelling plan: Mixing card" in page]
    (card,) = cards
    for word in ("Water to one bag", "Order of work", "What hurts", "Two carry a bag"):
        assert word in card
    assert "Edge strip" not in card


def test_a_survey_has_its_pages(folder: Path) -> None:
    """Summary, levels, cautions, and nothing of a pour."""
    write_pdf(surveyed(), folder / "survey.pdf")
    said = text_of(folder / "survey.pdf")
    for what in ("Summary", "Levels", "Cautions"):
        assert f"Survey of a floor: {what}" in said
    assert "Batches" not in said


def test_nothing_runs_off_the_paper(printed: Path, monkeypatch: pytest.MonkeyPatch,
                                    tmp_path: Path) -> None:  # fmt: skip
    """Every line of print ends within the margins, and above the title block or in it."""
    seen: list[tuple[Figure, float, float]] = []
    save = PdfPages.savefig

    def kept(book: PdfPages, figure: Any = None, **more: Any) -> None:
        save(book, figure, **more)
        renderer = figure._get_renderer()
        for text in figure.texts:
            box = text.get_window_extent(renderer)
            wide, tall = (figure.get_size_inches() * 72).tolist()
            edge = MARGIN_MM / POINT_MM - 18.0  # labels of the grid stand in the margin
            assert box.x0 >= edge - 0.5, text.get_text()
            assert box.x1 <= wide - edge + 0.5, text.get_text()
            assert box.y0 >= edge - 0.5, text.get_text()
            assert box.y1 <= tall - edge + 0.5, text.get_text()
            seen.append((figure, box.x0, box.y0))

    monkeypatch.setattr(PdfPages, "savefig", kept)
    for outcome in (planned(), planned("us-ft", "imperial"), surveyed()):
        write_pdf(outcome, tmp_path / "kept.pdf")
    assert len(seen) > 500


def test_it_prints_in_grey(site: Path, folder: Path) -> None:
    """In grey every sheet shows its print, and the batches are of three tones and more."""
    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm (poppler-utils) is not there")
    subprocess.run(["pdftoppm", "-r", "40", "-gray", str(site), str(folder / "g")], check=True)
    from PIL import Image

    sheets = sorted(folder.glob("g-*.pgm"))
    assert sheets
    for sheet in sheets:
        tones = np.asarray(Image.open(sheet))
        assert (tones < 128).mean() > 0.003, sheet.name
    what = [text.split("Levelling plan: ")[1].splitlines()[0].split("  ")[0].strip()
            for text in text_of(site).split("\f")[:-1]]  # fmt: skip
    batches = np.asarray(Image.open(sheets[what.index("Batches")]))
    plain = [tone for tone, count in zip(*np.unique(batches, return_counts=True), strict=True)
             if count > 0.004 * batches.size]  # fmt: skip
    assert len(plain) >= 3
    assert np.diff(sorted(plain)).min() >= 5


def test_two_prints_are_the_same_bytes(site: Path, folder: Path) -> None:
    """Nothing in it comes from the clock."""
    write_pdf(planned(), folder / "again.pdf")
    assert (folder / "again.pdf").read_bytes() == site.read_bytes()


def test_words_become_pieces() -> None:
    """Headings, bold and plain paragraphs, points, steps, cards and tables come apart again."""
    block = el(
        "section",
        el("h2", "Water"),
        el("p", el("b", "Stop.")),
        el("p", el("b", "Not"), " here"),
        el("ul", [el("li", "4 < 5")]),
        el("ol", [el("li", "first"), el("li", "second")]),
        el("dl", el("div", el("dt", "To fill"), el("dd", "380 l"), [el("dd", "a"), el("dd", "b")])),
        el("table", el("thead", el("tr", [el("th", "A"), el("th", "B")])),
           el("tbody", el("tr", [el("td", 1), el("td", "x", el("br"), "y")]))),
        el("figure", el("figcaption", "not printed")),
    )  # fmt: skip
    assert pieces_of(block, None) == [
        Piece("heading", ("Water",)),
        Piece("strong", ("Stop.",)),
        Piece("paragraph", ("Not here",)),
        Piece("point", ("4 < 5",)),
        Piece("step", ("1. first",)),
        Piece("step", ("2. second",)),
        Piece("row", ("To fill", "380 l", "a; b")),
        Piece("head", ("A", "B")),
        Piece("row", ("1", "x\ny")),
    ]


def test_a_table_goes_on_with_its_head() -> None:
    """A table longer than a sheet has its head again on the next, and loses no row."""
    flow = Flow(Paper("A4", 210.0, 297.0))
    rows = [Piece("row", (f"row {k}", "text " * (k % 7))) for k in range(150)]
    flow.add([Piece("head", ("Name", "What")), *rows])
    assert len(flow.sheets) > 1
    for sheet in flow.sheets:
        assert sum(line.text == "Name" and line.bold for line in sheet.lines) == 1
    shown = [line.text for sheet in flow.sheets for line in sheet.lines]
    assert [text for text in shown if text.startswith("row ")] == [f"row {k}" for k in range(150)]


def test_no_last_line_stands_alone_on_a_sheet() -> None:
    """Whatever stands before it, the last line of a paragraph is with the line before it."""
    long = "word " * 40
    for before in range(40, 75):
        flow = Flow(Paper("A4", 210.0, 297.0))
        flow.add([Piece("point", ("short",))] * before + [Piece("paragraph", (long,))])
        foot = 297.0 - MARGIN_MM - 25.0
        for sheet in flow.sheets:
            assert max(line.down_mm for line in sheet.lines) < foot - 3.0
        if len(flow.sheets) > 1:
            assert len(flow.sheets[-1].lines) > 1, before


def test_print_holds_every_row() -> None:
    """On paper a table is whole; the page goes back to its own limit afterwards."""
    rows = [(f"P{k}",) for k in range(300)]
    with blocks.rows_shown(2000):
        pieces = pieces_of(blocks.table(("Pin",), rows))
    assert [piece.cells[0] for piece in pieces if piece.kind == "row"] == [row[0] for row in rows]
    assert "240 more are not shown here" in blocks.table(("Pin",), rows)


def test_a_word_longer_than_its_line_is_broken() -> None:
    """No line is wider than its room, whatever is typed, and nothing is lost."""
    text = "x" * 300 + " " + "word " * 40
    lines = wrapped(text, 9.0, 60.0)
    assert all(width_mm(line, 9.0) <= 60.0 for line in lines)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")


def test_paper_is_that_of_the_standard() -> None:
    """A4 and A3 of ISO 216; Letter is 8.5 by 11 inches (ANSI/ASME Y14.1, from memory)."""
    small, large = usual_paper("metric")
    assert (small.wide_mm, small.tall_mm) == (210.0, 297.0)
    assert (large.wide_mm, large.tall_mm) == (297.0, 420.0)
    letter, _ = usual_paper("imperial")
    assert (letter.wide_mm, letter.tall_mm) == (pytest.approx(215.9), pytest.approx(279.4))
