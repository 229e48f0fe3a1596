"""A record over time: readings, gaps, flagged samples by cause, steps."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.figures.covariate import draw_covariate, record_time_label
from evenbeat.figures.envelope import Envelope, envelope, missing_runs
from evenbeat.figures.scales import fractional_text, fractional_unit, plain, seconds_unit, time_unit
from evenbeat.figures.style import (
    BEHIND_TEXT,
    BLUE,
    GREY,
    INK,
    PALE,
    PLUM,
    RUST,
    dressed,
    new_figure,
    styled,
)
from evenbeat.quantities import FloatArray
from evenbeat.record import Flag, Record
from evenbeat.units import duration_text, time_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_PANELS = 4
WIDEST_GAPS = 40
LONG_FLAG = 1 / 60
"""Share of the record from which a flagged stretch is shaded rather than marked sample by sample."""
LONELY = 4.0
"""The axis leaves out the outermost hundredth of the columns if they would make it this much longer."""
MOST_MARKS = 60
"""Marks of one cause: of longer stretches only some of the samples are marked."""
_CAUSE_MARKERS = ("x", "v", "+", "^", "1", "2", "*")


def record_caption(record: Record) -> str:
    """Return the sentence above the figure: what was recorded and what is left out."""
    what = "Time error" if record.kind == "phase" else "Fractional frequency"
    against = f" against {record.reference}" if record.reference else ""
    reading = (
        f"{what}{against} over {duration_text(record.duration_s)}, every {duration_text(record.interval_s)}"
    )
    left_out = [
        text
        for count, text in (
            (record.missing, f"{record.missing} of {len(record)} readings missing"),
            (record.excluded, f"{record.excluded} left out"),
        )
        if count
    ]
    steps = len(record.steps)
    if steps:
        left_out.append(f"{steps} step{'s' if steps > 1 else ''}")
    return plain(f"{reading}: {', '.join(left_out) or 'nothing missing, nothing flagged'}.")


@styled
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
    dressed(ax)
    values = _values(record)
    used = _used(record, values)
    shown = envelope(used)
    size, unit = seconds_unit(used) if record.kind == "phase" else fractional_unit(used)
    time_size, time_name = time_unit(record.duration_s)
    per_sample = record.interval_s / time_size
    ax.set_xlim(0, max(record.duration_s / time_size, per_sample))
    _set_range(ax, shown, size, whole=whole)
    _draw_gaps(ax, record, per_sample)
    _draw_readings(ax, shown, per_sample, size, record)
    _note_beyond(ax, used, size)
    _draw_flags(ax, record, values / size, per_sample)
    _draw_steps(ax, record, per_sample)
    ax.set_ylabel(f"time error [{unit}]" if record.kind == "phase" else f"fractional frequency [{unit}]")
    ax.set_xlabel(record_time_label(record, time_name))
    handles, _ = ax.get_legend_handles_labels()
    if handles:
        columns = min(len(handles), 3)
        ax.legend(
            loc="upper left", bbox_to_anchor=(-0.01, -0.17), ncols=columns, handletextpad=0.4, borderpad=0
        )


def _values(record: Record) -> FloatArray:
    return np.asarray(record.phase_s if record.kind == "phase" else record.values, dtype=float)


def _used(record: Record, values: FloatArray) -> FloatArray:
    excluded = [flag for flag in record.flags if flag.excluded]
    if not excluded:
        return values
    used = values.copy()
    for flag in excluded:
        used[flag.start : flag.stop] = np.nan
    return used


def _set_range(ax: Axes, shown: Envelope, size: float, *, whole: bool) -> None:
    if np.isnan(shown.mean).all():
        return
    low, high = float(np.nanmin(shown.smallest)) / size, float(np.nanmax(shown.largest)) / size
    inner = np.nanquantile(shown.smallest, 0.01) / size, np.nanquantile(shown.largest, 0.99) / size
    if not whole and high - low > LONELY * (inner[1] - inner[0]) > 0:
        low, high = (float(limit) for limit in inner)
    margin = 0.07 * (high - low) or 0.05 * abs(high) or 1.0
    ax.set_ylim(low - margin, high + 2.2 * margin)


def _note_beyond(ax: Axes, used: FloatArray, size: float) -> None:
    low, high = (limit * size for limit in ax.get_ylim())
    beyond = int(np.count_nonzero((used < low) | (used > high)))
    if beyond:
        ax.annotate(
            f"{beyond} reading{'s' if beyond > 1 else ''} in use beyond this axis",
            xy=(0.995, 0.08),
            xycoords="axes fraction",
            ha="right",
            fontsize=7.5,
            color=GREY,
            bbox=BEHIND_TEXT,
        )


def _draw_readings(ax: Axes, shown: Envelope, per_sample: float, size: float, record: Record) -> None:
    time = (shown.position + (0.5 if record.kind == "frequency" else 0.0)) * per_sample
    if not shown.is_reduced:
        ax.plot(time, shown.mean / size, color=BLUE, linewidth=0.9, marker="." if len(time) < 120 else "")
        return
    span = duration_text(shown.samples * record.interval_s)
    ax.fill_between(
        time,
        shown.smallest / size,
        shown.largest / size,
        color=BLUE,
        alpha=0.28,
        linewidth=0,
        label=f"smallest to largest per {span}",
    )
    ax.plot(time, shown.mean / size, color=BLUE, linewidth=0.9, label=f"mean per {span}")


def _draw_gaps(ax: Axes, record: Record, per_sample: float) -> None:
    start, stop = missing_runs(record.values)
    if len(start) == 0:
        return
    widest = np.argsort(stop - start)[::-1][:WIDEST_GAPS]
    wide = [i for i in widest if stop[i] - start[i] >= len(record) / 400]
    for i in wide:
        ax.axvspan(
            start[i] * per_sample,
            stop[i] * per_sample,
            facecolor=PALE,
            alpha=0.6,
            edgecolor=GREY,
            hatch="////",
            lw=0,
        )
    narrow = np.setdiff1d(np.arange(len(start)), wide)
    marks = np.unique(np.round(start[narrow] / len(record) * 350)) / 350 * len(record) * per_sample
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


def _draw_flags(ax: Axes, record: Record, scaled: FloatArray, per_sample: float) -> None:
    causes = dict.fromkeys(flag.cause for flag in record.flags if flag.size is None)
    for number, cause in enumerate(causes):
        flags = [flag for flag in record.flags if flag.cause == cause]
        total = sum(flag.stop - flag.start for flag in flags)
        colour, marker = (RUST, PLUM, INK)[number % 3], _CAUSE_MARKERS[number % len(_CAUSE_MARKERS)]
        left_out = ", left out" if all(flag.excluded for flag in flags) else ""
        label = f"{plain(cause.replace('_', ' '))} ({total}{left_out})"
        _mark(ax, flags, scaled, per_sample, colour=colour, marker=marker, label=label)


def _mark(
    ax: Axes,
    flags: Sequence[Flag],
    scaled: FloatArray,
    per_sample: float,
    *,
    colour: str,
    marker: str,
    label: str,
) -> None:
    """Mark flagged samples; those beyond the axis sit on its edge, long stretches are thinned."""
    each = max(1, MOST_MARKS // len(flags))
    index = np.concatenate(
        [np.arange(flag.start, flag.stop, max(1, (flag.stop - flag.start) // each)) for flag in flags]
    )
    index = index[~np.isnan(scaled[index])]
    low, high = ax.get_ylim()
    edge = 0.015 * (high - low)
    at = np.clip(scaled[index], low + edge, high - edge)
    ax.plot(
        (index + 0.5) * per_sample,
        at,
        linestyle="none",
        marker=marker,
        markersize=5,
        markeredgewidth=1.1,
        color=colour,
        label=label,
        zorder=4,
    )
    for flag in flags:
        if flag.stop - flag.start >= LONG_FLAG * len(scaled):
            ax.axvspan(flag.start * per_sample, flag.stop * per_sample, color=colour, alpha=0.08, linewidth=0)


def _draw_steps(ax: Axes, record: Record, per_sample: float) -> None:
    for step in record.steps:
        size = step.size or 0.0
        height = time_text(size) if step.cause == "phase_step" else fractional_text(size)
        sign = "+" if size > 0 else ""
        at = step.start * per_sample
        ax.axvline(at, color=INK, linewidth=0.9, linestyle=(0, (6, 2, 1, 2)))
        right = at > 0.75 * ax.get_xlim()[1]
        ax.annotate(
            f"step {sign}{height}",
            xy=(at, 0.93),
            xycoords=ax.get_xaxis_transform(),
            xytext=(-3 if right else 3, 0),
            textcoords="offset points",
            ha="right" if right else "left",
            va="top",
            fontsize=7.8,
            bbox=BEHIND_TEXT,
            zorder=5,
        )


@styled
def record_figure(record: Record, *, height_in: float = 3.4) -> Figure:
    """Return a figure of the record with a panel for each of its covariates (four at most) below."""
    names = list(record.covariates)[:MOST_PANELS]
    figure = new_figure(height_in + 1.15 * len(names))
    ratios = [height_in - 0.4, *[0.9] * len(names)]
    axes = figure.subplots(1 + len(names), 1, squeeze=False, sharex=True, height_ratios=ratios)[:, 0]
    draw_record(axes[0], record)
    for number, (ax, name) in enumerate(zip(axes[1:], names, strict=True)):
        draw_covariate(ax, record, name, number)
    for ax in axes[:-1]:
        ax.set_xlabel("")
    legend = axes[0].get_legend()
    if legend is not None and names:
        handles, labels = axes[0].get_legend_handles_labels()
        legend.remove()
        figure.legend(
            handles, labels, loc="outside lower left", ncols=min(len(handles), 4), handletextpad=0.4
        )
    figure.align_ylabels(list(axes))
    return figure
