"""Drawings of the charging study: the same bytes, grey, described, no word on another, and true to the grid."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from tests import drawing_checks
from tests.drawing_checks import words_of
from workbook_lib.errors import MachineryFault
from workbook_lib.render import charging_figures as drawn_parts
from workbook_lib.render import figures as drawings
from workbook_lib.render import places
from workbook_lib.sheet import Figure, Table

MAX_BYTES = 110_000
DAYS = (31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
LIMITS = (("setting", 80.0), ("service", 100.0))
MOMENTS = ("Moment", "House (A)", "Vehicles (A)", "Service (A)")


def excursion(first: float, last: float, step: float, limits=LIMITS, *, cut_s: float = 22.0, every: int = 10) -> Figure:
    """A range and a dryer start while a vehicle charges; the control takes it down after some seconds and gives it back in steps."""
    chance, t = np.random.default_rng(8), np.arange(first, last + step / 2, step)
    noise = np.repeat(chance.normal(0, 0.35, len(t) // every + 1), every)[: len(t)]
    house = 24 + 22 * (t > -70) + 19 * (t >= 0) - 23 * (t > 165) + noise
    vehicles = np.where(t < cut_s, 32.0, np.where(t < 60, 6.0, np.where(t < 180, 12.0, 24.0)))
    grid = tuple((float(a), float(b), float(c), float(b + c)) for a, b, c in zip(t, house, vehicles, strict=True))
    table = Table(MOMENTS, (("at its highest", 65.2, 32.0, 97.4), ("22 s later", 65.0, 6.0, 71.0)), "The longest excursion", 1)
    return Figure("charging_day", "chargingday", "The longest excursion above the setting", "A day.", table, limits, "A", grid)


def curves(rows: int, *, zero: bool = True, same: bool = False, limits=LIMITS) -> Figure:
    """Currents of a year without a control and with it."""
    shares = np.geomspace(100 / 8760, 100, rows)
    without = 8 + 124 * np.exp(-((shares / 0.9) ** 0.35) * 1.1)
    held = without if same else np.minimum(without, np.maximum(79.5 - 25 * (shares / 100) ** 0.4, without * 0.85)) + (shares < 6) * 0.01
    grid = tuple((float(a), float(b), float(c)) for a, b, c in zip(shares, without, held, strict=True))
    grid = ((0.0, 131.4, 131.4 if same else 97.4), *grid) if zero else grid
    table = Table(("% of the year", "Without (A)", "With (A)"), (("0", 131.4, 97.4), ("1", 66.0, 61.0)), "", 1)
    return Figure("charging_duration", "chargingduration", "Currents of the year", "A year.", table, limits, "A", grid)


def calendar_of(give) -> Figure:
    """Nights with what each gave: a function of month, day and chance [%]."""
    chance = np.random.default_rng(2)
    rows = [[give(month, day, chance) if day <= DAYS[month - 1] else None for day in range(1, 32)] for month in range(1, 13)]
    table = Table(("Month", "Nights", "Met", "Missed", "Energy missed (kWh)"), (("January", 31, 25, 6, 21.5),), "Nights", 1)
    return Figure("charging_nights", "chargingnights", "Nights of the year", "Nights.", table, unit="%", grid=tuple(map(tuple, rows)))


def some_nights(month: int, day: int, chance) -> float | None:
    """Worse in winter, away at weekends now and then and two weeks of the summer."""
    if (month, day) == (2, 29) or (month == 7 and 8 <= day <= 21) or ((day + month) % 7 == 0 and chance.random() < 0.5):
        return None
    missed = chance.random() < (0.35 if month in (1, 2, 12) else 0.06)
    return float(100 * chance.random() ** 0.6) if missed else 100.0


def beside(points: list[tuple[float, float, int, str]], limits=()) -> Figure:
    """Excursions and bounds of a breaker."""
    rows = tuple((name, ratio, seconds, "must have opened" if what else "excursion") for ratio, seconds, what, name in points)
    grid = tuple((ratio, seconds, float(what)) for ratio, seconds, what, _ in points)
    table = Table(("What", "Times the rating", "Seconds", "Kind"), rows, "Excursions", 2)
    return Figure("charging_trip", "chargingtrip", "Beside the main breaker", "Points.", table, limits, "s", grid)


BOUNDS = [(1.35, 3600.0, 1, "135 % of its rating"), (2.0, 240.0, 1, "200 % of its rating")]
RUNS = [
    (0.97, 22.0, 0, "as stated"),
    (0.99, 31.0, 0, "slowest answer of the control"),
    (1.02, 24.0, 0, "highest second of the load"),
    (1.12, 60.0, 0, "no word from the meter, vehicles at the fallback"),
    (0.82, 0.0, 0, "control that is never late"),
    (1.31, 300.0, 0, "control off"),
]
STUDY = [
    (0.974, 18.0, 0, "as stated"),
    (1.052, 18.0, 0, "setting at its tolerance"),
    (0.974, 41.0, 0, "slowest answer"),
    (1.095, 41.0, 0, "all of it at its worst"),
    (0.91, 9.0, 0, "meter silent, vehicles at the fallback"),
    (1.18, 1.0, 0, "inrush within a second"),
    (1.30, 5400.0, 0, "without a control"),
]
CROWD = [(1.0 + 0.004 * (place % 4), 20.0 + place, 0, f"run {place + 1} of many with a rather long name") for place in range(16)]

FIGURES = {
    "day": excursion(-120, 300, 1 / 6),
    "day with a fallback": excursion(-120, 420, 0.5, (*LIMITS, ("fallback", 6.0)), every=2),
    "day of many minutes": excursion(-300, 1500, 1.0, cut_s=900.0, every=5),
    "day of seconds": excursion(-2, 3, 0.1, cut_s=1.2),
    "day without limits": excursion(-120, 300, 1.0, ()),
    "day of one piece": replace(excursion(-120, 300, 1.0), grid=((0.0, 50.0, 0.0, 50.0), (60.0, 0.0, 0.0, 0.0))),
    "day of many limits": excursion(-120, 300, 1.0, (*LIMITS, ("fallback", 6.0), ("fallback of the second vehicle", 8.0), ("low", 7.0))),
    "duration": curves(300),
    "duration without zero": curves(200, zero=False),
    "duration of the same": curves(200, same=True),
    "duration without limits": curves(200, limits=()),
    "duration of nothing": replace(curves(9), grid=tuple((share, 0.0, 0.0) for share in (0.0, 1.0, 100.0)), limits=()),
    "duration of two": replace(curves(9), grid=((50.0, 14.0, 11.0), (100.0, 12.0, 11.0))),
    "duration of one and zero": replace(curves(9), grid=((0.0, 90.0, 70.0), (100.0, 12.0, 11.0))),
    "duration of rare seconds": replace(
        curves(9), grid=((0.0, 131.0, 97.0), (0.00001, 130.0, 96.0), (0.01, 90.0, 79.0), (100.0, 9.0, 9.0))
    ),
    "nights": calendar_of(some_nights),
    "nights all missed": calendar_of(lambda month, day, chance: 0.0),
    "nights all met": calendar_of(lambda month, day, chance: 100.0),
    "nights without a vehicle": calendar_of(lambda month, day, chance: None),
    "trip": beside([*RUNS, *BOUNDS]),
    "trip of a study": beside([*STUDY, (1.35, 7200.0, 1, "a"), (2.0, 480.0, 1, "b"), (5.0, 50.0, 1, "c"), (8.0, 20.0, 1, "d")]),
    "trip of one": beside([(1.1, 20.0, 0, "as stated")]),
    "trip of one without a second": beside([(0.9, 0.0, 0, "as stated")]),
    "trip of one bound": beside([(1.1, 20.0, 0, "as stated"), BOUNDS[0]]),
    "trip far out": beside([(0.2, 0.01, 0, "short"), (14.0, 50000.0, 0, "long"), *BOUNDS]),
    "trip of a crowd": beside([*CROWD, *BOUNDS]),
    "trip at one place": beside([(1.05, 30.0, 0, f"run {place}") for place in range(6)] + BOUNDS),
}
OF_KIND = {kind: [name for name, one in FIGURES.items() if one.kind == kind] for kind in sorted({one.kind for one in FIGURES.values()})}


def canvas_of(figure: Figure):
    """The canvas with what is drawn on it."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure as Canvas

    with rc_context(drawings.SETTINGS):
        canvas = Canvas(figsize=(drawings.WIDTH_IN, 1.0))
        FigureCanvasAgg(canvas)
        drawings.KINDS[figure.kind](canvas, figure)
    return canvas


def lines_of(figure: Figure) -> dict[str, object]:
    """Lines of the first axes by their label."""
    return {line.get_label(): line for line in canvas_of(figure).axes[0].lines}


def steps_of(figure: Figure) -> dict[str, object]:
    """Stairs of the first axes by their label."""
    return {patch.get_label(): patch.get_data() for patch in canvas_of(figure).axes[0].patches if hasattr(patch, "get_data")}


@pytest.fixture(scope="module", params=FIGURES)
def drawn(request):
    figure = FIGURES[request.param]
    return figure, drawings.svg(figure)


# every drawing


def test_a_drawing_is_well_formed_described_small_and_asks_for_nothing(drawn):
    drawing_checks.check_well_formed(*drawn, MAX_BYTES)


def test_the_same_figure_gives_the_same_bytes_in_greys(drawn):
    drawing_checks.check_same_bytes_in_greys(*drawn)


def test_no_word_stands_outside_the_picture_or_on_another(drawn):
    drawing_checks.check_words_inside(drawn[1])
    drawing_checks.check_words_apart(drawn[1])


def test_all_that_is_drawn_stands_on_the_canvas(drawn):
    figure, _ = drawn
    canvas = canvas_of(figure)
    canvas.canvas.draw()
    renderer, whole = canvas.canvas.get_renderer(), canvas.bbox
    for part in (*canvas.axes, *canvas.legends):
        box = part.get_tightbbox(renderer)
        assert box.x0 >= whole.x0
        assert box.x1 <= whole.x1
        assert box.y0 >= whole.y0
        assert box.y1 <= whole.y1


def test_a_limit_stands_at_its_value_with_its_words(drawn):
    figure, text = drawn
    if figure.kind not in ("chargingday", "chargingduration"):
        return
    lines = lines_of(figure)
    said = words_of(text)
    for name, value in figure.limits:
        assert set(lines[f"limit {name}"].get_ydata()) == {value}
        assert f"{name} {value:g} A" in said or len(name) > 15
    assert len([name for name in lines if name.startswith("limit ")]) == len(figure.limits)


def test_style_is_that_of_the_other_drawings():
    assert set(drawings.KINDS) >= set(OF_KIND)
    assert (drawn_parts.WIDTH_IN, drawn_parts.INK) == (drawings.WIDTH_IN, drawings.INK)
    assert len(set(drawn_parts.CURVES)) == len(drawn_parts.CURVES)
    assert len(set(drawn_parts.LIMITS)) == len(drawn_parts.LIMITS)


@pytest.mark.parametrize("kind", OF_KIND)
def test_a_figure_without_what_it_draws_is_a_clear_fault(kind):
    with pytest.raises(MachineryFault, match="grid"):
        drawings.svg(replace(FIGURES[OF_KIND[kind][0]], grid=()))


@pytest.mark.parametrize(
    "name,grid",
    [
        ("day", ((0.0, 1.0, 2.0, 3.0),)),
        ("day", ((0.0, 1.0), (1.0, 1.0))),
        ("duration", ((0.0, 90.0, 80.0), (0.0, 90.0, 80.0))),
        ("duration", ((100.0, 90.0, 80.0),)),
        ("duration", ((1.0, 90.0),)),
        ("nights", ((100.0,) * 31,) * 11),
        ("nights", ((100.0,) * 31,) * 12),
        ("trip", ((1.0, 2.0, 0.0),)),
    ],
)
def test_a_grid_of_another_form_is_a_clear_fault(name, grid):
    with pytest.raises(MachineryFault, match="grid"):
        drawings.svg(replace(FIGURES[name], grid=grid))


# longest excursion


@pytest.mark.parametrize("name", OF_KIND["chargingday"])
def test_the_steps_of_the_excursion_are_the_rows(name):
    figure = FIGURES[name]
    steps = steps_of(figure)
    times = np.array([row[0] for row in figure.grid])
    for column, curve in enumerate(("house current", "vehicles current", "service current"), 1):
        values, edges, _ = steps[curve]
        assert (edges[0], edges[-1]) == (times[0], times[-1])
        held = np.asarray(values)[np.searchsorted(edges, times[:-1], side="right") - 1]
        assert (held == [row[column] for row in figure.grid[:-1]]).all()
        assert curve in words_of(drawings.svg(figure))


@pytest.mark.parametrize("name", OF_KIND["chargingday"])
def test_what_is_grey_is_what_lies_above_the_setting(name):
    figure = FIGURES[name]
    setting = dict(figure.limits).get("setting", math.inf)
    wanted = sum((b[0] - a[0]) * max(a[3] - setting, 0.0) for a, b in itertools.pairwise(figure.grid))
    steps = steps_of(figure)
    said = "service above the setting" in words_of(drawings.svg(figure))
    assert said == ("above" in steps) == (wanted > 0)
    if wanted:
        values, edges, base = steps["above"]
        assert base == setting
        assert float(((np.asarray(values) - base) * np.diff(edges)).sum()) == pytest.approx(wanted)


def test_the_axis_is_seconds_or_minutes():
    assert "seconds from the moment the setting is passed" in words_of(drawings.svg(FIGURES["day"]))
    assert "minutes from the moment the setting is passed" in words_of(drawings.svg(FIGURES["day of many minutes"]))
    axes = canvas_of(FIGURES["day of many minutes"]).axes[0]
    assert [float(words.get_text().replace("−", "-")) * 60 for words in axes.get_xticklabels()] == list(axes.get_xticks())
    assert axes.get_xlim() == (-300, 1500)


def test_three_lines_look_different():
    looks = {
        (patch.get_label(), patch.get_linestyle(), patch.get_linewidth())
        for patch in canvas_of(FIGURES["day"]).axes[0].patches
        if patch.get_label().endswith("current")
    }
    assert len({look[1:] for look in looks}) == 3
    widths = {name: width for name, _, width in looks}
    assert widths["service current"] == max(widths.values())
    assert widths["house current"] == min(widths.values())


def test_words_in_the_margin_are_moved_apart_as_little_as_needed():
    assert places.spread([(10, 10), (40, 10)], 100) == [10, 40]
    assert places.spread([(10, 10), (12, 10), (13, 10)], 100) == [10, 20, 30]
    assert places.spread([(10, 10), (99, 10), (99, 10)], 100) == [10, 85, 95]
    assert places.spread([], 100) == []


# duration


@pytest.mark.parametrize("name", OF_KIND["chargingduration"])
def test_the_curves_are_the_rows_and_named_at_the_lines(name):
    figure = FIGURES[name]
    lines = lines_of(figure)
    shares = [row[0] for row in figure.grid]
    for column, curve in enumerate(("without a control", "with it"), 1):
        assert list(lines[curve].get_ydata()) == [row[column] for row in figure.grid]
        across = list(lines[curve].get_xdata())
        assert [place for place, share in zip(across, shares, strict=True) if share > 0] == [share for share in shares if share > 0]
        if shares[0] == 0:
            assert across[0] == canvas_of(figure).axes[0].get_xlim()[0] < shares[1]
        assert words_of(drawings.svg(figure)).count(curve) == 1
    assert lines["without a control"].get_linestyle() != lines["with it"].get_linestyle()


def test_the_axis_of_shares_has_plain_numbers():
    for name, wanted in (
        ("duration", ["0", "0.0114", "0.1", "1", "10", "100"]),
        ("duration without zero", ["0.0114", "0.1", "1", "10", "100"]),
        ("duration of rare seconds", ["0", "0.0001", "0.01", "1", "100"]),
        ("duration of two", ["50", "100"]),
    ):
        axes = canvas_of(FIGURES[name]).axes[0]
        assert axes.get_xscale() == "log"
        assert [words.get_text() for words in axes.get_xticklabels()] == wanted
        assert axes.get_xlim()[1] == 100


def test_a_name_of_a_curve_stands_on_no_line():
    figure = FIGURES["duration"]
    canvas = canvas_of(figure)
    axes = canvas.axes[0]
    renderer = canvas.canvas.get_renderer()
    placed = {words.get_text(): words.get_window_extent(renderer) for words in axes.texts}
    for curve in ("without a control", "with it"):
        box = placed[curve]
        for line in axes.lines:
            if line.get_label() in ("leader", "zero"):
                continue
            corners = line.get_transform().transform(np.column_stack([line.get_xdata(), line.get_ydata()]))
            for (x, y), (x_end, y_end) in itertools.pairwise(corners):
                level = box.y0 <= y <= box.y1 and x <= box.x1 and box.x0 <= x_end
                upright = box.x0 <= x_end <= box.x1 and min(y, y_end) <= box.y1 and box.y0 <= max(y, y_end)
                assert not level, (curve, line.get_label())
                assert not upright or line.get_label().startswith("limit"), (curve, line.get_label())


# nights


@pytest.mark.parametrize("name", OF_KIND["chargingnights"])
def test_each_night_has_the_shade_of_what_it_gave(name):
    figure = FIGURES[name]
    shown = {}
    for line in canvas_of(figure).axes[0].lines:
        for day, month in zip(line.get_xdata(), line.get_ydata(), strict=True):
            assert (month, day) not in shown
            shown[month, day] = line.get_label()
    ends = dict(zip(("#16181b", "#5d6268", "#94999f", "#cdd0d3"), ((0, 25), (25, 50), (50, 75), (75, 100 - 1e-6)), strict=True))
    for month, row in enumerate(figure.grid, 1):
        for day, value in enumerate(row, 1):
            if value is None:
                there = day <= DAYS[month - 1] and (month, day) != (2, 29)
                assert shown.get((month, day)) == ("no vehicle" if there else None)
            elif value >= 100 - 1e-6:
                assert shown[month, day] == "#ffffff"
            else:
                low, high = ends[shown[month, day]]
                assert low <= value < high


def test_a_night_that_all_but_met_its_need_and_one_of_a_leap_year():
    rows = [list(row) for row in FIGURES["nights all met"].grid]
    rows[1][28], rows[0][0], rows[0][1] = 100.0, 100 - 1e-7, 99.9
    labels = {}
    for line in canvas_of(replace(FIGURES["nights"], grid=tuple(map(tuple, rows)))).axes[0].lines:
        labels.update(dict.fromkeys(zip(line.get_ydata(), line.get_xdata(), strict=True), line.get_label()))
    assert (labels[2, 29], labels[1, 1], labels[1, 2]) == ("#ffffff", "#ffffff", "#cdd0d3")


def test_months_run_down_and_the_key_tells_the_shades():
    axes = canvas_of(FIGURES["nights"]).axes[0]
    assert axes.get_ylim()[0] > axes.get_ylim()[1]
    assert [words.get_text() for words in axes.get_yticklabels()][::11] == ["Jan", "Dec"]
    said = words_of(drawings.svg(FIGURES["nights"]))
    for words in ("0 25 50 75 100", "need met", "no night with the vehicle", "% of the need given, dark is little"):
        assert words in said
    assert "no night with the vehicle" not in words_of(drawings.svg(FIGURES["nights all met"]))
    shades = [int(shade[1:3], 16) for _, shade in drawn_parts.MISSED] + [255]
    assert all(after - before >= 45 for before, after in itertools.pairwise(shades))


# excursions and bounds


@pytest.mark.parametrize("name", OF_KIND["chargingtrip"])
def test_points_that_can_be_drawn_are_drawn_with_their_names(name):
    figure = FIGURES[name]
    axes = canvas_of(figure).axes[0]
    runs = [
        (*point[:2], row[0])
        for point, row in zip(figure.grid, figure.table.rows, strict=True)
        if point[2] == 0 and point[0] > 0 and point[1] > 0
    ]
    marks = [line for line in axes.lines if line.get_label() not in ("bounds", "rating")]
    assert [(line.get_xdata()[0], line.get_ydata()[0], line.get_label()) for line in marks] == runs
    looks = [(line.get_marker(), line.get_markerfacecolor()) for line in marks]
    assert len(set(looks)) == len(looks)
    bounds = sorted(point[:2] for point in figure.grid if point[2] == 1)
    lines = [line for line in axes.lines if line.get_label() == "bounds"]
    assert [list(zip(*line.get_data(), strict=True)) for line in lines] == ([bounds] if bounds else [])
    said = words_of(drawings.svg(figure))
    assert ("must have opened by" in said) == bool(bounds)
    assert "rating of the main" in said
    for _, _, run in runs:
        assert run in said
    (low, high), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    assert low <= 0.5 < 10 <= high
    assert bottom <= 1 < 10_000 <= top
    assert all(low <= x <= high and bottom <= y <= top for x, y, _ in runs)


def test_a_point_without_a_second_is_not_spoken_of():
    said = words_of(drawings.svg(FIGURES["trip"]))
    assert "never late" not in said
    assert "as stated" in said
    axes = canvas_of(FIGURES["trip"]).axes[0]
    assert (axes.get_xlim(), axes.get_ylim()) == ((0.5, 10), (1, 10_000))
    assert (axes.get_xscale(), axes.get_yscale()) == ("log", "log")
    assert set(lines_of(FIGURES["trip"])["rating"].get_xdata()) == {1.0}


def test_axes_grow_to_points_far_out_and_the_picture_to_names_without_room():
    axes = canvas_of(FIGURES["trip far out"]).axes[0]
    assert (axes.get_xlim(), axes.get_ylim()) == ((0.2, 20), (0.01, 100_000))
    few, many = canvas_of(FIGURES["trip"]), canvas_of(FIGURES["trip of a crowd"])
    assert many.get_size_inches()[1] > few.get_size_inches()[1]
    tall = [canvas.axes[0].get_position().height * canvas.get_size_inches()[1] for canvas in (few, many)]
    assert tall[0] == pytest.approx(tall[1])
    assert len(many.legends[0].texts) + len([words for words in many.axes[0].texts if "run" in words.get_text()]) == len(CROWD)
