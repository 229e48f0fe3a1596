"""Rounding that repeats: a display that toggles in a pattern instead of at random.

Where the true value hardly wanders, the rounding error of a counter is periodic, and the usual figure of a
twelfth of the squared step no longer describes it.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import ndimage

from evenbeat.conditioning.local_noise import spread
from evenbeat.conditioning.places import counted
from evenbeat.findings import Finding
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
from evenbeat.units import duration_text

NAME = "idle_tones"
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


def with_idle_tones_reported(record: Record) -> Record:
    """Return the record with a finding where its display toggles periodically.

    Notes
    -----
    Largest line of the periodogram (Hann window) of the longest stretch without a gap, at periods of 2 to
    64 samples, against the running median of its neighbours; exponential tail, divided by the number
    of lines (Bonferroni). Only asked where the display step is not lost in noise.
    """
    step = record.resolution
    stretch = _longest_stretch(record.usable_values(without_steps=True))
    if len(stretch) < FEWEST:
        return record.checked(NAME, f"{len(stretch)} in a row, fewer than {FEWEST}", looked=False)
    if not step or step**2 / 12 < _SEEN * _variance(stretch, record.kind):
        return record.checked(NAME, "display step lost in noise", looked=False)
    looked_at = counted(len(stretch), "reading")
    line = _strongest_line(np.diff(stretch, n=2) if record.kind == "phase" else np.diff(stretch))
    if line is None:
        return record.checked(NAME, looked_at)
    period, ratio = line
    amplitude = _amplitude(stretch, period)
    if amplitude < _SMALLEST * step:
        return record.checked(NAME, looked_at)
    length = duration_text(period * record.interval_s)
    sentence = (
        f"The readings swing with a period of {period:.4g} samples ({length}) by {amplitude / step:.2g} "
        "display steps: rounding that repeats, or something real of that period; the noise of rounding "
        "stated elsewhere does not hold for it."
    )
    values = {
        "period_samples": period,
        "amplitude": amplitude,
        "steps": amplitude / step,
        "line_to_noise": ratio,
    }
    finding = Finding(code="IDLE_TONE", severity="note", sentence=sentence, values=values)
    return record.with_findings(finding).checked(
        NAME,
        looked_at,
        found=1,
        where=f"period {period:.4g} samples, {amplitude / step:.2g} steps",
        advice=f"Average over whole periods; near τ = {duration_text(0.37 * period * record.interval_s)} the "
        "deviation shows the display.",
    )


def _longest_stretch(values: FloatArray) -> FloatArray:
    missing = np.concatenate([[True], np.isnan(values), [True]])
    edges = np.flatnonzero(missing)
    lengths = np.diff(edges) - 1
    longest = int(np.argmax(lengths))
    begin = int(edges[longest])
    return np.asarray(values[begin : begin + min(int(lengths[longest]), _LONGEST)], dtype=float)


def _variance(stretch: FloatArray, kind: str) -> float:
    bends = np.diff(stretch, n=1 if kind == "frequency" else 2)
    scale = 2 if kind == "frequency" else 6
    robust = spread(bends)
    return (robust if robust > 0 else float(np.std(bends))) ** 2 / scale


def _strongest_line(changes: FloatArray) -> tuple[float, float] | None:
    """Return period in samples and power over that of the neighbours of the clearest line, if it is clear."""
    n = len(changes)
    if not np.any(changes):
        return None
    power = np.abs(np.fft.rfft((changes - changes.mean()) * np.hanning(n))) ** 2
    first = max(2, n // LONGEST_PERIOD)
    around = ndimage.median_filter(power, size=_BINS, mode="reflect") / math.log(2)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(around > 0, power / around, 0.0)[first:]
    if not len(ratio):
        return None
    top = int(np.argmax(ratio))
    if ratio[top] < _UNEVEN * math.log(len(ratio) / FALSE_ALARM):
        return None
    return n / (first + top), float(ratio[top])


def _amplitude(stretch: FloatArray, period: float) -> float:
    """Return the amplitude of the sine of that period, by least squares over the drift-free stretch."""
    phase = 2 * math.pi / period * np.arange(len(stretch))
    flat = stretch - ndimage.uniform_filter1d(stretch, 2 * LONGEST_PERIOD + 1, mode="nearest")
    return 2 * math.hypot(float(np.mean(flat * np.cos(phase))), float(np.mean(flat * np.sin(phase))))
