"""Where the marks of charts lie."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightferry.manifest.fixity import Coverage
from nightferry.planning.trend import fit, until_full
from nightferry.reporting.page import charts
from nightferry.reporting.page.facts import Facts, NightPoint, Room, held_on_this_drive
from nightferry.reporting.page.outlook import forecast_sentence

DAY_S = 86_400.0
GIB = 1 << 30


def point(
    number: int, added: int = 0, removed: int = 0, *, rate: float | None = None, used: int | None = None
) -> NightPoint:
    room = None if used is None else Room(1000 * GIB - used, 1000 * GIB)
    sizes = {"added": added, "changed": 0, "moved": 0, "removed": removed}
    return NightPoint(number, 1.7e9 + number * DAY_S, "complete", sizes, 1, rate, {}, room)


def facts(history: list[NightPoint], keep_free: int = 0) -> Facts:
    made = Facts("recordings", "sound", (), 0.0, 0.0, history=history, keep_free_bytes=keep_free)
    held = held_on_this_drive(history)
    made.trend = fit([(at_s, room.used_bytes) for at_s, room in held])
    if made.trend is not None:
        made.full = until_full(held[-1][1].free_bytes - keep_free, made.trend)
    return made


@given(st.floats(1, 1e18))
def test_steps_are_round_few_and_within(largest: float) -> None:
    found = charts.steps_up_to(largest)
    assert 1 <= len(found) <= 5
    assert found == sorted(set(found)) and found[-1] <= largest * 1.001
    assert charts.steps_up_to(0) == charts.steps_up_to(float("inf")) == []


def test_bars_stand_on_the_ground_on_each_other_and_within_the_chart() -> None:
    history = [point(number, added=number * GIB, removed=GIB) for number in range(1, 11)]
    chart = charts.night_bars(history)
    assert chart is not None
    for bar in chart.bars:
        base = float(charts.HEIGHT_PX)
        for box in bar.boxes:
            assert box.y + box.height == pytest.approx(base, abs=0.15)
            base = box.y
        assert base >= charts.TOP_PX - 0.2
        assert bar.boxes[0].x >= 0 and bar.boxes[0].x + bar.boxes[0].width <= 100
    heights = [sum(box.height for box in bar.boxes) for bar in chart.bars]
    for number, height in enumerate(heights, 1):
        assert height == pytest.approx(heights[-1] * (number + 1) / 11, abs=0.5)
    assert "the most was 11.0 GiB in night 10" in chart.summary
    assert "half of them changed 6.5 GiB or less" in chart.summary


def test_one_bar_that_would_flatten_the_others_is_cut_and_says_so() -> None:
    chart = charts.night_bars([point(1, added=900 * GIB), *(point(n, added=GIB) for n in range(2, 9))])
    assert chart is not None
    assert "the most was 900.0 GiB in night 1" in chart.summary and "Its bar is cut off at the top." in chart.summary
    assert len(chart.marks) == 1
    two = charts.night_bars([point(n, added=GIB * {3: 700, 6: 900}.get(n, 1)) for n in range(1, 9)])
    assert two is not None and len(two.marks) == 2
    assert "as is that of night 3 (700.0 GiB)" in two.summary
    assert sum(box.height for box in chart.bars[5].boxes) > 100
    assert charts.night_bars([point(1), point(2)]) is None


def test_rates_come_with_their_spread() -> None:
    chart = charts.rate_lines([point(number, rate=number * 1024**2) for number in (10, 20, 30)])
    assert chart is not None
    assert chart.summary == "Copying: median 20.0 MiB/s, from 10.0 MiB/s to 30.0 MiB/s, in 3 nights."
    (line,) = chart.lines
    assert [x for x, _ in line.points] == [0.0, 50.0, 100.0]
    assert charts.rate_lines([point(1, rate=1.0)]) is None
    many = charts.rate_lines([point(number, rate=1e6) for number in range(1000)])
    assert many is not None and len(many.lines[0].points) <= charts.POINTS_DRAWN


def test_ages_add_up_to_all() -> None:
    each = Coverage(8, 10, 80, 100, never_files=1, ages=((1, 10), (2, 20), (5, 50), (1, 10), (0, 0)))
    chart = charts.age_bars({"primary": each})
    assert chart is not None
    boxes = chart.bars[0].boxes
    assert [box.width for box in boxes] == [10, 20, 50, 10, 10]
    assert [box.x for box in boxes] == [0, 10, 30, 80, 90]
    assert chart.summary == "Shares of the bytes. Primary: 10% was never read, or was bad when last read."
    both = charts.age_bars({"primary": each, "secondary": each})
    assert both is not None and "Primary, secondary: 10% was never read" in both.summary
    assert [word for _, word in chart.legend] == [
        "under 1 day",
        "1 to 7 days",
        "7 to 30 days",
        "30 to 90 days",
        "never, or bad",
    ]


def test_the_forecast_goes_by_this_drive_alone() -> None:
    old = [NightPoint(n, 1.7e9 + n * DAY_S, "complete", {}, 0, None, {}, Room(1, 500 * GIB)) for n in range(10)]
    new = [point(n, used=(n - 9) * GIB) for n in range(10, 40)]
    made = facts(old + new)
    assert made.trend is not None and made.trend.nights == 30
    assert made.trend.bytes_per_day == pytest.approx(GIB)
    # 1,000 GiB, of which 30 are in use, at one a day
    assert "full in 970 days" in forecast_sentence(made)
    assert "full in 870 days" in forecast_sentence(facts(new, keep_free=100 * GIB))
    chart = charts.room_lines(made)
    assert chart is not None and [look for look, _ in chart.legend] == ["held", "limit", "outlook"]


def test_a_drive_that_does_not_fill_or_is_not_known_yet() -> None:
    assert "not filling up" in forecast_sentence(facts([point(n, used=50 * GIB) for n in range(20)]))
    told = forecast_sentence(facts([point(1, used=1)]))
    assert "needs 5 nights" in told and "there is 1 night so far" in told
    assert "full already" in forecast_sentence(facts([point(n, used=n * GIB) for n in range(20)], keep_free=1000 * GIB))
    assert charts.room_lines(facts([point(1, used=1)])) is None
