"""A record over time: readings, gaps, flags, steps, covariates; and before and after conditioning."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.conditioning.condition import TITLES
from evenbeat.conditioning.report import ConditioningReport
from evenbeat.figures.axes import fractional_text, fractional_unit, note, plain, seconds_unit, time_unit
from evenbeat.figures.style import (
    BEHIND_TEXT,
    BLUE,
    GREY,
    INK,
    PALE,
    PLUM,
    RUST,
    WIDTH_IN,
    Keywords,
    drawing,
    dressed,
    new_figure,
    stroke,
    styled,
)
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
from evenbeat.units import covariate_words, duration_text, time_text

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

COLUMNS = 700
"""Columns of a figure as wide as a page: more cannot be told apart in print."""
MOST_PANELS = 4
WIDEST_GAPS = 40
LONG_FLAG = 1 / 60
"""Share of the record from which a flagged stretch is shaded rather than marked sample by sample."""
LONELY = 4.0
"""The axis leaves out the outermost hundredth of the columns if they would make it this much longer."""
MOST_MARKS = 60
"""Marks of one cause: of longer stretches only some of the samples are marked."""
_CAUSE_MARKERS = ("x", "v", "+", "^", "1", "2", "*")
_UPPER, _LOWER = (0.0, 0.54, 1.0, 0.41), (0.0, 0.0, 1.0, 0.42)


@dataclass(frozen=True, eq=False, kw_only=True)
class Envelope:
    """Smallest, mean and largest of groups of samples, one a column; NaN where a group is empty.

    Attributes
    ----------
    position
        Shape (m,): sample number of the middle of each group.
    samples
        In each group.
    """

    position: FloatArray
    smallest: FloatArray
    mean: FloatArray
    largest: FloatArray
    samples: int

    @property
    def is_reduced(self) -> bool:
        """Whether a column stands for more than one sample."""
        return self.samples > 1


def envelope(values: FloatArray, columns: int = COLUMNS) -> Envelope:
    """Return the envelope of a series with at most about ``columns`` columns.

    A series of up to twice as many samples is returned as it is.
    """
    count = len(values)
    size = 1 if count <= 2 * columns else -(-count // columns)
    edges = np.arange(0, count, size)
    present = ~np.isnan(values)
    number = np.add.reduceat(present, edges, dtype=float)
    shift = float(np.nanmean(values)) if present.any() else 0.0
    total = np.add.reduceat(np.where(present, values - shift, 0.0), edges)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(number > 0, total / number + shift, np.nan)
    stops = np.append(edges[1:], count)
    return Envelope(
        position=0.5 * (edges + stops - 1),
        smallest=np.fmin.reduceat(values, edges),
        mean=mean,
        largest=np.fmax.reduceat(values, edges),
        samples=size,
    )


def missing_runs(values: FloatArray) -> tuple[np.ndarray, np.ndarray]:
    """Return first sample and end of every run of missing samples."""
    missing = np.concatenate([[False], np.isnan(values), [False]])
    change = np.flatnonzero(missing[1:] != missing[:-1])
    return change[::2], change[1::2]


def record_caption(record: Record) -> str:
    """Return the sentence above the figure: what was recorded and what is left out."""
    what = "Time error" if record.kind == "phase" else "Fractional frequency"
    against = f" against {record.reference}" if record.reference else ""
    steps = len(record.steps)
    left_out = [
        text
        for count, text in (
            (record.missing, f"{record.missing} of {len(record)} readings missing"),
            (record.excluded, f"{record.excluded} left out"),
            (steps, f"{steps} step{'s' if steps > 1 else ''}"),
        )
        if count
    ]
    told = ", ".join(left_out) or "nothing missing, nothing flagged"
    return plain(f"{what}{against} over {duration_text(record.duration_s)}, {record.spacing_text}: {told}.")


@drawing
def draw_record(ax: Axes, record: Record, *, whole: bool = False) -> None:
    """Draw the readings of a record with its gaps, flags and steps.

    Parameters
    ----------
    whole
        Let the axis reach every reading, however far off.

    Notes
    -----
    The axis is that of the readings in use; a flagged reading beyond it is marked at its edge. Of a
    long record every column shows the smallest, mean and largest reading in use.
    """
    is_phase = record.kind == "phase"
    values = np.asarray(record.phase_s if is_phase else record.values, dtype=float)
    excluded = [flag for flag in record.flags if flag.excluded]
    used = values.copy() if excluded else values
    for flag in excluded:
        used[flag.start : flag.stop] = np.nan
    shown = envelope(used)
    size, unit = seconds_unit(used) if is_phase else fractional_unit(used)
    time_size, time_name = time_unit(record.duration_s)
    at = _times(record, time_size)
    ax.set_xlim(0, max(record.duration_s / time_size, float(at(1.0))))
    if not np.isnan(shown.mean).all():
        low, high = float(np.nanmin(shown.smallest)) / size, float(np.nanmax(shown.largest)) / size
        inner = np.nanquantile(shown.smallest, 0.01) / size, np.nanquantile(shown.largest, 0.99) / size
        if not whole and high - low > LONELY * (inner[1] - inner[0]) > 0:
            low, high = (float(limit) for limit in inner)
        margin = 0.07 * (high - low) or 0.05 * abs(high) or 1.0
        ax.set_ylim(low - margin, high + 2.2 * margin)
    _draw_gaps(ax, record, at)

    time = at(shown.position + (0.0 if is_phase or record.epochs_ns is not None else 0.5))
    name = None
    if shown.is_reduced:
        span = duration_text(shown.samples * record.spacing_s)
        name = f"mean per {span}"
        ends = shown.smallest / size, shown.largest / size
        label = f"smallest to largest per {span}"
        ax.fill_between(time, *ends, color=BLUE, alpha=0.28, linewidth=0, label=label)
    dots = "." if len(time) < 120 and not shown.is_reduced else ""
    ax.plot(time, shown.mean / size, color=BLUE, linewidth=0.9, marker=dots, label=name)
    low, high = (limit * size for limit in ax.get_ylim())
    beyond = int(np.count_nonzero((used < low) | (used > high)))
    if beyond:
        told = f"{beyond} reading{'s' if beyond > 1 else ''} in use beyond this axis"
        note(ax, told, (0.995, 0.08), "axes", ha="right", color=GREY, bbox=BEHIND_TEXT)
    _draw_flags(ax, record, values / size, at)
    _draw_steps(ax, record, at)
    ax.set_ylabel(f"time error [{unit}]" if is_phase else f"fractional frequency [{unit}]")
    ax.set_xlabel(_record_time_label(record, time_name))
    handles, _ = ax.get_legend_handles_labels()
    if handles:
        look: Keywords = {"ncols": min(len(handles), 3), "handletextpad": 0.4, "borderpad": 0}
        ax.legend(loc="upper left", bbox_to_anchor=(-0.01, -0.17), **look)


_At = Callable[[FloatArray | float], FloatArray]
"""Number of a sample, or a place between two, to its time in the unit of the axis."""


def _times(record: Record, unit_s: float) -> _At:
    if record.epochs_ns is None:
        return lambda place: np.asarray(place, dtype=float) * (record.interval_s / unit_s)
    edges = np.append(record.elapsed_s, record.duration_s) / unit_s
    return lambda place: np.asarray(np.interp(place, np.arange(len(edges)), edges))


def _draw_gaps(ax: Axes, record: Record, at: _At) -> None:
    start, stop = missing_runs(record.values)
    if len(start) == 0:
        return
    widest = np.argsort(stop - start)[::-1][:WIDEST_GAPS]
    wide = [i for i in widest if stop[i] - start[i] >= len(record) / 400]
    hatched: Keywords = {"facecolor": PALE, "alpha": 0.6, "edgecolor": GREY, "hatch": "////", "lw": 0}
    for i in wide:
        ax.axvspan(float(at(start[i])), float(at(stop[i])), **hatched)
    narrow = np.setdiff1d(np.arange(len(start)), wide)
    marks = at(np.unique(np.round(start[narrow] / len(record) * 350)) / 350 * len(record))
    ax.plot(
        marks,
        np.full(len(marks), 0.012),
        transform=ax.get_xaxis_transform(),
        linestyle="none",
        marker="|",
        markersize=6,
        color=INK,
        label=f"gap ({len(start)}; long ones hatched)" if wide else f"gap ({len(start)})",
    )


def _draw_flags(ax: Axes, record: Record, scaled: FloatArray, at: _At) -> None:
    """Mark flagged samples by cause; those beyond the axis sit on its edge, long stretches are thinned."""
    causes = dict.fromkeys(flag.cause for flag in record.flags if flag.size is None)
    low, high = ax.get_ylim()
    edge = 0.015 * (high - low)
    for number, cause in enumerate(causes):
        flags = [flag for flag in record.flags if flag.cause == cause]
        total = sum(flag.stop - flag.start for flag in flags)
        left_out = ", left out" if all(flag.excluded for flag in flags) else ""
        colour = (RUST, PLUM, INK)[number % 3]
        each = max(1, MOST_MARKS // len(flags))
        index = np.concatenate(
            [np.arange(flag.start, flag.stop, max(1, (flag.stop - flag.start) // each)) for flag in flags]
        )
        index = index[~np.isnan(scaled[index])]
        ax.plot(
            at(index + (0.5 if record.epochs_ns is None else 0.0)),
            np.clip(scaled[index], low + edge, high - edge),
            linestyle="none",
            marker=_CAUSE_MARKERS[number % len(_CAUSE_MARKERS)],
            markersize=5,
            markeredgewidth=1.1,
            color=colour,
            label=f"{plain(cause.replace('_', ' '))} ({total}{left_out})",
            zorder=4,
        )
        for flag in flags:
            if flag.stop - flag.start >= LONG_FLAG * len(scaled):
                stretch = float(at(flag.start)), float(at(flag.stop))
                ax.axvspan(*stretch, color=colour, alpha=0.08, linewidth=0)


def _draw_steps(ax: Axes, record: Record, at: _At) -> None:
    for step in record.steps:
        size = step.size or 0.0
        height = time_text(size) if step.cause == "phase_step" else fractional_text(size)
        moment = float(at(step.start))
        ax.axvline(moment, color=INK, linewidth=0.9, linestyle=(0, (6, 2, 1, 2)))
        right = moment > 0.75 * ax.get_xlim()[1]
        note(
            ax,
            f"step {'+' if size > 0 else ''}{height}",
            (moment, 0.93),
            "x",
            offset=(-3 if right else 3, 0),
            ha="right" if right else "left",
            va="top",
            fontsize=7.8,
            bbox=BEHIND_TEXT,
            zorder=5,
        )


def _record_time_label(record: Record, unit: str) -> str:
    """Return what a time axis of the record is called."""
    if record.start is None:
        return f"time since the first reading [{unit}]"
    return f"time since {str(record.start.astype('datetime64[m]')).replace('T', ' ')} UTC [{unit}]"


@styled
def record_figure(record: Record, *, height_in: float = 3.4, width_in: float = WIDTH_IN) -> Figure:
    """Return a figure of the record with a panel for each of its covariates (four at most) below."""
    names = list(record.covariates)[:MOST_PANELS]
    figure = new_figure(height_in + 1.15 * len(names), width_in=width_in)
    ratios = [height_in - 0.4, *[0.9] * len(names)]
    axes = figure.subplots(1 + len(names), 1, squeeze=False, sharex=True, height_ratios=ratios)[:, 0]
    draw_record(axes[0], record)
    for number, (ax, name) in enumerate(zip(axes[1:], names, strict=True)):
        _draw_covariate(ax, record, name, number)
    for ax in axes[:-1]:
        ax.set_xlabel("")
    legend = axes[0].get_legend()
    if legend is not None and names:
        handles, labels = axes[0].get_legend_handles_labels()
        columns = min(len(handles), 4 if width_in >= WIDTH_IN else 2)
        legend.remove()
        figure.legend(handles, labels, loc="outside lower left", ncols=columns, handletextpad=0.4)
    figure.align_ylabels(list(axes))
    return figure


def _draw_covariate(ax: Axes, record: Record, name: str, number: int) -> None:
    """Draw one covariate of a record, such as a temperature."""
    dressed(ax)
    shown = envelope(np.asarray(record.covariates[name], dtype=float))
    time_size, time_name = time_unit(record.duration_s)
    time = _times(record, time_size)(shown.position)
    look = stroke(number + 1)
    if shown.is_reduced:
        ax.fill_between(time, shown.smallest, shown.largest, color=look.colour, alpha=0.28, linewidth=0)
    ax.plot(time, shown.mean, color=look.colour, linewidth=0.9)
    ax.set_xlim(0, record.duration_s / time_size)
    text, unit = covariate_label(name)
    ax.set_ylabel(f"[{unit}]")
    note(ax, text, (0.006, 0.93), "axes", va="top", fontsize=8, color=look.colour, bbox=BEHIND_TEXT)
    low, high = ax.get_ylim()
    ax.set_ylim(low, high + 0.3 * (high - low))
    ax.set_xlabel(_record_time_label(record, time_name))


def covariate_label(name: str) -> tuple[str, str]:
    """Return ``room temperature`` and ``°C`` for ``room_temperature_c``."""
    words, unit = covariate_words(name)
    return plain(words), unit or "as logged"


def conditioning_caption(report: ConditioningReport) -> str:
    """Return the sentence above the figure: what was set aside, and by which checks."""
    record = report.record
    aside = [
        f"{TITLES.get(outcome.check, outcome.check)} {outcome.set_aside}"
        for outcome in report.checks
        if outcome.set_aside
    ]
    told = f" ({', '.join(aside)})" if aside else ""
    steps = len(record.steps)
    taken = f" and took out {steps} step{'s' * (steps > 1)}" if steps else ""
    aside_text = f"Conditioning set aside {record.excluded} of {len(record)} readings{told}"
    return plain(f"{aside_text}{taken}; nothing was deleted.")


@drawing
def draw_conditioning(ax: Axes, report: ConditioningReport) -> None:
    """Draw the log as it was logged above what is used of it, each on its own scale."""
    record = report.record
    ax.set_axis_off()
    upper, lower = ax.inset_axes(_UPPER), ax.inset_axes(_LOWER)
    noticed = tuple(replace(flag, excluded=False) for flag in record.flags)
    draw_record(upper, replace(record, values=report.logged_values(), flags=noticed), whole=True)
    used = replace(record, values=report.used_values(), flags=(), removed_frequency=0.0)
    draw_record(lower, used, whole=True)
    for panel, text in ((upper, "as logged, every reading"), (lower, "as used")):
        panel.set_title(text, loc="left", fontsize=8, pad=3)
    ax.set(xlabel=lower.get_xlabel(), ylabel=lower.get_ylabel())  # hidden with the frame; read by its caption
    upper.set_xlabel("")
    upper.tick_params(labelbottom=False)
    named: dict[str, Artist] = {}  # what the panels name, each name once, in one legend instead of two
    for panel in (upper, lower):
        legend = panel.get_legend()
        if legend is not None:
            legend.remove()
        for handle, label in zip(*panel.get_legend_handles_labels(), strict=True):
            if panel is upper or not label.startswith("gap"):
                named.setdefault(label, handle)
    look: Keywords = {"ncols": 3, "handletextpad": 0.4, "borderpad": 0}
    ax.legend(list(named.values()), list(named), loc="upper left", bbox_to_anchor=(-0.01, -0.13), **look)
