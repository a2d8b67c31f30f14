"""Figures of the backup study: what they hold, and drawings that are the same bytes, grey, described, and true to the numbers."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from tests import drawing_checks
from tests.drawing_checks import boxes, words_of
from workbook_lib.errors import CalculationFault, MachineryFault
from workbook_lib.render import backup_figures as drawn_parts
from workbook_lib.render import figures as drawings
from workbook_lib.render import record_figures
from workbook_lib.sheet import Figure, Table
from workbook_lib.workbooks import backup_figures

MAX_BYTES = 70_000
HORIZON = 168.0
DAYS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
N = 8760
MONTH = np.repeat(np.arange(1, 13), DAYS).repeat(24)
HOUR = np.arange(N) % 24 + 0.5
EXAMPLE = (
    ("nameplate of all units", 27.0, 27.0),
    ("outside the usable part", -2.7, 24.3),
    ("faded with age", -3.645, 20.655),
    ("lost on the way out", 20.655 * (0.85**0.5 - 1), 20.655 * 0.85**0.5),
)
"""Usable energy, trade.md, extra cases: 27 kWh x 0.9 x 0.85 x sqrt(0.85) = 19.0 kWh."""
MOTORS = (("well_pump", 77.0, 0.0, 30.0), ("well_pump_soft", 27.0, 0.0, 30.0), ("well_pump_soft_beside", 27.0, 15.0, 30.0))
"""T15 of trade.md: 77 A above 30 A; 27 A alone within; 27 A beside 15 A above."""


def durations() -> np.ndarray:
    """A year of hourly starts: short in winter nights, a fifth of the summer served to the end."""
    chance = np.random.default_rng(6)
    found = 9 + 6 * np.cos((MONTH - 7) / 6 * np.pi) + 4 * np.cos((HOUR - 14) / 12 * np.pi) + chance.gamma(1.3, 4.0, N)
    found[(MONTH == 6) & (chance.random(N) < 0.95)] = HORIZON
    return np.clip(found, 0.25, HORIZON)


DURATIONS = durations()


def flows(hours: float, step_h: float, tiers: int, *, sun: bool = True) -> tuple:
    """Flows of a start that are no result of an engine: only their shapes and sums count here."""
    chance, n = np.random.default_rng(3), round(hours / step_h)
    clock = (17 + step_h * np.arange(n)) % 24
    served = chance.random((n, tiers)) * np.array([0.8, 1.2, 2.5, 0.7, 0.4])[:tiers]
    light = 5 * np.clip(np.sin((clock - 7) / 10 * np.pi), 0, None) * (clock > 7) * (clock < 17) * chance.random(n) if sun else np.zeros(n)
    return served.sum(axis=1) + chance.random(n), served, light, np.clip(light - 3, 0, None), 0.5 + 0.5 * np.sin(np.arange(n) * step_h / 9)


def trace(hours: float, step_h: float, tiers: int, failed_h: float, target_h: float | None, *, sun: bool = True) -> Figure:
    return backup_figures.worst_trace("14 January, 17:00", step_h, *flows(hours, step_h, tiers, sun=sun), failed_h, target_h)


FIGURES = {
    "survival": backup_figures.survival(DURATIONS, 24.0, 0.9, HORIZON),
    "survival without target": backup_figures.survival(DURATIONS, None, None, HORIZON),
    "survival without share": backup_figures.survival(DURATIONS, 10.5, None, HORIZON),
    "survival to the end": backup_figures.survival(np.full(50, HORIZON), HORIZON, 0.9, HORIZON),
    "survival of nothing": backup_figures.survival(np.zeros(50), 0.0, 0.5, HORIZON),
    "map": backup_figures.hour_map(DURATIONS, MONTH, HOUR, 0.9, HORIZON),
    "map of half a year": backup_figures.hour_map(DURATIONS[:4000], MONTH[:4000], HOUR[:4000], 0.5, HORIZON),
    "map to the end": backup_figures.hour_map(np.full(N, HORIZON), MONTH, HOUR, 0.9, HORIZON),
    "map of nothing": backup_figures.hour_map(np.zeros(N), MONTH, HOUR, 0.9, HORIZON),
    "trace": trace(168, 0.25, 3, 22.4, 24.0),
    "trace without sun": trace(60, 0.25, 1, 5.1, None, sun=False),
    "trace to the end": trace(168, 0.25, 2, HORIZON, 24.0),
    "trace of a long one": trace(168, 1.0, 2, 70.0, 72.0),
    "trace of five tiers": trace(168, 1.0, 5, 0.0, 12.0),
    "trace of minutes": trace(48, 1 / 12, 3, 13.2, 24.0),
    "trace that is cut": trace(10, 0.5, 2, 10.0, 24.0),
    "chain": backup_figures.chain(EXAMPLE),
    "chain of one": backup_figures.chain(EXAMPLE[:1]),
    "motors": backup_figures.starts(MOTORS),
    "motors of two islands": backup_figures.starts([("pump", 27.0, 15.25, 60.0), ("heat_pump_compressor_" * 3, 96.0, 5.0, 120.0)]),
}


@pytest.fixture(scope="module", params=FIGURES)
def drawn(request):
    figure = FIGURES[request.param]
    return figure, drawings.svg(figure)


# drawings


def test_a_drawing_is_well_formed_described_small_and_asks_for_nothing(drawn):
    drawing_checks.check_well_formed(*drawn, MAX_BYTES)


def test_the_same_figure_gives_the_same_bytes_in_greys(drawn):
    drawing_checks.check_same_bytes_in_greys(*drawn)


def test_no_word_stands_outside_the_picture_or_on_another(drawn):
    drawing_checks.check_words_inside(drawn[1])
    drawing_checks.check_words_apart(drawn[1])


def test_a_drawing_says_no_number_that_figure_and_table_do_not(drawn):
    """Numbers above and beside what is drawn: the axes' own left out, which stand below and left of it."""
    figure, text = drawn
    held = [float(number) for row in figure.table.rows for cell in row for number in re.findall(r"\d+(?:\.\d+)?", str(cell))]
    held += [value for _, value in figure.limits] + [float(number) for number in re.findall(r"\d+(?:\.\d+)?", figure.table.caption)]
    said = [words for words, *_ in boxes(text) if words and re.search("[a-z]", words) and "axis" not in words]
    for words in said:
        for number in re.findall(r"(?<![\w.])\d+(?:\.\d+)?", words.replace(",", "")):
            decimals = len(number.partition(".")[2])
            assert any(abs(abs(value) - float(number)) <= 0.5001 * 10.0**-decimals for value in held), words


def test_style_is_that_of_the_other_drawings():
    assert set(drawings.KINDS) >= {figure.kind for figure in FIGURES.values()}
    assert drawn_parts.FILLS[:2] == drawings.HATCHES[:2]
    assert len(set(drawn_parts.FILLS)) == len(drawn_parts.FILLS)
    assert (drawn_parts.WIDTH_IN, drawn_parts.INK) == (drawings.WIDTH_IN, drawings.INK)


@pytest.mark.parametrize("name", ["survival", "map", "trace", "chain", "motors"])
def test_a_figure_without_what_it_draws_is_a_clear_fault(name):
    empty = replace(FIGURES[name], grid=(), table=Table(("a", "b"), ()))
    with pytest.raises(MachineryFault, match="grid|table"):
        drawings.svg(empty)


# survival


def test_the_curve_is_what_a_count_of_the_starts_gives():
    figure = FIGURES["survival"]
    times = [at for at, _ in figure.grid]
    assert times == sorted(times)
    for at, share in figure.grid:
        assert share == pytest.approx(100 * sum(one >= at - 1e-9 for one in DURATIONS) / N, abs=1e-9)
    # the line between two points holds the later share, so it never promises more than the starts
    for hours in np.arange(0, 168, 0.37):
        later = next(share for at, share in figure.grid if at >= hours)
        assert later <= 100 * float((hours <= DURATIONS).mean()) + 1e-9


def test_the_table_of_the_curve_holds_the_target_and_the_horizon():
    rows = dict(FIGURES["survival"].table.rows)
    assert rows["24 (target, 90 % wanted)"] == pytest.approx(100 * float((DURATIONS >= 24).mean()))
    assert rows["168"] == pytest.approx(100 * float((DURATIONS >= 168).mean()))
    assert "10.5 (target)" in dict(FIGURES["survival without share"].table.rows)
    assert len(FIGURES["survival without target"].table.rows) == len(backup_figures.HOURS)
    assert "target" not in FIGURES["survival without target"].description


def test_the_words_of_the_curve():
    said = FIGURES["survival"].description
    assert "90 % are wanted, so the target is missed" in said
    assert f"Half of the starts reach {np.sort(DURATIONS)[N // 2]:.1f} h" in said
    everything, nothing = FIGURES["survival to the end"].description, FIGURES["survival of nothing"].description
    assert "Every start is served for at least 168 h" in everything
    assert "100 % reach the target of 168 h; 90 % are wanted, so the target is kept" in everything
    assert "the shortest lasts 0 h" in nothing
    assert "None is still served at 168 h" in nothing
    median = backup_figures.survival([10.0, HORIZON, HORIZON], 24.0, 0.9, HORIZON).description
    assert "Half of the starts reach at least 168 h, nine in ten 10 h; the shortest lasts 10 h." in median


def test_a_share_never_reads_as_one_that_it_is_not():
    assert backup_figures.percent(35039 / 35040) == "99.997"
    assert backup_figures.percent(1 / 35040) == "0.003"
    assert backup_figures.percent(0.89997, (0.9,)) == "89.997"
    assert backup_figures.percent(1.0) == "100"
    assert backup_figures.percent(0.9, (0.9,)) == "90"
    almost = backup_figures.survival(np.r_[np.full(89997, 30.0), np.full(10003, 5.0)], 24.0, 0.9, HORIZON)
    assert "89.997 % reach the target of 24 h; 90 % are wanted, so the target is missed" in almost.description
    assert "89.997 % reach it" in words_of(drawings.svg(almost))


@pytest.mark.parametrize("bad", [[], [np.nan], [-1.0], [200.0]])
def test_durations_that_cannot_be_are_a_clear_fault(bad):
    with pytest.raises(CalculationFault, match="cannot be drawn"):
        backup_figures.survival(bad, None, None, HORIZON)
    with pytest.raises(CalculationFault, match="target outside"):
        backup_figures.survival([1.0], 169.0, 0.9, HORIZON)


# map


def test_the_map_holds_what_a_sort_by_hand_gives():
    figure = FIGURES["map"]
    for month in range(1, 13):
        for hour in range(24):
            held = sorted(DURATIONS[(month == MONTH) & (np.floor(HOUR) == hour)], reverse=True)
            assert figure.grid[hour][month - 1] == held[-(-len(held) * 9 // 10) - 1]
    cells = {value for row in figure.table.rows for value in row[1:]}
    assert "168+" in cells
    assert "168+ stands for at least 168 h" in figure.table.caption
    assert (len(figure.table.columns), len(figure.table.rows)) == (13, 24)
    assert "none" in FIGURES["map of half a year"].table.rows[0]
    assert "white: no start" in FIGURES["map of half a year"].description
    assert "Every cell holds at least 168 h." in FIGURES["map to the end"].description
    assert "Every cell holds 0 h." in FIGURES["map of nothing"].description


@pytest.mark.parametrize("name", ["map", "map of half a year", "map to the end", "map of nothing"])
def test_the_shades_of_the_map_are_those_of_the_durations(name):
    """Reads the map back out of the drawing, as for the map of a record: the shortest are the darkest."""
    figure = FIGURES[name]
    ends = drawn_parts.scale([value for row in figure.grid for value in row if value is not None])
    pitch, shown = int(drawn_parts.MAP_PT / 12), np.full((24, 12), -1)
    wide = f"stroke-width: {record_figures.ROW_PT + record_figures.SEAM_PT:g}"
    for x, y, x_end, style in re.findall(r'<path d="M ([\d.]+) ([\d.]+) \nL ([\d.]+) [\d.]+ \n" style="([^"]*)"', drawings.svg(figure)):
        if wide not in style:
            continue
        level = record_figures.GREYS.index(re.search(r"stroke: (#\w+)", style)[1])
        hour = int((float(y) - 0.1 * 72) / record_figures.ROW_PT)
        month, last = round((float(x) - 36) / pitch), round((float(x_end) - 36) / pitch)
        dashes = re.search(r"stroke-dasharray: ([\d., ]+)", style)
        for place, run in enumerate([round(float(one) / pitch) for one in dashes[1].split(",")] if dashes else [last - month]):
            if place % 2 == 0:
                shown[hour, month : min(month + run, last)] = level
            month += run
    expected = [[-1 if value is None else 5 - sum(value >= end for end in ends) for value in row] for row in figure.grid]
    assert (shown == np.array(expected)).all()


def test_hours_and_months_must_fit():
    with pytest.raises(CalculationFault, match="do not fit"):
        backup_figures.hour_map([1.0, 2.0], [1], [0.0], 0.9, HORIZON)
    with pytest.raises(CalculationFault, match="do not fit"):
        backup_figures.hour_map([1.0], [13], [0.0], 0.9, HORIZON)
    late = backup_figures.hour_map([5.0], [12], [23.9999999999], 0.9, HORIZON)
    assert late.grid[0][11] == 5.0


# worst start


@pytest.mark.parametrize(
    ("name", "window", "rows"),
    [
        ("trace", 48, 48),
        ("trace without sun", 48, 48),
        ("trace to the end", 168, 28),
        ("trace of a long one", 108, 36),
        ("trace of minutes", 48, 48),
        ("trace that is cut", 10, 10),
    ],
)
def test_the_worst_start_is_shown_so_far_with_few_rows(name, window, rows):
    figure = FIGURES[name]
    assert (figure.grid[0][0], figure.grid[-1][1]) == (0.0, pytest.approx(window))
    assert len(figure.grid) <= backup_figures.MOST_PIECES
    assert len(figure.table.rows) == rows


@pytest.mark.parametrize(("name", "hours", "step_h", "tiers"), [("trace", 168, 0.25, 3), ("trace to the end", 168, 0.25, 2)])
def test_the_energy_of_grid_and_table_is_that_of_the_flows(name, hours, step_h, tiers):
    figure = FIGURES[name]
    load, served, sun, held, charge = flows(hours, step_h, tiers)
    window = figure.grid[-1][1]
    count, width = round(window / step_h), window / len(figure.table.rows)
    wanted = [one[:count].sum() * step_h for one in (load, *served.T, sun, held)]
    rows = np.array([row[1:-1] for row in figure.table.rows], dtype=float)
    assert rows.sum(axis=0) * width == pytest.approx(wanted)
    pieces = np.array(figure.grid)
    lengths = pieces[:, 1] - pieces[:, 0]
    assert (pieces[:, [2, *range(6, 6 + tiers), 3, 4]] * lengths[:, None]).sum(axis=0) == pytest.approx(wanted)
    assert figure.table.rows[-1][-1] == pytest.approx(100 * charge[count - 1])
    assert figure.grid[-1][5] == pytest.approx(100 * charge[count - 1])


def test_the_words_of_the_worst_start():
    said = FIGURES["trace"].description
    assert "first fail after 22.4 h, 1.6 h short of the target of 24 h" in said
    assert "dashed the sun, dotted what of it is held back" in said
    assert "There is no sun." in FIGURES["trace without sun"].description
    assert "are served for at least 168 h, and the target is 24 h" in FIGURES["trace to the end"].description
    assert FIGURES["trace to the end"].limits == (("target", 24.0),)
    close = trace(48, 0.25, 1, 23.9996, 24.0)
    assert "first fail after 23.9996 h" in close.description
    drawing = words_of(drawings.svg(FIGURES["trace without sun"]))
    assert "sun" not in drawing
    assert "last-kept loads first fail after 5.1 h" in drawing


def test_tiers_are_called_by_when_they_are_shed():
    assert backup_figures.tier_names(1) == ("Served",)
    assert backup_figures.tier_names(3) == ("Served, kept longest", "Served, shed second", "Served, shed first")
    assert FIGURES["trace"].table.columns[2:5] == tuple(f"{name} (kW)" for name in backup_figures.tier_names(3))


def test_flows_of_different_lengths_are_a_clear_fault():
    load, served, sun, held, charge = flows(10, 0.5, 2)
    with pytest.raises(CalculationFault, match="differ in shape"):
        backup_figures.worst_trace("x", 0.5, load[:-1], served, sun, held, charge, 5.0, None)
    with pytest.raises(CalculationFault, match="no number"):
        backup_figures.worst_trace("x", 0.5, load * np.nan, served, sun, held, charge, 5.0, None)


# chain and motors


def bars(text: str) -> list[tuple[float, float, float]]:
    """Left end, right end [pt] and middle of each bar."""
    found = []
    for corners in re.findall(r'<path d="M ([\d. \nL]+)z\s*" clip-path="[^"]*" style="fill', text):
        numbers = [float(number) for number in re.findall(r"[\d.]+", corners)]
        found.append((min(numbers[::2]), max(numbers[::2]), sum(numbers[1::2]) / len(numbers[1::2])))
    return found


def test_the_chain_is_the_published_example_and_its_bars_are_the_numbers():
    figure = FIGURES["chain"]
    assert figure.table.rows[-1] == ("reaches the loads", "", pytest.approx(27 * 0.9 * 0.85 * 0.85**0.5))
    assert round(figure.table.rows[-1][2], 1) == 19.0
    assert "Of 27 kWh on the nameplate 19.04 kWh (70.5 %) reach the loads" in figure.description
    assert "Largest loss: faded with age." in figure.description
    text = drawings.svg(figure)
    drawn = bars(text)
    assert len(drawn) == 5
    per_kwh = (drawn[0][1] - drawn[0][0]) / 27
    ends = [(0, 27), (24.3, 27), (20.655, 24.3), (19.043, 20.655), (0, 19.043)]
    for (left, right, _), (low, high) in zip(drawn, ends, strict=True):
        assert ((left - drawn[0][0]) / per_kwh, (right - drawn[0][0]) / per_kwh) == (
            pytest.approx(low, abs=2e-3),
            pytest.approx(high, abs=2e-3),
        )
    for words in ("27.00 kWh", "−2.70, 24.30 left", "−3.65, 20.66 left", "−1.61, 19.04 left", "19.04 kWh"):
        assert words in words_of(text)
    assert "Nothing is taken as lost." in FIGURES["chain of one"].description


def test_a_chain_that_does_not_add_up_is_a_clear_fault():
    with pytest.raises(CalculationFault, match="does not add up"):
        backup_figures.chain((*EXAMPLE[:2], ("faded with age", -3.0, 20.0)))
    with pytest.raises(CalculationFault, match="without a part"):
        backup_figures.chain(())


def test_motor_starts_are_the_published_verdicts_and_their_bars_are_the_numbers():
    figure = FIGURES["motors"]
    assert [row[5] for row in figure.table.rows] == ["above the limit", "within the limit", "above the limit"]
    assert [row[3] for row in figure.table.rows] == [77.0, 27.0, 42.0]
    assert figure.limits == (("peak of the island", 30.0),)
    text = drawings.svg(figure)
    drawn = bars(text)[-4:]
    zero = drawn[0][0]
    per_a = (drawn[0][1] - zero) / 77
    assert [(right - left) / per_a for left, right, _ in drawn] == pytest.approx([77, 27, 27, 15], abs=0.01)
    assert drawn[3][0] == pytest.approx(drawn[2][1])
    for words in ("well_pump_soft_beside (27.0 + 15.0; above the limit)", "peak of the island 30.0 A", "42.0"):
        assert words in words_of(text)
    assert "2 of 3 are above the limit" in figure.description


def test_peaks_that_differ_are_marked_row_by_row():
    figure = FIGURES["motors of two islands"]
    assert figure.limits == ()
    assert "within the limit of 60.0 A" in words_of(drawings.svg(figure))
    with pytest.raises(CalculationFault, match="cannot be drawn"):
        backup_figures.starts([("pump", float("nan"), 1.0, 2.0)])
    with pytest.raises(CalculationFault, match="cannot be drawn"):
        backup_figures.starts([])
    assert "pump 29.96 A + 0.05 A = 30.01 A, above 30 A" in backup_figures.starts([("pump", 29.96, 0.05, 30.0)]).description
