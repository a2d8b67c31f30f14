"""Drawings of the portfolio summary: room of the tightest capacities in classes, state before against state now.

They use the sizes and shades of `record_figures.py` and are entered in `figures.py`. Each takes the canvas and the Figure and draws
nothing that the figure does not hold.
"""

from __future__ import annotations

from workbook_lib.errors import MachineryFault
from workbook_lib.render import numbers
from workbook_lib.render.record_figures import GREYS, INK, WIDTH_IN, plain_axes
from workbook_lib.sheet import Figure

FILLS = {"Pass": ("#8d9298", ""), "Judgement": ("#d9dcdf", "----"), "Needs input": ("#ffffff", "xxxx"), "Fail": ("#ffffff", "////")}
"""Fill and hatch of each verdict."""
CELL_IN, LABEL_IN = 0.42, 0.98
WIDE = 0.62
"""Widest cell of the matrix [in]."""
_PATCH = {"facecolor": "#ffffff", "edgecolor": "none", "pad": 0.6}


def room_classes(canvas, figure: Figure) -> None:
    """Classes of room from left to right, the verdicts of each stacked, the limit as a line; limits are the ends between classes."""
    rows, states = figure.table.rows, figure.table.columns[1:]
    ends = [value for _, value in figure.limits]
    if len(rows) != len(ends) + 1 or 0.0 not in ends or any(state not in FILLS for state in states):
        raise MachineryFault(f"figure {figure.key}: its classes or states do not fit its ends")
    axes = plain_axes(canvas, 2.8, 0.46, 0.5, 0.52)
    most = max(sum(row[1:]) for row in rows)
    axes.set_xlim(0, len(rows))
    axes.set_ylim(0, 1.14 * (most or 1))
    base = [0] * len(rows)
    for column, state in enumerate(states, 1):
        face, hatch = FILLS[state]
        heights = [row[column] for row in rows]
        places = [place + 0.5 for place in range(len(rows))]
        axes.bar(places, heights, 0.96, bottom=base, facecolor=face, hatch=hatch, edgecolor=INK, linewidth=0.7, label=state)
        base = [low + height for low, height in zip(base, heights, strict=True)]
    for place, total in enumerate(base):
        if total:
            shown = {"xytext": (0, 2), "textcoords": "offset points", "ha": "center", "zorder": 6, "bbox": _PATCH}
            axes.annotate(numbers.number(total, 0), (place + 0.5, total), **shown)
    at = ends.index(0.0) + 1
    axes.axvline(at, color=INK, linewidth=1.6, zorder=5)
    axes.annotate("short of the limit", (at, 1), (-4, 3), xycoords=("data", "axes fraction"), textcoords="offset points", ha="right")
    axes.annotate("within the limit", (at, 1), (4, 3), xycoords=("data", "axes fraction"), textcoords="offset points", ha="left")
    axes.set_xticks(range(1, len(rows)), [name for name, _ in figure.limits])
    axes.set_xlabel("room of the tightest capacity of each study, % of its limit (classes of unequal width)", labelpad=2)
    axes.locator_params(axis="y", nbins=5, integer=True)
    axes.yaxis.set_major_formatter(lambda value, _: numbers.number(round(value, 9), 0))
    axes.legend(loc="lower left", bbox_to_anchor=(-0.02, 1.08), ncols=len(states), frameon=False, handlelength=1.8, borderpad=0.1)


def state_changes(canvas, figure: Figure) -> None:
    """State before from top to bottom, state now from left to right, a count in each cell; those that stayed are framed."""
    from matplotlib.patches import Rectangle

    names = [str(row[0]) for row in figure.table.rows[: len(figure.grid)]]
    if not figure.grid or any(len(row) != len(names) for row in figure.grid) or len(names) != len(figure.grid):
        raise MachineryFault(f"figure {figure.key}: its grid is not one line and one column a state")
    wide = min(WIDE, (WIDTH_IN - LABEL_IN - 0.1) / len(names))
    head, height = 0.62, 0.62 + CELL_IN * len(names) + 0.1
    canvas.set_size_inches(WIDTH_IN, height)
    axes = canvas.add_axes((LABEL_IN / WIDTH_IN, 0.1 / height, wide * len(names) / WIDTH_IN, CELL_IN * len(names) / height))
    axes.set_xlim(0, len(names))
    axes.set_ylim(len(names), 0)
    most = max(max(row) for row in figure.grid) or 1.0
    for down, row in enumerate(figure.grid):
        for across, count in enumerate(row):
            shade = "#ffffff" if not count else GREYS[min(3, int(3.99 * count / most))]
            stayed = {"linewidth": 2.2, "zorder": 4} if down == across else {"linewidth": 0.5, "zorder": 2}
            axes.add_patch(Rectangle((across, down), 1, 1, facecolor=shade, edgecolor=INK, clip_on=False, **stayed))
            if count:
                axes.text(across + 0.5, down + 0.5, numbers.number(count, 0), ha="center", va="center", zorder=6, weight="bold")
    axes.set_yticks([place + 0.5 for place in range(len(names))], names)
    axes.xaxis.tick_top()
    axes.set_xticks([place + 0.5 for place in range(len(names))], [name.replace(" ", "\n") for name in names])
    axes.tick_params(length=0, labelsize=8.6 if len(names) <= 5 else 6.8)
    for side in ("top", "right", "bottom", "left"):
        axes.spines[side].set_visible(False)
    canvas.text(0.05 / WIDTH_IN, 1 - (head - 0.14) / height, "before (down)\nnow (across)", ha="left", va="center", fontsize=7.6)
