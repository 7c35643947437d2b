"""What people look at: the maps and the page of a finished result."""

from __future__ import annotations

import base64
import hashlib
import io
import json
import os
import re
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from finished import HUMPS, ORIGIN_M, SHEET, make_ground_plan, make_plan, make_survey
from pourdatum.grid import Grid
from pourdatum.outcome import Warned
from pourdatum.report import contours, live_block, stylesheet, words
from pourdatum.report.grind_block import draw_curve
from pourdatum.report.labels import Box, Taken
from pourdatum.report.layout import DPI, WIDTH_IN, colour_scale, lay_out
from pourdatum.report.page import write_page
from pourdatum.report.picture import depth_view, draw_depth, draw_levels, levels_view
from pourdatum.report.style import SOLID, colour_map, palette, tones

HOSTILE = (
    "</title></style><script>alert(1)</script><img src=x onerror=alert(2)>\" ' & \u202e\x00\x07"
)


@pytest.fixture(scope="module")
def plan():
    """A finished plan."""
    return make_plan()


@pytest.fixture(scope="module")
def depth_png(plan):
    """Its depth map."""
    held = io.BytesIO()
    draw_depth(plan, held)
    return held.getvalue()


def luminance(rgb):
    """Relative luminance of sRGB (IEC 61966-2-1), what a grey print keeps of a colour."""
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return linear @ np.array([0.2126, 0.7152, 0.0722])


def page_of(outcome, tmp_path, name="report.html"):
    """The written page as text."""
    write_page(outcome, tmp_path / name)
    return (tmp_path / name).read_text("utf-8")


class Seen(HTMLParser):
    """Every tag, attribute and text of a page; what is a script's stands apart."""

    def __init__(self, page):
        super().__init__()
        self.tags, self.attributes, self.text, self.scripts = [], [], [], []
        self.feed(page)
        self.words = " ".join("".join(self.text).split())

    def handle_starttag(self, tag, attrs):
        """Note a tag."""
        self.tags.append(tag)
        self.attributes += [(tag, *attr) for attr in attrs]

    def handle_data(self, data):
        """Note a text."""
        (self.scripts if self.lasttag == "script" and self.cdata_elem else self.text).append(data)


# -- colours ------------------------------------------------------------------------------


def test_depth_darkens_all_the_way():
    """Deeper is darker at every step, so the order survives a black-and-white print."""
    assert (np.diff(luminance(tones("depth"))) < 0.0).all()


def test_level_ramp_is_neutral_at_zero():
    """The mean level has the lightest tone, near grey; both ends are dark and differ in hue."""
    shades = tones("level", 121)
    assert np.ptp(shades[60]) < 0.06
    assert luminance(shades).argmax() == 60
    low, high = shades[0], shades[-1]
    # Blue against orange: the blue-yellow axis is what the common colour blindnesses keep.
    assert low[2] > low[0] + 0.2
    assert high[0] > high[2] + 0.2


def test_palette_holds_every_tone_of_the_map():
    """Packing a picture into 256 colours changes no tone of the ramp."""
    for ramp in ("depth", "level"):
        inks = palette(ramp)
        assert len(inks) <= 256
        packed = {tuple(ink) for ink in inks}
        drawn = np.rint(colour_map(ramp)(np.arange(colour_map(ramp).N))[:, :3] * 255)
        assert {tuple(tone) for tone in drawn.astype(int)} <= packed


# -- contours and labels -------------------------------------------------------------------


@given(st.floats(-50, 50), st.floats(0.05, 200), st.integers(2, 9))
def test_contour_steps_are_few_and_round(low, span, most):
    """The interval is 1, 2 or 5 times a power of ten and gives no more steps than asked."""
    step = contours.interval(low, low + span, most)
    digits = f"{step:.0e}"[0]
    assert digits in "125"
    assert span / step <= most * (1 + 1e-6)


def test_contour_of_a_ramp_is_its_line():
    """On z = x the contour of 1.3 is the line x = 1.3, cut by the outline."""
    grid = Grid(-0.1, -0.1, 0.1, 33, 43)
    x, _ = grid.mesh()
    lines = contours.trace(grid, x, 1.3, shapely.box(0, 0, 4, 3), 0.1)
    assert len(lines) == 1
    np.testing.assert_allclose(lines[0][:, 0], 1.3, atol=1e-12)
    assert np.ptp(lines[0][:, 1]) == pytest.approx(3.0)


def test_hatched_area_of_a_ramp_is_exact():
    """On z = x over 4 by 3 m, the part between 1 and 2.5 has 4.5 m², however cells lie."""
    grid = Grid(-0.13, -0.17, 0.1, 36, 46)
    x, _ = grid.mesh()
    area = contours.between(grid, x, 1.0, 2.5, shapely.box(0, 0, 4, 3))
    assert area.area == pytest.approx(4.5, abs=1e-9)


def test_calm_copy_keeps_a_plane_and_a_level():
    """Smoothing for the lines alone neither tilts nor lifts: a plane inside stays a plane."""
    grid = Grid(0.0, 0.0, 0.1, 40, 50)
    x, y = grid.mesh()
    value = 7.0 + 0.3 * x - 0.2 * y
    calm = contours.smoothed(grid, value, 0.2)
    inner = np.s_[7:-7, 7:-7]
    np.testing.assert_allclose(calm[inner], value[inner], atol=1e-9)


def test_thinning_keeps_the_mean():
    """Blocks of cells keep the total over the floor, gaps left out."""
    grid = Grid(0.0, 0.0, 0.1, 480, 300)
    value = np.random.default_rng(1).normal(size=grid.shape)
    coarse, mean = contours.thinned(grid, value)
    assert max(coarse.shape) <= contours.MOST_CELLS
    assert mean.mean() == pytest.approx(value.mean(), abs=1e-12)
    assert coarse.x_m[0] == pytest.approx(0.05)


@settings(max_examples=50)
@given(st.lists(st.tuples(st.floats(0, 400), st.floats(0, 300)), min_size=1, max_size=40))
def test_labels_never_cover_each_other(places):
    """Whatever the places, labels lie in the frame and share no area."""
    taken = Taken(Box(0, 0, 400, 300))
    for x, y in places:
        taken.beside(x, y, 8, 60, 16, (1.0, 2.0))
    for number, box in enumerate(taken.boxes):
        assert taken.frame.holds(box)
        assert not any(box.meets(other) for other in taken.boxes[:number])


# -- pictures ------------------------------------------------------------------------------


def test_depth_map_opens_and_is_sharp(depth_png):
    """The PNG has the size of the sheet at 200 dots per inch, and a map's worth of colours."""
    with Image.open(io.BytesIO(depth_png)) as image:
        assert image.format == "PNG"
        assert image.width == round(WIDTH_IN * DPI)
        assert image.height > image.width
        assert image.info["dpi"][0] == pytest.approx(DPI, abs=0.1)
        assert len(np.unique(np.asarray(image))) > 80


def pixel_at(png, view, place_m):
    """Colour of the picture at a local place."""
    layout = lay_out(view)
    x, y = layout.px(place_m)
    left, top, _, tall = layout.map_in
    with Image.open(io.BytesIO(png)) as image:
        rgb = image.convert("RGB").getpixel((round(left * DPI + x), round((top + tall) * DPI - y)))
    return np.array(rgb) / 255.0


def test_map_shows_the_depth_at_its_place(plan, depth_png):
    """At three plain places the tone is that of the depth there; outside it is paper."""
    view = depth_view(plan)
    scale = colour_scale(view)
    ramp = colour_map("depth")
    for place in ((4.55, 2.4), (3.3, 0.8), (7.0, 3.2)):
        row, col = plan.surface.grid.cell_of(*np.array([place]).T)
        depth_mm = 1000 * plan.depth_m[row[0], col[0]]
        expected = np.array(ramp((depth_mm - scale.low) / (scale.high - scale.low)))[:3]
        np.testing.assert_allclose(pixel_at(depth_png, view, place), expected, atol=0.02)
    np.testing.assert_array_equal(pixel_at(depth_png, view, (6.5, 4.7)), 1.0)


def test_column_is_solid(plan, depth_png):
    """A column is drawn in the grey of what is not floor."""
    grey = np.array([int(SOLID[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    shown = pixel_at(depth_png, depth_view(plan), (5.95, 2.35))
    np.testing.assert_allclose(shown, grey, atol=0.01)


def test_pictures_are_the_same_bytes_each_time(plan, depth_png, tmp_path):
    """The same result gives the same file, drawn to a path or to a stream."""
    draw_depth(plan, tmp_path / "depth.png")
    assert (tmp_path / "depth.png").read_bytes() == depth_png
    draw_levels(plan.survey, tmp_path / "a.png")
    draw_levels(plan.survey, tmp_path / "b.png")
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()


def test_map_of_levels_is_about_the_mean():
    """Its scale is even about zero, and its values are heights above the mean."""
    survey = make_survey()
    view = levels_view(survey)
    scale = colour_scale(view)
    assert scale.low == -scale.high
    inside = survey.surface.measured | survey.surface.inferred
    assert np.nanmean(view.value_m[inside]) == pytest.approx(0.0, abs=1e-12)


def test_what_is_out_of_range_is_hatched_with_its_area(plan):
    """Too deep is drawn where the depth passes the sheet's greatest: as much as was computed."""
    (deep,) = [area for area in depth_view(plan).areas if area.kind == "deep"]
    assert plan.volume.deep_m2 > 1.0
    assert deep.shape.area == pytest.approx(plan.volume.deep_m2, rel=0.03)
    assert "more than 12 mm" in deep.key
    fits = make_plan(sheet=replace(SHEET, depth_mm=(2.0, 40.0)))
    assert not [area for area in depth_view(fits).areas if area.kind in ("thin", "deep")]


def test_inferred_floor_is_drawn_as_such(plan):
    """The hatched area is that of the inferred cells, and the key says they were not seen."""
    (hidden,) = [area for area in depth_view(plan).areas if area.kind == "inferred"]
    assert hidden.key == "not seen, inferred"
    cells_m2 = plan.surface.inferred.sum() * plan.surface.grid.cell_m**2
    assert cells_m2 > 0.7
    assert hidden.shape.area == pytest.approx(cells_m2, rel=0.005)


def test_foreign_title_is_drawn_letter_by_letter(tmp_path):
    """Dollar signs are no formula, and letters that the type lacks become a clear mark."""
    survey = make_survey(title="Räume $x^2$ \u5e8a " + "lang " * 80)
    draw_levels(survey, tmp_path / "levels.png")
    head = lay_out(levels_view(survey)).title
    assert head[0].startswith("Räume $x^2$ ¤")
    assert len(head) == 3
    assert head[-1].endswith("…")


@pytest.mark.parametrize("heights", [0.0, 5.0], ids=["flat", "pit"])
def test_strange_floors_are_drawn(heights, tmp_path):
    """A floor without any relief and one with a deep pit both give a picture."""

    def floors(x, y):
        return -heights * np.exp(-((x - 2.0) ** 2 + (y - 2.0) ** 2) / 0.01)

    survey = make_survey(floors=floors, noise_m=0.0)
    draw_levels(survey, tmp_path / "levels.png")
    draw_depth(make_plan(survey), tmp_path / "depth.png")
    for name in ("levels.png", "depth.png"):
        with Image.open(tmp_path / name) as image:
            assert image.width == round(WIDTH_IN * DPI)


def test_no_window_library_is_loaded(tmp_path):
    """Drawing loads neither pyplot nor the user's own settings, and needs no HOME."""
    home = tmp_path / "home"
    home.write_text("a file, so that nothing can be made below it")
    code = (
        "import sys; sys.path.insert(0, 'tests')\n"
        "from finished import make_survey\n"
        "from pourdatum.report.picture import draw_levels\n"
        f"draw_levels(make_survey(), {str(tmp_path / 'levels.png')!r})\n"
        "import os; print('matplotlib.pyplot' in sys.modules, os.environ.get('MPLCONFIGDIR'))\n"
    )
    root = Path(__file__).parent.parent
    gone = ("MPLCONFIGDIR", "XDG_CONFIG_HOME", "XDG_CACHE_HOME")
    env = {key: value for key, value in os.environ.items() if key not in gone}
    env |= {"HOME": str(home), "TMPDIR": str(tmp_path), "PYTHONPATH": str(root / "src")}
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=root, env=env, capture_output=True, text=True, check=True
    )
    loaded, folder = done.stdout.split()
    assert loaded == "False"
    assert Path(folder).parent == tmp_path
    assert done.stderr == ""


# -- the page ------------------------------------------------------------------------------


def test_page_answers_what_the_contractor_asks(plan, tmp_path):
    """Litres with their interval, bags, water, depths, datum, humps and openings stand in it."""
    text = Seen(page_of(plan, tmp_path)).words
    litres = 1000 * plan.volume.volume_m3
    assert f"To fill{litres:.0f} l" in text
    low, high = (1000 * v for v in plan.volume_interval_m3)
    assert f"{low:.0f} to {high:.0f} l (95 %)" in text
    assert f"Bags to buy{plan.order.bags_to_buy}of 20 kg" in text
    assert f"expected use {plan.order.bags} (" in text
    assert f"Water{plan.order.water_l:.0f} l4.4 ± 0.1 l (4.4 kg on a scale)" in text
    assert f"Depth2.0 to {1000 * plan.volume.max_depth_m:.1f} mm" in text
    assert f"Datum{plan.datum.plane.z0_m + ORIGIN_M[2]:.4f} m" in text
    assert "high point at x, y = 102.00, 254.20 m" in text
    assert "lies 2 mm above the floor there" in text
    for x, y, high_m, _ in HUMPS:
        assert f"{x + 100:.2f}, {y + 250:.2f}{1000 * high_m:.1f} mm" in text
    assert "102.60, 251.90150 mm40 mm" in text
    assert "0.88 m² inferred" in text
    assert f"sha256 {'ab' * 32}" in text


def test_stop_reaches_above_the_pour(plan, tmp_path):
    """A stop is higher than the deepest fill at its opening by the 20 mm that the page states."""
    text = Seen(page_of(plan, tmp_path)).words
    x, y = plan.surface.grid.mesh()
    near = (abs(x - 2.6) <= 0.225) & (abs(y - 1.9) <= 0.225)
    near &= plan.surface.measured
    stop_mm = 1000 * plan.depth_m[near].max() + 20
    assert f"40 mm{stop_mm:.0f} mm" in text


def test_cautions_travel_with_the_page(plan, tmp_path):
    """What hurts people, and what comes before the page, is on it."""
    text = Seen(page_of(plan, tmp_path)).words
    assert "burn skin and eyes" in text
    assert "silica dust" in text
    assert "Paddle mixers catch hands" in text
    assert "Bags are heavy lifts" in text
    assert "an engineer's question" in text
    assert "tested, not scanned" in text
    assert "instructions, local codes and licensed practice come first" in text


def test_missing_particulars_are_printed_as_not_given(plan, tmp_path):
    """What the job did not say stands there as not given, and no price is made up."""
    text = Seen(page_of(plan, tmp_path)).words
    assert "Instrumenttripod scanner" in text
    assert "Serialnot given" in text
    assert "Cost" not in text
    priced = replace(plan, order=replace(plan.order, price_per_bag=19.5, cost=1234.5))
    assert "1 234.50 for" in Seen(page_of(priced, tmp_path)).words


def test_obstacles_come_first(plan, tmp_path):
    """A plan that cannot be poured says so before any figure."""
    page = page_of(replace(plan, obstacles=("6.7 m² would be deeper than the 12 mm",)), tmp_path)
    text = Seen(page).words
    assert text.index("Not buildable as it stands") < text.index("To fill")
    assert "6.7 m² would be deeper than the 12 mm" in text
    assert "Buildable. Can be poured" in Seen(page_of(plan, tmp_path)).words


def test_places_in_another_unit_than_the_file(tmp_path):
    """Feet of a scan in metres are said to be that, where they are explained; the same are not."""
    told = "here in ft and not in m as its file has them"
    imperial = make_plan(make_survey(system="imperial"))
    assert told in Seen(page_of(imperial, tmp_path)).words
    assert "its file has them" not in Seen(page_of(make_plan(), tmp_path)).words


def test_a_hump_that_hardly_stands_out_is_not_nothing_to_grind(tmp_path):
    """Three cubic centimetres are less than a hundredth of a litre, and nothing is nothing."""
    plan = make_plan()
    litres = (3e-6, 0.0, 4e-4)
    each = zip(plan.humps, litres, strict=True)
    humps = tuple(replace(hump, grind_m3=m3) for hump, m3 in each)
    text = Seen(page_of(replace(plan, humps=humps), tmp_path)).words
    assert "less than 0.01 l" in text
    assert "0.40 l" in text
    imperial = make_plan(make_survey(system="imperial"))
    humps = tuple(replace(h, grind_m3=3e-6) for h in imperial.humps)
    text = Seen(page_of(replace(imperial, humps=humps), tmp_path)).words
    assert "less than 0.1 US gal" in text


@pytest.mark.parametrize("system", ["metric", "imperial"])
def test_a_hump_that_saves_nothing_is_not_told_in_litres(system, tmp_path):
    """Nothing is a word and has a reason, not 0.00 l; where all save something no reason is."""
    plan = make_plan(make_survey(system=system))
    none = tuple(replace(h, grind_m3=0.0, saves_m3=0.0) for h in plan.humps[:1])
    text = Seen(page_of(replace(plan, humps=(*none, *plan.humps[1:])), tmp_path)).words
    assert not re.search(r"(?<![\d.])0\.0+ (l|US gal)", text)
    assert "nothingnothing" in text
    assert "by itself it would not lower the datum" in text
    assert "would not lower" not in Seen(page_of(plan, tmp_path)).words


def test_who_must_not_order_yet_reads_it_before_the_bags(plan, tmp_path):
    """A fill that is not known to 20 % is no order: said in the verdict and at the bags."""
    assert not plan.in_doubt
    assert "not order" not in Seen(page_of(plan, tmp_path)).words
    litres = plan.volume.volume_m3
    doubtful = replace(plan, volume_interval_m3=(0.9 * litres, 3.0 * litres))
    assert doubtful.in_doubt
    for one in (doubtful, replace(doubtful, obstacles=("too deep",))):
        text = Seen(page_of(one, tmp_path)).words
        said = "Do not order by this yet: the fill is not known to 20 %."
        assert text.index(said) < text.index("To fill")
        bags = text[text.index("Bags to buy") : text.index("Water")]
        assert "not yet to be ordered" in bags


def test_a_speck_outside_the_depths_is_owned_to(plan, tmp_path):
    """Where the depths shown reach out of the material's by a speck, the verdict says so."""
    volume = replace(plan.volume, max_depth_m=0.0119, deep_m2=0.0)
    text = Seen(page_of(replace(plan, volume=volume), tmp_path)).words
    assert "stays within the 2 to 12 mm of the material." in text
    deep = replace(volume, max_depth_m=0.0121, deep_m2=0.0001)
    text = Seen(page_of(replace(plan, volume=deep), tmp_path)).words
    assert "within the 2 to 12 mm of the material, but for less than 0.01 m² deeper" in text
    thin = replace(volume, min_depth_m=0.0019, short_m2=0.0002, deep_m2=1.0)
    text = Seen(page_of(replace(plan, volume=thin), tmp_path)).words
    assert "but for less than 0.01 m² thinner and 1.00 m² deeper" in text


def test_foreign_text_is_only_text(tmp_path):
    """A script in title, file, sheet, notes or warnings is shown and never becomes markup."""
    survey = make_survey(
        title=f"A{HOSTILE}",
        file=f"f{HOSTILE}\udcff.laz",
        notes=((f"n{HOSTILE}", f"s{HOSTILE}"),),
        warnings=(Warned("x", f"w{HOSTILE}"),),
        assumptions=(f"a{HOSTILE}",),
    )
    plan = make_plan(survey, sheet=replace(SHEET, name=f"m{HOSTILE}", strength=HOSTILE))
    for outcome in (survey, plan):
        page = page_of(outcome, tmp_path)
        seen = Seen(page)
        # The data of the map, which no browser runs, and the page's own script.
        assert seen.tags.count("script") == 2
        assert seen.scripts == [seen.scripts[0], live_block.script()]
        assert not set("<>&") & set(seen.scripts[0])
        assert json.loads(seen.scripts[0])["system"] == "metric"
        assert seen.tags.count("img") == 1
        assert not [name for _, name, _ in seen.attributes if name.startswith("on")]
        assert "A</title></style><script>alert(1)</script>" in seen.words
        assert not re.search("[\x00-\x08\x0b-\x1f\u202a-\u202e\u2066-\u2069]", page)


def test_page_loads_nothing_from_outside(plan, tmp_path):
    """No address, no link, no call for one; picture, data and script stand in the page."""
    for outcome in (plan, plan.survey):
        page = page_of(outcome, tmp_path)
        seen = Seen(page)
        assert not set(seen.tags) & {"link", "iframe", "object", "base", "form", "a"}
        loads = [v for _, name, v in seen.attributes if name in ("src", "href", "srcset", "style")]
        assert len(loads) == 1
        assert loads[0].startswith("data:image/png;base64,")
        data, script = seen.scripts
        rest = page.replace(loads[0], "").replace(data, "").replace(script, "")
        assert not re.search(r"https?:|//|url\(|@import", rest)
        calls = r"https?:|fetch|XMLHttp|WebSocket|EventSource|sendBeacon|import\(|eval|Function\("
        assert not re.search(calls, script)
        assert "innerHTML" not in script


def test_policy_lets_in_only_the_pages_own_style_and_script(plan, tmp_path):
    """The policy denies everything but pictures in the page, and style and script of this hash."""
    page = page_of(plan, tmp_path)
    style = re.search("<style>(.*?)</style>", page, re.S).group(1)
    script = re.search("<script>(.*?)</script>", page, re.S).group(1)
    digest, own = (
        base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        for text in (style, script)
    )
    contents = [value for tag, name, value in Seen(page).attributes if name == "content"]
    (policy,) = [value for value in contents if "default-src" in value]
    first, second, third, fourth, *rest = policy.split("; ")
    assert first == "default-src 'none'"
    assert second == f"style-src 'sha256-{digest}'"
    assert third == "img-src data:"
    assert fourth == f"script-src 'sha256-{own}'"
    assert rest == ["base-uri 'none'", "form-action 'none'"]
    assert page.index("Content-Security-Policy") < page.index("<style>") < page.index("<script>")
    assert "script-src" not in stylesheet.policy()


def test_picture_in_the_page_is_the_map(plan, depth_png, tmp_path):
    """The page holds the bytes of depth.png, with words for those who cannot see it."""
    page = page_of(plan, tmp_path)
    image = {name: value for tag, name, value in Seen(page).attributes if tag == "img"}
    assert base64.b64decode(image["src"].partition(",")[2]) == depth_png
    assert image["alt"].startswith("Plan of the floor coloured by depth of fill, 2.0 to ")


def test_page_is_the_same_bytes_each_time_and_small(tmp_path):
    """Two writes agree to the byte; with 200 000 noisy cells it stays under 1 MB."""
    plan = make_plan(make_survey(cell_m=0.016, noise_m=0.0004))
    assert plan.surface.grid.ny * plan.surface.grid.nx > 190_000
    write_page(plan, tmp_path / "a.html")
    write_page(plan, tmp_path / "b.html")
    data = (tmp_path / "a.html").read_bytes()
    assert data == (tmp_path / "b.html").read_bytes()
    assert len(data) < 1_000_000, len(data)


def test_imperial_is_shown_when_asked(tmp_path):
    """Gallons, inches, feet and pounds everywhere, and no metric unit beside them."""
    plan = make_plan(make_survey(system="imperial"))
    text = Seen(page_of(plan, tmp_path)).words
    assert f"To fill{1000 * plan.volume.volume_m3 / 3.785411784:.1f} US gal" in text
    assert f"{plan.volume.volume_m3 / 0.3048**3:.1f} ft³" in text
    assert f"Datum{(plan.datum.plane.z0_m + 12.0) / 0.3048:.3f} ft" in text
    assert f"{plan.volume.outline_m2 / 0.3048**2:.1f} ft²" in text
    assert "of 44.1 lb" in text
    said = text[: text.index("Scan files")].replace("mortar", "")
    assert not re.search(r"\d (mm|m|m²|l|kg|°C)\b", said)
    view = depth_view(plan)
    assert view.system == "imperial"
    assert colour_scale(view).high == pytest.approx(plan.volume.max_depth_m / 0.0254, abs=0.1)


def test_survey_page_gives_levels_and_fall(tmp_path):
    """Area, levels, range and fall with what is known of it stand in the page of a survey."""
    survey = make_survey()
    text = Seen(page_of(survey, tmp_path)).words
    figures = survey.figures
    assert f"Floor{figures.area_m2:.2f} m²" in text
    assert f"From low to high{1000 * (figures.high_m - figures.low_m):.1f} mm" in text
    assert f"Mean level{figures.mean_m + 12:.4f} m" in text
    assert "Falls0.9 mm per mdownhill 302° clockwise from +yknown to 0.04 mm per m (95 %)" in text
    assert "Bags to buy" not in text


def test_page_without_title_is_named_by_its_file(tmp_path):
    """Without a title the scan's file name heads the page."""
    page = page_of(make_survey(title=""), tmp_path)
    assert "<h1><bdi>annex.laz</bdi></h1>" in page


@pytest.mark.parametrize("shown", ["limit", "whole"])
def test_sizes_are_shown_with_unit(shown):
    """Both ways to show a size agree with the factor of the inch, 25.4 mm."""
    assert getattr(words, shown)(0.254, "metric") == "254 mm"
    assert getattr(words, shown)(0.254, "imperial").startswith("10.0")


def test_warnings_speak_to_people(tmp_path):
    """Keys of the result file and notes to scripts are not shown; every other warning is."""
    survey = make_survey(
        warnings=(
            Warned("no-price", "no price per bag is given: cost is null"),
            Warned("zones", "pins are empty"),
            Warned("double-layer", "two floors 9 mm apart near 102, 251"),
        )
    )
    text = Seen(page_of(survey, tmp_path)).words
    assert "No price per bag was given" in text
    assert "null" not in text
    assert "pins are empty" not in text
    assert "Two floors 9 mm apart near 102, 251." in text


# -- grind or pour -------------------------------------------------------------------------


def test_page_says_what_to_grind_and_what_it_saves(tmp_path):
    """The decision with its figures, the table with its verdicts, the level mark and the dust."""
    plan = make_ground_plan()
    text = Seen(page_of(plan, tmp_path)).words
    assert "Grind 2 humps, 1.4 l of concrete from 0.60 m²: the datum lies 3.1 mm lower" in text
    assert "the pour takes 120 l less, 300.00 in all instead of 500.00." in text
    # The verdict stands beside the number of its hump.
    table = text[text.index("No.Worth it") :]
    for number, hump in enumerate(plan.humps, 1):
        assert f"{number}{'yes' if hump.worth else 'no'}" in table
    assert [hump.worth for hump in plan.humps] == [True, True, False]
    assert table.count("11.0 l") == 3
    # 2 000 for each cubic metre: the ends of the fill's interval in money, beside 300.
    low, high = (300.0 + 2000.0 * (end - plan.volume.volume_m3) for end in plan.volume_interval_m3)
    assert f"are {low:.2f} to {high:.2f} (95 %) by what the fill may be out by" in text
    assert "1.1 mm below the floor there as it is before grinding" in text
    assert "Put a height mark on a wall or a column before anything is ground" in text
    assert "respirable crystalline silica" in text


@pytest.mark.parametrize(
    ("bound", "floor"), [("deepest grind", "highest"), ("greatest depth", "lowest")]
)
def test_page_says_what_a_limit_is_known_to(tmp_path, bound, floor):
    """Which floor holds the datum, how well it is known, and what that is in money."""
    plan = make_ground_plan()
    held = replace(plan.grinding, bound=bound, held_m=0.0002, held_cost=12.5)
    text = Seen(page_of(replace(plan, grinding=held), tmp_path)).words
    told = f"The {floor} floor sets the datum, and the scan's noise leaves it known to ± 0.2 mm"
    assert f"{told}: ± 12.50 (95 %)." in text
    free = Seen(page_of(plan, tmp_path, "free.html")).words
    assert "sets the datum, and" not in free


def test_page_says_why_grinding_is_not_weighed(tmp_path):
    """What is missing stands there, and no curve."""
    page = page_of(make_plan(grind_lacks=("no price of a bag",)), tmp_path)
    text = Seen(page).words
    assert "Grinding was asked for and is not weighed against filling:no price of a bag" in text
    assert "Curve of cost" not in page


def test_curve_is_readable_in_grey():
    """Where its least and its top lie there is ink, and paper between; the same bytes each time.

    Of a parabola with its ends at 500 and its least at 300 the ink stands lowest in the middle.
    """
    plan = make_ground_plan()
    png = draw_curve(plan)
    assert draw_curve(plan) == png
    grey = np.asarray(Image.open(io.BytesIO(png)).convert("L"))
    assert grey.shape == (640, 960)
    dark = grey[60:510, 165:920] < 100
    middle, side = dark[:, 350:405], dark[:, 100:140]
    lowest = np.flatnonzero(middle.any(axis=1)).max()
    assert lowest > np.flatnonzero(side.any(axis=1)).max() + 60
    assert dark.mean() < 0.05


def test_curve_in_the_page_has_words(tmp_path):
    """Those who cannot see it are told the two costs; a plan in inches has them too."""
    for system, lower in (("metric", "3.1 mm lower"), ("imperial", "0.12 in lower")):
        page = page_of(make_ground_plan(make_survey(system=system)), tmp_path)
        alts = [
            value for tag, name, value in Seen(page).attributes if (tag, name) == ("img", "alt")
        ]
        assert f"500.00 without grinding, 300.00 as planned, {lower}." in alts[1]


@pytest.mark.parametrize("cost", [0.0, 120.0])
def test_a_flat_curve_is_drawn(cost):
    """A curve without any rise, free or not, and one of a single datum."""
    plan = make_ground_plan()
    flat = replace(plan.grinding, curve=np.array([[0.0, cost], [0.001, cost]]), cost=cost)
    one = replace(flat, curve=flat.curve[1:], unground_cost=cost, too_deep_m=0.0005)
    for grinding in (flat, one):
        draw_curve(replace(plan, grinding=grinding))
