"""The due list as charts: when each instrument was calibrated and is due, and how many are by month."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from evenbeat.figures.scales import plain
from evenbeat.figures.style import BLUE, GREEN, GREY, INK, OCHRE, PALE, RUST, dressed, styled
from evenbeat.fleet.due import DueInstrument, DueList, DueState, percent

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
}


def due_caption(due: DueList) -> str:
    """Return the sentence above the figure: how many are due."""
    more = len(due) - MOST_ROWS
    shown = f"; the {MOST_ROWS} most urgent are drawn" if more > 0 else ""
    return f"{due.headline()}{shown}."


def due_height(due: DueList) -> float:
    """Return the height in inches that the chart needs."""
    return 1.35 + ROW_IN * min(len(due), MOST_ROWS)


@styled
def draw_due(ax: Axes, due: DueList) -> None:
    """Draw a line for each instrument, from its last calibration to the day it is due."""
    from matplotlib import dates

    dressed(ax)
    shown = due.instruments[:MOST_ROWS]
    first, last = map(_number, _days_in_view(shown, due.on))
    today = _number(due.on)
    ax.set_xlim(first, last)
    ax.set_ylim(len(shown) - 0.4, TOP_ROW - 0.6)
    ax.xaxis_date()
    locator: Any = dates.AutoDateLocator(maxticks=8)  # type: ignore[no-untyped-call]
    ax.xaxis.set_major_locator(locator)
    ax.xaxis.set_major_formatter(dates.ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]
    ax.axvspan(first, today, color=PALE, alpha=0.55, linewidth=0)
    ax.axvline(today, color=INK, linewidth=1.0)
    for row, one in enumerate(shown):
        _draw_row(ax, row, one, today=today, right=last)
    ax.set_yticks(range(len(shown)), labels=[plain(_short(one.instrument)) for one in shown])
    ax.tick_params(axis="y", length=0)
    ax.grid(visible=False, axis="y")
    ax.set_xlabel("date")
    ax.set_ylabel("instrument, the most urgent on top")
    ax.annotate(
        f"{due.on.isoformat()} ",
        xy=(today, TOP_ROW),
        ha="right",
        va="center",
        fontsize=7.8,
    )
    _name_columns(ax)
    _legend(ax, {one.state for one in shown})


def _draw_row(ax: Axes, row: int, one: DueInstrument, *, today: float, right: float) -> None:
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
    ax.annotate(
        f"{'–' if one.due is None else one.due.isoformat()}   {percent(one.probability_within).rjust(9)}",
        xy=(1.0, row),
        xycoords=ax.get_yaxis_transform(),
        xytext=(10, 0),
        textcoords="offset points",
        va="center",
        fontsize=7.2,
        annotation_clip=False,
    )


def _name_columns(ax: Axes) -> None:
    ax.annotate(
        "due               P(within)",
        xy=(1.0, TOP_ROW),
        xycoords=ax.get_yaxis_transform(),
        xytext=(10, 0),
        textcoords="offset points",
        va="center",
        fontsize=7.2,
        color=GREY,
        annotation_clip=False,
    )


def _number(day: date) -> float:
    """Return the day as matplotlib counts days, from 1970 on."""
    return float(day.toordinal() - date(1970, 1, 1).toordinal())


def _days_in_view(shown: Sequence[DueInstrument], on: date) -> tuple[date, date]:
    """Return the first and last day of the axis: all that matters, but not a due day decades ahead."""
    days = [day for one in shown for day in (one.last_calibration, one.due) if day is not None]
    first = min([*days, on])
    last = max([day for day in days if day <= on + timedelta(days=365 * 3)] + [on])
    span = max((last - first).days, 60)
    return first - timedelta(days=span // 25), last + timedelta(days=span // 25)


def _legend(ax: Axes, states: set[DueState]) -> None:
    from matplotlib.lines import Line2D

    lines = [Line2D([], [], marker="|", markersize=8, color=GREY, linestyle="none", label="last calibration")]
    for state, look in LOOKS.items():
        if state in states:
            lines.append(
                Line2D(
                    [],
                    [],
                    marker=look.marker,
                    markersize=5.5,
                    color=look.colour,
                    markerfacecolor=look.colour if look.filled else "white",
                    linestyle="none",
                    label=look.says,
                )
            )
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


@styled
def draw_months(ax: Axes, due: DueList) -> None:
    """Draw how many instruments become due in each month from now on."""
    from matplotlib.ticker import MaxNLocator

    dressed(ax)
    counts = _months(due)
    names = list(counts)
    ax.bar(range(len(names)), list(counts.values()), color=GREEN, width=0.72, edgecolor=INK, linewidth=0.4)
    for at, value in enumerate(counts.values()):
        if value:
            ax.annotate(
                str(value),
                xy=(at, value),
                xytext=(0, 1.5),
                textcoords="offset points",
                ha="center",
                fontsize=7,
            )
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


def _short(name: str) -> str:
    return name if len(name) <= 26 else name[:25] + "…"
