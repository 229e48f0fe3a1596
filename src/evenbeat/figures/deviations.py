"""Deviations and time errors against averaging time, with intervals, noise types, floors; and in time."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from evenbeat.deviations.curve import StabilityCurve, noise_name
from evenbeat.deviations.moving import FEWEST_EDF, MovingStability
from evenbeat.deviations.time_error import TimeErrorCurve
from evenbeat.errors import InputError
from evenbeat.figures.axes import (
    Label,
    deviation_axis,
    deviation_text,
    hold,
    log_time_axis,
    name_lines,
    note,
    plain,
    time_unit,
)
from evenbeat.figures.style import BEHIND_TEXT, BLUE, GREY, INK, RUST, Keywords, Stroke, drawing, stroke
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
from evenbeat.units import duration_text, time_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

TRUSTED_SHARE = 0.2
"""Averaging times up to this share of the record are drawn in full: beyond it the equivalent degrees of
freedom fall below about three to five (common practice)."""
FLOOR_IN_SIGHT = 30.0
"""The axis is widened for a floor up to this many times below the curve."""
FLOOR_LABEL_HEIGHT = 0.18
FLOOR_LINE = (0, (1, 1.5))
LABEL_WIDTH = 16
"""Characters in a line of a name beside the axes."""
_STRIP, _STRIP_AND_FLOOR = 0.14, 0.24
"""Share of the axes kept free at the foot for the noise types, and for the name of the floor too."""
RANDOM_WALK_FM = -2
_STRIP_HEIGHT = 0.045
_CHARACTERS_PER_AXES = 92
SEE_DRIFT = ("allan", "overlapping_allan", "modified_allan", "total", "modified_total")
"""Statistics that rise as the root of the averaging time under random-walk FM, and as the time itself, D τ/√2
of the Allan deviation, under drift (the second difference of D t²/2)."""
BETWEEN, FALLEN = 0.75, 0.9
FEWEST_POINTS, MOST_LINES = 3, 2
LEAST_FREEDOM_OF_A_HUMP = 5.0
MOST_AVERAGING_TIMES = 4
TIME_ERROR_NAMES = {"mtie": "maximum time interval error", "rms": "rms time interval error"}


def stability_caption(curve: StabilityCurve) -> str:
    """Return the sentence above the figure: the lowest well-known deviation and where it is."""
    known = np.isfinite(curve.deviation) & (curve.edf >= 5)
    if not known.any():
        return plain(f"No point of the {curve.title} is known well: the record is too short.")
    best = int(np.flatnonzero(known)[np.argmin(curve.deviation[known])])
    value, low, high = (
        deviation_text(float(each[best]), curve.unit)
        for each in (curve.deviation, *curve.confidence_interval())
    )
    when = duration_text(float(curve.averaging_time_s[best]))
    return plain(f"The {curve.title} is lowest at {when}: {value} (95 % interval {low} to {high}).")


def curves_caption(curves: Mapping[str, StabilityCurve]) -> str:
    """Return the sentence above a figure of several curves: which reaches the lowest well-known deviation."""
    best: tuple[float, str, float, str] | None = None
    for name, curve in curves.items():
        known = np.flatnonzero(np.isfinite(curve.deviation) & (curve.edf >= 5))
        if len(known):
            at = int(known[np.argmin(curve.deviation[known])])
            here = (float(curve.deviation[at]), name, float(curve.averaging_time_s[at]), curve.unit)
            best = here if best is None else min(best, here)
    if best is None:
        return plain(f"None of these {len(curves)} curves is known well: the records are too short.")
    lowest, name, when, unit = best
    reached = f"{deviation_text(lowest, unit)} at {duration_text(when)}"
    return plain(f"Of these {len(curves)} curves \u201c{name}\u201d reaches lowest: {reached}.")


@drawing
def draw_named_curves(
    ax: Axes, curves: Mapping[str, StabilityCurve], *, record: Record | None = None
) -> None:
    """Draw several deviations of the same unit, each under its own name."""
    if len({curve.unit for curve in curves.values()}) > 1:
        msg = "the curves have different units (seconds and none); draw them in figures of their own"
        raise InputError(msg)
    draw_stability(ax, list(curves.values()), record=record, names=list(curves))


@drawing
def draw_stability(
    ax: Axes,
    curves: StabilityCurve | Sequence[StabilityCurve],
    *,
    record: Record | None = None,
    floor: StabilityCurve | None = None,
    names: Sequence[str] = (),
) -> None:
    """Draw one or several deviations of the same unit.

    Parameters
    ----------
    curves, record
        Several curves of one record are named by their statistic, and the first one gives the noise types.
        The record gives the floor of the display.
    floor
        The same statistic of a record of the measuring system alone (one signal at both inputs).
    names
        Of several curves; where given, no noise types are written.

    Notes
    -----
    Bands are 95 % intervals of the noise. Points beyond a fifth of the record are drawn hollow and
    pale: too few independent averages stand behind them.
    """
    shown = [curves] if isinstance(curves, StabilityCurve) else list(curves)
    spans = [_span(curve, record) for curve in shown]
    tau = np.concatenate([curve.averaging_time_s for curve in shown])
    log_time_axis(ax, tau.min() / 1.3, tau.max() * 1.3)
    display = None
    if record is not None and shown[0].statistic in ("allan", "overlapping_allan"):
        display = resolution_floor(record, shown[0].averaging_time_s)
    _set_range(ax, shown, display)
    titles = {curve.title for curve in shown}
    title = titles.pop() if len(titles) == 1 else "deviation of fractional frequency"
    deviation_axis(ax, title, shown[0].unit)
    labels = [
        _draw_curve(ax, curve, stroke(number), longest=TRUSTED_SHARE * span, name=name)
        for number, (curve, span, name) in enumerate(
            zip(shown, spans, names or [""] * len(shown), strict=True)
        )
    ]
    if display is not None:
        _draw_floor_of_display(ax, shown[0], display)
    longest = TRUSTED_SHARE * spans[0]
    if max(spans) <= min(spans) * 1.01 and ax.get_xlim()[0] < longest < ax.get_xlim()[1]:
        ax.axvline(longest, color=GREY, linewidth=0.7, linestyle=(0, (1, 2)))
    if not names:
        _draw_noise_strip(ax, shown[0])
    ax.set_xlabel(r"averaging time $\tau$ [s]; bands: 95 % intervals; pale: beyond a fifth of the record")
    if len(labels) > 1:
        name_lines(ax, labels)
    if floor is not None:
        _draw_floor_of_system(ax, floor)


def _span(curve: StabilityCurve, record: Record | None) -> float:
    if record is not None:
        return record.duration_s
    factor = np.asarray(curve.averaging_factor, dtype=float)
    # overlapping terms at factor m number about n - 2m, so n follows from the first point
    return float(curve.terms[0] + 2 * factor[0]) * curve.interval_s


def _set_range(ax: Axes, curves: Sequence[StabilityCurve], floor: FloatArray | None) -> None:
    """Choose decades by what is drawn; the widest intervals may run out of the axes."""
    seen: list[FloatArray] = []
    for curve in curves:
        below, above = curve.confidence_interval()
        seen += [
            curve.deviation,
            np.maximum(below, curve.deviation / 3),
            np.minimum(above, curve.deviation * 6),
        ]
    every = np.concatenate(seen)
    every = every[np.isfinite(every) & (every > 0)]
    low, high = (float(every.min()), float(every.max())) if len(every) else (0.1, 10.0)
    strip = _STRIP
    if floor is not None and high > floor[0] > low / FLOOR_IN_SIGHT:
        low, strip = min(low, float(floor[0]) / 2), _STRIP_AND_FLOOR
    ax.set_yscale("log")
    room = max(math.log10(high / low), 1.0) * strip / (1 - strip)
    ax.set_ylim(low / 10 ** (room + 0.08), high * 1.3)


def _draw_curve(ax: Axes, curve: StabilityCurve, look: Stroke, *, longest: float, name: str) -> Label:
    tau, deviation = curve.averaging_time_s, curve.deviation
    low, high = curve.confidence_interval()
    trusted = tau <= longest * (1 + 1e-9)
    # the pale part starts at the last trusted point, so that the line is not broken
    last = np.flatnonzero(trusted)[-1] if trusted.any() else 0
    beyond = np.arange(len(tau)) >= last
    line: Keywords = {
        "color": look.colour,
        "linestyle": look.line,
        "marker": look.marker,
        "markevery": max(1, len(tau) // 18),
    }
    ax.fill_between(tau, low, high, where=trusted, color=look.colour, alpha=0.22, linewidth=0)
    ax.fill_between(tau, low, high, where=beyond, color=look.colour, alpha=0.08, linewidth=0)
    ax.plot(tau[trusted], deviation[trusted], label=name or curve.title, **line)
    if (~trusted).any():
        ax.plot(tau[beyond], deviation[beyond], alpha=0.45, linewidth=1.0, markerfacecolor="white", **line)
    end = int(np.flatnonzero(np.isfinite(deviation))[-1]) if np.isfinite(deviation).any() else 0
    text = textwrap.fill(name, LABEL_WIDTH) or (
        curve.title.replace(" deviation", "")
        .replace("overlapping ", "overlapping\n")
        .replace("modified ", "modified\n")
    )
    return Label(x=float(tau[end]), y=float(deviation[end]), text=text, colour=look.colour)


def resolution_floor(record: Record, averaging_time_s: npt.ArrayLike) -> FloatArray | None:
    """Return the Allan deviation that the step of the display alone would give, or ``None`` if unknown.

    Notes
    -----
    A step q that the readings wander over evenly adds noise of standard deviation q/√12 to each: white
    FM q/√12 · √(gate/τ) to frequencies, white PM and so q/(2τ) to time errors. Not valid where the
    reading stays within one step: then the display hides the oscillator.
    """
    if record.resolution is None:
        return None
    tau = np.asarray(averaging_time_s, dtype=float)
    if record.kind == "phase":
        return record.resolution / (2 * tau)
    gate = record.gate_s or record.interval_s
    return record.resolution / math.sqrt(12) * np.sqrt(gate / tau)


def _draw_floor_of_display(ax: Axes, curve: StabilityCurve, floor: FloatArray) -> None:
    low, high = ax.get_ylim()
    tau = curve.averaging_time_s
    ax.plot(tau, floor, color=INK, linewidth=1.0, linestyle=FLOOR_LINE, label="floor of the display")
    nearest = float(np.nanmin(curve.deviation / floor))
    limiting = nearest < 2
    name = "floor of the display"
    if nearest < 0.9:
        name = "floor of the display; below it the\nreadings stand still on one step"
    elif limiting:
        name = "floor of the display,\nwhich limits here"
    # beside the middle of the line where it limits, else just above the strip of noise types
    height = 0.5 * (math.log(max(floor[-1], low)) + math.log(min(floor[0], high)))
    if not limiting:
        height = math.log(low) + FLOOR_LABEL_HEIGHT * math.log(high / low)
    if not math.log(low) < height < math.log(high):
        return
    at = int(np.argmin(np.abs(np.log(floor) - height)))
    look: Keywords = {"ha": "left", "va": "center", "color": INK}
    if limiting:
        look = {"ha": "right", "va": "top", "color": RUST}
    note(ax, name, (float(tau[at]), float(floor[at])), offset=(-5, -2) if limiting else (6, 0), **look)


def _draw_floor_of_system(ax: Axes, floor: StabilityCurve) -> None:
    """Draw the measured floor below the curves, as far as it lies within the averaging times drawn."""
    known = np.isfinite(floor.deviation) & (floor.deviation > 0)
    tau, height = floor.averaging_time_s[known], floor.deviation[known]
    bottom, top = ax.get_ylim()
    inside = (tau >= ax.get_xlim()[0]) & (tau <= ax.get_xlim()[1])
    if inside.any():
        ax.set_ylim(min(bottom, max(float(height[inside].min()) / 2, bottom / FLOOR_IN_SIGHT)), top)
    ax.plot(tau, height, color=INK, linewidth=1.0, linestyle=FLOOR_LINE, label="floor", scalex=False)
    visible = np.flatnonzero(inside & (height < top) & (height > ax.get_ylim()[0]))
    if len(visible):
        at = int(visible[len(visible) // 3])
        look: Keywords = {"ha": "right", "va": "top", "bbox": BEHIND_TEXT}
        where = (float(tau[at]), float(height[at]))
        note(ax, "floor of the measuring system", where, offset=(-4, -4), **look)


def _draw_noise_strip(ax: Axes, curve: StabilityCurve) -> None:
    """Write the name of the dominating noise under the averaging times at which it does."""
    low, high = np.log(ax.get_xlim())
    for first, last, name in noise_runs(curve):
        ax.plot(
            [first, last],
            [_STRIP_HEIGHT, _STRIP_HEIGHT],
            transform=ax.get_xaxis_transform(),
            color=INK if name else GREY,
            linewidth=1.0 if name else 0.7,
            linestyle="-" if name else (0, (1, 2)),
            marker="|",
            markersize=5,
            solid_capstyle="butt",
        )
        # in one line, in two, or not at all, by the share of the axis it has
        room = math.log(last / first) / (high - low) * _CHARACTERS_PER_AXES
        lines = textwrap.wrap(name or "not told", max(1, int(room)), break_long_words=False)
        fits = max(map(len, lines)) <= room and len(lines) <= MOST_LINES
        look: Keywords = {"ha": "center", "va": "bottom", "fontsize": 7.2, "color": INK if name else GREY}
        where = (math.sqrt(first * last), _STRIP_HEIGHT)
        note(ax, "\n".join(lines) if fits else "", where, "x", offset=(0, 2.5), bbox=BEHIND_TEXT, **look)


def noise_runs(curve: StabilityCurve) -> list[tuple[float, float, str]]:
    """Return first and last averaging time and name of every stretch of one noise type.

    Drift and waves have no noise type of their own: the nearest is random-walk FM, and it is said where it
    may be one of them.
    """
    names = [noise_name(exponent) for exponent in curve.noise_exponent]
    wave = _wave(curve)
    names[wave] = [f"{noise_name(RANDOM_WALK_FM)} or a wave"] * len(names[wave])
    tau = curve.averaging_time_s
    edges = np.sqrt(tau[1:] * tau[:-1])  # half-way on the logarithmic axis
    found: list[tuple[float, float, str]] = []
    first = 0
    for i in range(1, len(names) + 1):
        if i < len(names) and names[i] == names[first]:
            continue
        left = float(tau[0]) / 1.08 if first == 0 else float(edges[first - 1])
        right = float(tau[-1]) * 1.08 if i == len(names) else float(edges[i - 1])
        name = names[first]
        if name == noise_name(RANDOM_WALK_FM) and _is_steep(curve, slice(first, i)):
            name += " or drift"
        found.append((left, right, name))
        first = i
    return found


def _wave(curve: StabilityCurve) -> slice:
    """Return the stretch in which the deviation rises to a hump, empty where there is none.

    The deviation of a mixture of power laws falls and then rises: where it falls again, there was a wave,
    such as one of a day.
    """
    known = np.isfinite(curve.deviation) & (curve.edf >= LEAST_FREEDOM_OF_A_HUMP)
    deviation = np.where(known, curve.deviation, np.nan)
    for top in range(1, len(deviation) - 1):
        before, after = deviation[:top], deviation[top + 1 :]
        if not (np.isfinite(before).any() and np.isfinite(after).any()):
            continue
        lowest = int(np.nanargmin(before))
        rises = deviation[top] * FALLEN > before[lowest] and deviation[top] >= np.nanmax(before[lowest:])
        if rises and np.nanmin(after) < FALLEN * deviation[top]:
            return slice(lowest + 1, top + 1)
    return slice(0, 0)


def _is_steep(curve: StabilityCurve, places: slice) -> bool:
    """Return whether a stretch is steeper than random-walk FM makes it, as drift would."""
    tau, deviation, edf = (each[places] for each in (curve.averaging_time_s, curve.deviation, curve.edf))
    there = np.isfinite(deviation) & (deviation > 0)
    if curve.statistic not in SEE_DRIFT or np.count_nonzero(there) < FEWEST_POINTS:
        return False
    weight = np.sqrt(edf[there])  # a deviation is known to about 1/√(2 edf) of itself
    slope = np.polynomial.polynomial.polyfit(np.log(tau[there]), np.log(deviation[there]), 1, w=weight)[1]
    return bool(slope > BETWEEN)


def time_interval_error_caption(curve: TimeErrorCurve) -> str:
    """Return the sentence above the figure: how far the time error moved in the longest window."""
    known = np.flatnonzero(np.isfinite(curve.time_error_s))
    if not len(known):
        return "Gaps leave no window without a missing reading."
    last = int(known[-1])
    moved = time_text(float(curve.time_error_s[last]))
    window = duration_text(float(curve.averaging_time_s[last]))
    if curve.statistic == "rms":
        return f"The rms change of time error over {window} was {moved}, the frequency offset included."
    return f"The time error moved by at most {moved} within {window}, the frequency offset included."


@drawing
def draw_time_interval_error(ax: Axes, curve: TimeErrorCurve) -> None:
    """Draw the curve; it has no interval, because it describes this record only, and says so."""
    known = np.isfinite(curve.time_error_s) & (curve.time_error_s > 0)
    time, error = curve.averaging_time_s[known], curve.time_error_s[known]
    low, high = (time.min(), time.max()) if len(time) else (1.0, 10.0)
    log_time_axis(ax, float(low) / 1.3, float(high) * 1.3)
    hold(ax, error, below=2, above=2)
    name = TIME_ERROR_NAMES[curve.statistic]
    deviation_axis(ax, name, "s")
    ax.plot(time, error, color=BLUE, marker="o", markevery=max(1, len(time) // 18), label=name)
    ax.set_xlabel("length of the window [s]")
    says = "describes this record only: no interval belongs to it"
    note(ax, says, (0.985, 0.03), "axes", ha="right", color=GREY)


def moving_stability_caption(result: MovingStability) -> str:
    """Return the sentence above the figure: by how much the noise changed, or that it did not."""
    if result.comparisons == 0:
        return "The windows are too few or too short to tell whether the noise changed."
    if not result.changes:
        return plain(next(f.sentence for f in result.findings if f.code == "NOISE_STEADY"))
    change = result.changes[0]
    first, second = (
        duration_text(start + 0.5 * result.window_s)
        for start in (change.first_start_s, change.second_start_s)
    )
    return plain(
        f"The noise at {duration_text(change.averaging_time_s)} changed by a factor of {change.factor:.3g} "
        f"between the windows around {first} and {second}."
    )


@drawing
def draw_moving_stability(ax: Axes, result: MovingStability) -> None:
    """Draw up to four averaging times, shortest to longest with at least three degrees of freedom."""
    trusted = np.flatnonzero(np.median(np.nan_to_num(result.edf), axis=0) >= FEWEST_EDF)
    columns = trusted if len(trusted) else np.arange(min(1, len(result.averaging_time_s)))
    places = np.linspace(0, len(columns) - 1, min(MOST_AVERAGING_TIMES, len(columns))).round().astype(int)
    chosen = sorted({int(columns[place]) for place in places})
    end = float(result.window_start_s[-1] + result.window_s)
    size, unit = time_unit(end)
    middle = result.window_middle_s / size
    low, high, deviation = (
        np.where(values > 0, values, np.nan) for values in (*result.confidence_interval(), result.deviation)
    )
    ax.set_yscale("log")
    labels = []
    for number, column in enumerate(chosen):
        look, name = stroke(number), duration_text(float(result.averaging_time_s[column]))
        heights = deviation[:, column]
        ax.fill_between(middle, low[:, column], high[:, column], color=look.colour, alpha=0.2, linewidth=0)
        ax.plot(
            middle,
            heights,
            color=look.colour,
            linestyle=look.line,
            marker=look.marker,
            markevery=max(1, len(result) // 18),
            label=name,
        )
        known = np.flatnonzero(np.isfinite(heights))
        if len(known):
            x, y = float(middle[known[-1]]), float(heights[known[-1]])
            labels.append(Label(x=x, y=y, text=f"τ = {name}", colour=look.colour))
    hold(ax, np.concatenate([low[:, chosen], high[:, chosen]]), below=1.3, above=1.3)
    ax.set_xlim(0, end / size)
    deviation_axis(ax, result.title, result.unit)
    ax.set_xlabel(f"middle of the window of {duration_text(result.window_s)} [{unit}]; bands: 95 % intervals")
    name_lines(ax, labels)
