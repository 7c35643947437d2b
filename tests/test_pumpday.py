"""The day of a pump: material at the pump by bay, what stays in the hose, clock times; by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely

from pourdatum.errors import JobError
from pourdatum.grid import Grid
from pourdatum.job import Job
from pourdatum.material import Sheet, order
from pourdatum.pour import PourSheet, Pump, lay_out_pour
from pourdatum.pumpday import Terms, clock_of, pour_day
from pourdatum.tomlfile import check
from pourdatum.volume import Volume

LONG_M, WIDE_M, DEPTH_M = 40.0, 20.0, 0.010
LITRES = LONG_M * WIDE_M * DEPTH_M * 1000.0
SHEET = Sheet("test", (2.0, 20.0), 1.7, 20.0, 4.4, 20.0)
KG = LITRES * SHEET.powder_kg_per_m2_mm
RATE = 80.0


def hall(pump: Pump, joints: tuple[float, ...] = (15.0,), waste: float = 0.0) -> PourSheet:
    """800 m² at 10 mm, 8000 l, with movement joints across it."""
    grid = Grid(0.05, 0.05, 0.1, round(WIDE_M / 0.1), round(LONG_M / 0.1))
    inside = np.ones(grid.shape, bool)
    lines = [shapely.LineString([(x, -1.0), (x, WIDE_M + 1.0)]) for x in joints]
    return lay_out_pour(
        np.full(grid.shape, DEPTH_M), inside, grid, LITRES / 1000.0, SHEET,
        crew=pump, leave_m=(LONG_M, 10.0), joints=lines, waste=waste,
    )  # fmt: skip


def test_bays_follow_one_another_at_the_pump_s_rate() -> None:
    """Each bay takes its litres over the rate, begins when the one before ends, and adds up."""
    sheet = hall(Pump(RATE))
    day = pour_day(sheet, SHEET, Terms())
    assert len(day.bays) == sheet.bays > 1
    assert sum(bay.minutes for bay in day.bays) == pytest.approx(LITRES / RATE)
    upto = 0.0
    for bay in day.bays:
        assert bay.start_min == pytest.approx(upto)
        assert bay.minutes == pytest.approx(bay.volume_m3 * 1000.0 / RATE)
        upto += bay.minutes
    assert sum(bay.powder_kg for bay in day.bays) == pytest.approx(KG)
    assert sum(bay.bags for bay in day.bays) == math.ceil(KG / SHEET.bag_kg)


def test_what_each_bay_takes() -> None:
    """Powder with the waste in it; whole bags that never lack more than a bag's edge."""
    sheet = hall(Pump(RATE), (10.0, 25.0), waste=0.1)
    day = pour_day(sheet, SHEET, Terms(waste=0.1))
    assert day.bays[0].by_min == pytest.approx(0.0)
    for bay in day.bays:
        assert bay.powder_kg == pytest.approx(bay.volume_m3 * 1000.0 * 1.7 * 1.1)
    # By each bay's start as many whole bags as its litres and all before need.
    upto = np.cumsum([bay.bags for bay in day.bays])
    kg = np.cumsum([bay.powder_kg for bay in day.bays])
    assert (upto * SHEET.bag_kg >= kg - 0.05 * SHEET.bag_kg - 1e-6).all()
    assert (upto * SHEET.bag_kg < kg + SHEET.bag_kg).all()


def test_when_deliveries_must_come() -> None:
    """80 l a minute use 149.6 kg: the next delivery is there before the ones before are used up."""
    hose_l, load_kg, per_min = 120.0, 3000.0, RATE * 1.7 * 1.1
    sheet = hall(Pump(RATE, hose_l / 1000.0), (10.0, 25.0), waste=0.1)
    how = Terms(waste=0.1, hose_m3=hose_l / 1000.0, delivery_kg=load_kg)
    day = pour_day(sheet, SHEET, how)
    in_all_kg = (LITRES + hose_l) * 1.7 * 1.1
    assert len(day.deliveries_min) == math.ceil(in_all_kg / load_kg)
    # A delivery is asked for at the start of the pass that first needs it; the hose runs ahead.
    longest = max(np.diff([*(batch.start_min for batch in sheet.batches), sheet.minutes]))
    # Lots are whole bags: what the last bay opens for the hose is there before it is used.
    lots_min = (len(day.bays) + day.hose_bags) * SHEET.bag_kg / per_min
    for number, by_min in enumerate(day.deliveries_min):
        used_up_min = number * load_kg / per_min - hose_l / RATE
        assert used_up_min - longest - lots_min <= by_min <= used_up_min + 1e-9
    assert pour_day(sheet, SHEET, replace(how, delivery_kg=None)).deliveries_min == ()


def test_lots_and_deliveries_add_up_to_the_bags_to_buy() -> None:
    """691 bags of floor and hose, 720 to buy: the reserve of 29 is in the lots and on the lorries.

    A load of 3000 kg is 150 bags, so there are five, the last of 120.
    """
    sheet = hall(Pump(RATE, 0.120), (10.0, 25.0))
    terms = Terms(hose_m3=0.120, delivery_kg=3000.0, bags_to_buy=720)
    day = pour_day(sheet, SHEET, terms)
    assert sum(bay.bags for bay in day.bays) == 691
    assert sum(bay.reserve for bay in day.bays) == 29
    for bay in day.bays:
        assert bay.reserve == pytest.approx(29 * bay.volume_m3 * 1000.0 / LITRES, abs=1.0)
    assert day.delivery_bags == (150, 150, 150, 150, 120)
    assert list(day.deliveries_min) == sorted(day.deliveries_min)
    # A bay's whole lot is bought before the next bay begins: nothing comes later than it is used.
    opened = np.cumsum([batch.volume_m3 * 1000.0 * 1.7 / 20.0 for batch in sheet.batches])
    for number, by_min in enumerate(day.deliveries_min):
        at = min(int(np.searchsorted(opened, 150 * number)), len(sheet.batches) - 1)
        assert by_min <= sheet.batches[at].start_min + 1e-9
    bare = pour_day(sheet, SHEET, replace(terms, bags_to_buy=None))
    assert sum(bare.delivery_bags) == 691


def test_the_hose_is_filled_before_and_stays_full() -> None:
    """Its content leaves the pump before the first pass, is bought, and is not in any bay."""
    hose_l = 120.0
    plain = pour_day(hall(Pump(RATE)), SHEET, Terms())
    day = pour_day(hall(Pump(RATE, hose_l / 1000.0)), SHEET, Terms(hose_m3=hose_l / 1000.0))
    assert day.hose_min == pytest.approx(hose_l / RATE)
    # What a bay begins with enters the hose so much earlier, behind the last of the bay before.
    for bay in day.bays:
        assert bay.by_min == pytest.approx(bay.start_min - hose_l / RATE)
    # 120 l are 204 kg: 680 bags of the floor are 13 600 kg to the last one.
    assert day.hose_bags == math.ceil((KG + 204.0) / 20.0) - math.ceil(KG / 20.0) == 11
    assert [bay.volume_m3 for bay in day.bays] == pytest.approx([b.volume_m3 for b in plain.bays])
    # The hose's own bags are the last bay's lot: so much more must be there.
    assert day.bays[-1].bags == plain.bays[-1].bags + 11


def test_material_in_the_hose_is_older() -> None:
    """The working time runs from the water: an edge is older by the minutes in the hose."""
    plain, long_hose = hall(Pump(RATE)), hall(Pump(RATE, 0.080))
    assert plain.bays == long_hose.bays
    assert long_hose.edge_age_min == pytest.approx(plain.edge_age_min + 1.0)
    with pytest.raises(JobError, match=r"a hose of 1600 l is full for 20 min"):
        hall(Pump(RATE, 1.600))


def test_bags_to_buy_hold_what_stays_in_the_hose() -> None:
    """A floor known exactly: bags of floor and hose together, and the chance moves with them."""
    fill = Volume(8.0, 800.0, 0.01, 0.01, 0.01, 0.0, 0.0, 800.0, 0.0)
    how: dict[str, Any] = {
        "volume_interval_m3": (8.0, 8.0), "pour_accuracy_m": 0.0, "bag_yield_share": 0.0,
    }  # fmt: skip
    without = order(fill, SHEET, **how)
    held = order(fill, SHEET, left_m3=0.120, **how)
    assert (without.bags, without.bags_to_buy) == (680, 680)
    # `bags` is the floor's, as the contract has it; 8120 l are 690.2 bags.
    assert (held.bags, held.bags_to_buy, held.left_bags) == (680, 691, 11)
    chance = dict(held.short)
    assert chance[680] == 1.0
    assert chance[691] == 0.0
    assert replace(held, bags_to_buy=680, short=without.short, left_bags=0) == without


@pytest.mark.parametrize(
    ("start", "minutes", "shown"),
    [(None, 75.4, "1:15"), (450.0, 0.0, "7:30"), (450.0, 95.0, "9:05"), (450.0, -2.2, "7:27"),
     (1410.0, 45.0, "0:15 (+1)"), (None, -2.2, "-0:03")],
)  # fmt: skip
def test_clock(start: float | None, minutes: float, shown: str) -> None:
    """Minutes from the start as time of day, or as hours and minutes where no start is stated."""
    assert clock_of(minutes, start) == shown


@pytest.mark.parametrize(
    ("pour", "said"),
    [
        ({"start": "25:00"}, "start"),
        ({"start": "7"}, "start"),
        ({"mode": "pump", "litres_per_minute": 40.0, "delivery_kg": 0.0}, "delivery_kg"),
    ],
)
def test_jobs_that_are_refused(pour: dict[str, Any], said: str) -> None:
    """A time that no clock shows, and a delivery of nothing."""
    with pytest.raises(JobError, match=said):
        check(Job, {"pour": pour}, "job", "")


def test_times_of_day_are_read() -> None:
    """As text, and as TOML's own time."""
    import tomllib

    for text in ('start = "07:30"', "start = 07:30:00", 'start = "7:30"'):
        job = check(Job, {"pour": tomllib.loads(text)}, "job", "")
        assert job.pour.start_min == 450.0
    assert Job().pour.start_min is None
