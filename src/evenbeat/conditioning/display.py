"""The display in the readings: its step, and rounding that repeats.

Readings may show the display as well as the oscillator, or the display alone. Where the true value hardly
wanders, the rounding error of a counter is periodic, and the usual figure of a twelfth of the squared step no
longer describes it.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from scipy import ndimage

from evenbeat.conditioning.shared import (
    distinct_readings,
    missing_runs,
    scatter,
    scatter_of,
    step_of_display,
    usable,
)
from evenbeat.findings import caution, good, note
from evenbeat.record import Record
from evenbeat.units import counted, duration_text, percent

DISPLAY, TONES = "display", "idle_tones"
FEW_VALUES = 3
"""A log with no more distinct readings than this shows its display, not its oscillator."""
_REPEATS = 4
_VISIBLE = 0.1
FALSE_ALARM = 0.001
"""Probability of calling a tone in a record whose rounding error is noise."""
FEWEST = 256
LONGEST_PERIOD = 64
"""In samples: slower lines are as likely to be the room as the display."""
_LONGEST = 1 << 16
_BINS = 65
_UNEVEN = 1.6  # a running median of 65 bins is not exact; found by simulation
_SEEN = 0.05
_SMALLEST = 0.1  # of a display step: less does not matter


def with_resolution_reported(record: Record) -> Record:
    """Return the record with its display step and a finding on what the step hides.

    A step q adds white FM of standard deviation q/√12 per gate to frequencies and white PM of q/√12 to
    time errors, whose Allan deviation is q/(2 tau) (uniform rounding error; common practice). Not
    valid for readings that do not wander over several steps: their error is not random.
    """
    series = usable(record, without_steps=False)
    looked_at = counted(len(series), "reading")
    if not len(series):
        return record.checked(DISPLAY, looked_at, looked=False)
    step = step_of_display(record, series)
    if record.resolution is None and step is not None:
        record = replace(record, resolution=step).treated(DISPLAY, step=step)
    size = ""
    if step:
        size = f"{step:.3g} s" if record.kind == "phase" else f"{step:.3g} (fractional)"
    distinct = len(distinct_readings(series, FEW_VALUES))
    if distinct <= FEW_VALUES and len(series) >= _REPEATS * distinct:
        what = "All readings are the same value"
        if distinct > 1:
            what = f"The readings take only {distinct} values"
        bound = f"; changes below one step of {size} are not seen" if step else ""
        least = {"step": step, "allan_floor_at_interval": floor_at_interval(record, step)} if step else {}
        sentence = f"{what}: the display, not the oscillator, limits the result{bound}."
        return record.checked(
            DISPLAY,
            looked_at,
            findings=[caution("DISPLAY_LIMITED", sentence, distinct=distinct, **least)],
            found=1,
            where=counted(distinct, "distinct value"),
            advice="Use a longer gate, more digits or a phase comparison.",
        )
    if step is None:
        return record.checked(DISPLAY, looked_at, where="no step found")
    noise = scatter(record, series)
    if step / math.sqrt(12) < _VISIBLE * noise:
        sentence = f"The display step of {size} is too fine to matter beside the noise."
        finding = good("FINE_DISPLAY", sentence, step=step)
        return record.checked(DISPLAY, looked_at, findings=[finding], where=f"step {size}")

    distinct = len(distinct_readings(series))
    # how much of the scatter between neighbours rounding can explain
    floor = floor_at_interval(record, step)
    share = min(1.0, step**2 / 12 / noise**2) if noise > 0 else 1.0
    law = "as 1/τ" if record.kind == "phase" else "as 1/√τ"
    meaning = f"which is {percent(share)} of the variance seen there"
    if share > 0.5:
        meaning = f"so that short averaging times show the display; it falls {law}"
    sentence = (
        f"Readings come in display steps of {size} ({distinct} distinct values); rounding alone gives an "
        f"Allan deviation of about {floor:.2g} at {duration_text(record.spacing_s)}, {meaning}."
    )
    told = {
        "step": step,
        "distinct": distinct,
        "allan_floor_at_interval": floor,
        "interval_s": record.spacing_s,
        "share_of_variance": share,
    }
    return record.checked(
        DISPLAY,
        looked_at,
        findings=[(caution if share > 0.5 else note)("QUANTISED", sentence, **told)],
        found=1,
        where=f"step {size}",
        advice=f"Averaging lowers it {law}; a longer gate or more digits lower it at once.",
    )


def floor_at_interval(record: Record, step: float) -> float:
    """Return the Allan deviation at the usual spacing that rounding to ``step`` alone would show."""
    if record.kind == "phase":
        return step / (2 * record.spacing_s)
    return step / math.sqrt(12)


def with_idle_tones_reported(record: Record) -> Record:
    """Return the record with a finding where its display toggles periodically.

    Largest line of the periodogram (Hann window) of the longest stretch without a gap, at periods of 2 to
    64 samples, against the running median of its neighbours; exponential tail, divided by the number
    of lines (Bonferroni). Only asked where the display step is not lost in noise.
    """
    step = record.resolution
    series = usable(record, without_steps=True)
    begins, ends = missing_runs(series.all_rows())
    starts, stops = np.append(0, ends), np.append(begins, len(record))
    longest = int(np.argmax(stops - starts))
    stretch = series.rows(int(starts[longest]), min(int(stops[longest]), int(starts[longest]) + _LONGEST))
    if len(stretch) < FEWEST:
        return record.checked(TONES, f"{len(stretch)} in a row, fewer than {FEWEST}", looked=False)
    changes = np.diff(stretch, n=2 if record.kind == "phase" else 1)
    if not step or step**2 / 12 < _SEEN * scatter_of(changes, record.kind) ** 2:
        return record.checked(TONES, "display step lost in noise", looked=False)
    looked_at = counted(len(stretch), "reading")
    n, period, ratio = len(changes), 0.0, 0.0
    if np.any(changes):
        power = np.abs(np.fft.rfft((changes - changes.mean()) * np.hanning(n))) ** 2
        first = max(2, n // LONGEST_PERIOD)
        around = ndimage.median_filter(power, size=_BINS, mode="reflect") / math.log(2)
        ratios = np.divide(power, around, out=np.zeros_like(power), where=around > 0)[first:]
        top = int(np.argmax(ratios))
        period, ratio = n / (first + top), float(ratios[top])
    if not period or ratio < _UNEVEN * math.log(len(ratios) / FALSE_ALARM):
        return record.checked(TONES, looked_at)
    # amplitude of the sine of that period, by least squares over the drift-free stretch
    turns = np.exp(2j * math.pi / period * np.arange(len(stretch)))
    flat = stretch - ndimage.uniform_filter1d(stretch, 2 * LONGEST_PERIOD + 1, mode="nearest")
    amplitude = 2 * abs(complex(np.mean(flat * turns)))
    if amplitude < _SMALLEST * step:
        return record.checked(TONES, looked_at)
    length = duration_text(period * record.interval_s)
    sentence = (
        f"The readings swing with a period of {period:.4g} samples ({length}) by {amplitude / step:.2g} "
        "display steps: rounding that repeats, or something real of that period; the noise of rounding "
        "stated elsewhere does not hold for it."
    )
    told = {
        "period_samples": period,
        "amplitude": amplitude,
        "steps": amplitude / step,
        "line_to_noise": ratio,
    }
    return record.checked(
        TONES,
        looked_at,
        findings=[note("IDLE_TONE", sentence, **told)],
        found=1,
        where=f"period {period:.4g} samples, {amplitude / step:.2g} steps",
        advice=f"Average over whole periods; near τ = {duration_text(0.37 * period * record.interval_s)} the "
        "deviation shows the display.",
    )
