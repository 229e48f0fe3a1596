"""The due list as charts: when each instrument was calibrated and is due, and how many are by month."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from evenbeat.figures.axes import name_rows, note, plain
from evenbeat.figures.style import BLUE, GREEN, GREY, INK, OCHRE, PALE, RUST, Keywords, drawing
from evenbeat.fleet.due import DueList, DueState, percent

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST_ROWS = 40
MONTHS_AHEAD = 24
ROW_IN = 0.2
TOP_ROW = -1.0
"""Where the heads of the columns stand, in rows."""


@dataclass(frozen=True, kw_only=True)
class _Look:
    """How a state is drawn: shape and fill tell it apart without colour."""

    colour: str
    marker: str
    filled: bool
    says: str


LOOKS: dict[DueState, _Look] = {
    "overdue": _Look(colour=RUST, marker="D", filled=True, says="overdue"),
    "soon": _Look(colour=OCHRE, marker="s", filled=True, says="due soon"),
    "later": _Look(colour=BLUE, marker="o", filled=False, says="due later"),
    "not evaluated": _Look(colour=GREY, marker="X", filled=True, says="not evaluated"),
    "not in use": _Look(colour=GREY, marker="o", filled=True, says="not in use"),
}


def due_caption(due: DueList) -> str:
    """Return the sentence above the figure: how many are due."""
    more = len(due) - MOST_ROWS
    shown = f"; the {MOST_ROWS} most urgent are drawn" if more > 0 else ""
    return f"{due.headline()}{shown}."


def due_height(due: DueList) -> float:
    """Return the height in inches that the chart needs."""
    return 1.35 + ROW_IN * min(len(due), MOST_ROWS)


@drawing
def draw_due(ax: Axes, due: DueList) -> None:
    """Draw a line for each instrument, from its last calibration to the day it is due."""
    from matplotlib import dates

    shown = due.instruments[:MOST_ROWS]
    # all that matters is in view, but not a due day decades ahead
    days = [day for one in shown for day in (one.last_calibration, one.due) if day is not None]
    first = min([*days, due.on])
    last = max([day for day in days if day <= due.on + timedelta(days=365 * 3)] + [due.on])
    margin = timedelta(days=max((last - first).days, 60) // 25)
    today, left, right = (_number(day) for day in (due.on, first - margin, last + margin))
    ax.set_xlim(left, right)
    ax.set_ylim(len(shown) - 0.4, TOP_ROW - 0.6)
    ax.xaxis_date()
    locator: Any = dates.AutoDateLocator(maxticks=8)  # type: ignore[no-untyped-call]
    ax.xaxis.set_major_locator(locator)
    ax.xaxis.set_major_formatter(dates.ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]
    ax.axvspan(left, today, color=PALE, alpha=0.55, linewidth=0)
    ax.axvline(today, color=INK, linewidth=1.0)
    for row, one in enumerate(shown):
        look = LOOKS[one.state]
        end = today if one.due is None else _number(one.due)
        if one.last_calibration is not None:
            begin = _number(one.last_calibration)
            ax.plot([begin, min(end, right)], [row, row], color=look.colour, linewidth=1.1)
            ax.plot([begin], [row], marker="|", markersize=8, color=look.colour)
        beyond = end > right
        ax.plot(
            [min(end, right)],
            [row],
            marker=">" if beyond else look.marker,
            markersize=5.5,
            color=look.colour,
            markerfacecolor=look.colour if look.filled or beyond else "white",
            linestyle="none",
            clip_on=False,
            zorder=4,
        )
        day = "–" if one.due is None else one.due.isoformat()
        _in_column(ax, row, f"{day}   {percent(one.probability_within).rjust(9)}", INK)
    names = [one.instrument for one in shown]
    short = [name if len(name) <= 26 else name[:25] + "…" for name in names]
    name_rows(ax, range(len(shown)), [plain(name) for name in short])
    ax.set_xlabel("date")
    ax.set_ylabel("instrument, the most urgent on top")
    note(ax, f"{due.on.isoformat()} ", (today, TOP_ROW), ha="right", va="center", fontsize=7.8)
    _in_column(ax, TOP_ROW, "due               P(within)", GREY)
    _legend(ax, {one.state for one in shown})


def _in_column(ax: Axes, row: float, text: str, colour: str) -> None:
    """Write right of the axes."""
    look: Keywords = {"va": "center", "fontsize": 7.2, "color": colour, "annotation_clip": False}
    note(ax, text, (1.0, row), "y", offset=(10, 0), **look)


def _number(day: date) -> float:
    """Return the day as matplotlib counts days, from 1970 on."""
    return float(day.toordinal() - date(1970, 1, 1).toordinal())


def _legend(ax: Axes, states: set[DueState]) -> None:
    from matplotlib.lines import Line2D

    lines = [Line2D([], [], marker="|", markersize=8, color=GREY, linestyle="none", label="last calibration")]
    for state, look in LOOKS.items():
        if state in states:
            face = look.colour if look.filled else "white"
            point: Keywords = {
                "marker": look.marker,
                "markersize": 5.5,
                "markerfacecolor": face,
                "linestyle": "none",
            }
            lines.append(Line2D([], [], color=look.colour, label=look.says, **point))
    figure = ax.get_figure(root=True)
    if figure is not None:
        figure.legend(handles=lines, loc="outside lower center", ncols=len(lines), handletextpad=0.3)


def months_caption(due: DueList) -> str:
    """Return the sentence above the chart of months."""
    counts = _months(due)
    late = sum(one.due is not None and one.due < due.on for one in due.instruments)
    if not any(counts.values()):
        return f"Nothing becomes due within {MONTHS_AHEAD} months; {late} instruments are overdue."
    busiest = max(counts, key=lambda month: (counts[month], month))
    return f"Most become due in {busiest}: {counts[busiest]} instruments; {late} are overdue already."


@drawing
def draw_months(ax: Axes, due: DueList) -> None:
    """Draw how many instruments become due in each month from now on."""
    from matplotlib.ticker import MaxNLocator

    counts = _months(due)
    names = list(counts)
    ax.bar(range(len(names)), list(counts.values()), color=GREEN, width=0.72, edgecolor=INK, linewidth=0.4)
    for at, value in enumerate(counts.values()):
        if value:
            note(ax, str(value), (at, value), offset=(0, 1.5), ha="center", fontsize=7)
    shown = range(0, len(names), 3)
    ax.set_xticks(list(shown), labels=[names[at] for at in shown])
    ax.yaxis.set_major_locator(MaxNLocator(integer=True))
    ax.grid(visible=False, axis="x")
    ax.set_ylim(0, max([*counts.values(), 1]) * 1.15)
    ax.set_xlabel("month")
    ax.set_ylabel("instruments that\nbecome due")


def _months(due: DueList) -> dict[str, int]:
    """Return the number due in each of the coming months, the first counted from the day of the list."""
    begin = due.on.year * 12 + due.on.month - 1
    found = Counter(
        one.due.year * 12 + one.due.month - 1
        for one in due.instruments
        if one.due is not None and one.due >= due.on
    )
    months = range(begin, begin + MONTHS_AHEAD)
    return {f"{month // 12}-{month % 12 + 1:02d}": found.get(month, 0) for month in months}
