"""Single readings far from their neighbours, by running median and median absolute deviation.

Frequencies are judged against the running median of their neighbours and against the nearer side, so that
drift, wander and steps pass. Time errors are judged against straight lines through their neighbours, so that
a ramp of any slope, a step of phase and a bend pass.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from evenbeat.conditioning.shared import MAD_TO_SIGMA, places_text, present, running_median, runs, tail_spread
from evenbeat.errors import InputError
from evenbeat.findings import Finding
from evenbeat.logs.display import display_step
from evenbeat.quantities import FloatArray
from evenbeat.record import Flag, Record
from evenbeat.units import counted

NAME = "outliers"
FREQUENCY_WIDTH = 31
PHASE_SPANS = (1, 2, 3)
FEWEST = 8
_SLOPE_WIDTH = 61
_SIDE = 7
_REPEATING = 0.5
_SHADOW = 5.0
_BLOCK = 1024
_QUIETEST = 0.25
_TAIL_SHARE = 0.05
_HEAVIEST = 3.0
_GOLDEN = 0.6180339887498949


def with_outliers_flagged(record: Record, *, threshold: float) -> Record:
    """Return the record with outliers flagged as excluded, and a finding.

    Parameters
    ----------
    threshold
        In robust standard deviations; 5 rejects about one of 1.7 million normal samples (from the
        normal distribution; the factor 5 is common practice).

    Notes
    -----
    Running median and median absolute deviation (Hampel identifier). Not valid where more than a
    third of the neighbours are outliers; in a phase record not for more than three in a row, nor for
    a small one beside one five times larger.
    """
    if not threshold > 0:
        msg = f"outlier_threshold is {threshold}; it must be a positive number, such as 5"
        raise InputError(msg)
    values = record.usable_values(without_steps=True)
    where = present(values)
    if len(where) < FEWEST:
        sentence = f"{len(where)} samples are too few to look for outliers; {FEWEST} are needed."
        unchecked = Finding(code="OUTLIERS_UNCHECKED", severity="note", sentence=sentence)
        looked_at = f"{counted(len(where), 'reading')}, fewer than {FEWEST}"
        return record.checked(NAME, looked_at, looked=False, findings=[unchecked])
    samples = np.asarray(values[where], dtype=float)
    rounding = 8 * np.spacing(np.abs(samples).max())
    judge = _judged_phase if record.kind == "phase" else _judged_frequency
    places: npt.NDArray[Any] = where
    wider: FloatArray | float = 1.0
    if record.epochs_ns is not None:
        places = record.elapsed_s[where] / record.spacing_s
        wider = _less_known(record, where)
        if (
            record.kind == "phase"
        ):  # a drift bends the lines between readings more, the farther apart they are
            samples = samples - np.polynomial.Polynomial.fit(places, samples, 3)(places)
    bad = np.zeros(len(samples), dtype=bool)
    largest = np.zeros(len(samples))
    for distance, sigma in judge(samples, places, record.resolution):
        off = np.abs(distance) > np.maximum(threshold * sigma * wider, rounding)
        bad |= off
        largest = np.where(off & (np.abs(distance) > np.abs(largest)), distance, largest)
    if record.kind == "phase":
        size = np.where(bad, np.abs(largest), 0.0)
        reach = 2 * 2 * max(PHASE_SPANS) + 1  # lines through a much larger outlier judged its neighbours
        bad &= size * _SHADOW >= ndimage.maximum_filter1d(size, reach, mode="constant")
    looked_at = counted(len(where), "reading")
    off_by, found = largest[bad], where[bad]
    if not len(found):
        sentence = f"No outlier was found beyond {threshold:g} robust standard deviations."
        finding = Finding(code="NO_OUTLIERS", severity="good", sentence=sentence)
        return record.checked(NAME, looked_at, findings=[finding], done={"threshold": threshold, "found": 0})
    unit = " s" if record.kind == "phase" else ""
    together = runs(found)
    sizes = np.split(off_by, np.cumsum([len(run) for run in together])[:-1])
    flags = [
        Flag(
            cause="outlier",
            start=int(run[0]),
            stop=int(run[-1]) + 1,
            excluded=True,
            sentence=f"Off by up to {size[np.argmax(np.abs(size))]:.3g}{unit} from its neighbours.",
        )
        for run, size in zip(together, sizes, strict=True)
    ]
    worst = int(np.argmax(np.abs(off_by)))
    most = float(off_by[worst])
    sentence = (
        f"{len(found)} outlier{'s' * (len(found) > 1)} beyond {threshold:g} robust standard deviations "
        f"({100 * len(found) / len(record):.2g} % of the samples, the largest off by {most:.3g}{unit}) "
        "are flagged and left out of the analysis; they stay in the record."
    )
    finding = Finding(
        code="OUTLIERS", severity="note", sentence=sentence, values={"count": len(found), "largest": most}
    )
    return record.checked(
        NAME,
        looked_at,
        flags=flags,
        findings=[finding],
        found=len(flags),
        set_aside=len(found),
        where=f"largest {most:.3g}{unit}: {places_text(record, [int(found[worst])])}",
        advice="If they are more than a few in a thousand, compare with skip_checks=('outliers',) "
        "(--set skip_checks=outliers).",
        done={"threshold": threshold, "found": len(found)},
    )


def _less_known(record: Record, where: npt.NDArray[np.intp]) -> FloatArray:
    """Return by how much a distance may be larger than usual where readings lie far apart or are short.

    The noise of a mean frequency falls at most with its span (white PM); that of a phase beside a line
    through its neighbours grows at most with the power 3/2 of the time between them (random-walk FM).
    """
    if record.spans_s is not None:
        spans = record.spans_s[where]
        return np.asarray(np.maximum(float(np.median(spans)) / spans, 1.0))
    steps = np.pad(np.diff(record.elapsed_s[where]), (1, 0), mode="edge")
    around = ndimage.maximum_filter1d(steps, 2 * max(PHASE_SPANS), origin=-1, mode="nearest")
    return np.asarray(np.maximum(around / np.median(around), 1.0) ** 1.5)


_Judgement = Iterator[tuple[FloatArray, FloatArray]]
"""Distances of the samples from where they should be, and their usual size."""


def _judged_frequency(samples: FloatArray, _places: npt.NDArray[Any], resolution: float | None) -> _Judgement:
    """Yield the distance from the running median, or from the nearer side where that says less."""
    residual = samples - running_median(samples, FREQUENCY_WIDTH)
    step = resolution if resolution is not None else _visible_step(samples)
    sigma = _local_spread(residual, step)
    nearer = _from_nearer_side(samples)
    sigma_nearer = _local_spread(nearer, step)
    with np.errstate(divide="ignore", invalid="ignore"):
        nearer *= np.where(sigma_nearer > sigma, sigma / sigma_nearer, 1.0)
    yield np.where(np.abs(nearer) < np.abs(residual), nearer, residual), sigma


def _from_nearer_side(samples: FloatArray) -> FloatArray:
    """Return the distance from the median of the seven before or the seven after, whichever is less."""
    reach = _SIDE // 2 + 1
    medians = np.pad(running_median(samples, _SIDE), reach, mode="edge")
    before, after = samples - medians[: -2 * reach], samples - medians[2 * reach :]
    return np.where(np.abs(before) < np.abs(after), before, after)


def _judged_phase(samples: FloatArray, places: npt.NDArray[Any], resolution: float | None) -> _Judgement:
    """Yield for each span the least distance from three straight lines."""
    elapsed = np.diff(places)
    slope = running_median(np.diff(samples) / elapsed, _SLOPE_WIDTH)
    level = samples - np.concatenate([[0.0], np.cumsum(slope * elapsed)])
    for span in PHASE_SPANS:
        if len(level) > 4 * span + 2:
            step = resolution if resolution is not None else _visible_step(samples)
            yield _from_straight_lines(level, span, step)


def _from_straight_lines(level: FloatArray, span: int, step: float | None) -> tuple[FloatArray, FloatArray]:
    """Return the least distance from the lines through two samples before, two after, or one on each side.

    An outlier is off all three on the same side; a sample at a step or a bend is on one of them.
    ``span`` is the spacing of those samples, so that ``span`` outliers in a row are seen. The measure
    is the spread of the distances from the line between the two sides, at the ends from the one line left.
    """
    bend = level[2 * span :] - 2 * level[span:-span] + level[: -2 * span]
    n, between = len(level), -0.5 * bend
    before, after = np.full(n, np.nan), np.full(n, np.nan)
    before[2 * span :], after[: -2 * span] = bend, bend
    middle = np.full(n, np.nan)
    middle[span:-span] = between
    lines = np.stack([before, after, middle])
    least = np.nanmin(np.abs(lines), axis=0) * np.sign(np.nanmean(lines, axis=0))
    one_side = np.nanmin(lines, axis=0) * np.nanmax(lines, axis=0) > 0
    distance = np.where(one_side, least, 0.0)
    if span > 1:  # near an end too few lines are left to tell an outlier from its neighbours
        distance[: 2 * span] = distance[-2 * span :] = 0.0
    sigma = _local_spread(between, step)
    ends = 2 * np.repeat(sigma[[0, -1]], span)  # a single line misses by twice as much as the middle one
    return distance, np.concatenate([ends[:span], sigma, ends[span:]])


def _local_spread(residual: FloatArray, step: float | None) -> FloatArray:
    """Return the spread around each sample, from blocks of about a thousand.

    Where the farthest twentieth lies farther out than that of a normal distribution (the comb of a
    time-interval counter does), the spread is raised accordingly, at most threefold.

    Parameters
    ----------
    residual
        Shape (n,), around zero.
    step
        Step of the display. The readings are spread evenly over it (a fixed low-discrepancy sequence),
        because the median absolute deviation of coarse readings jumps between multiples of the step.
    """
    dither = np.mod(np.arange(len(residual)) * _GOLDEN, 1.0) - 0.5  # fills -1/2 to 1/2 evenly
    size = np.abs(residual + dither * step if step else residual)
    middle = MAD_TO_SIGMA * float(np.median(size))
    tails = tail_spread(size * np.where(np.arange(len(size)) % 2, 1.0, -1.0), _TAIL_SHARE)
    heaviness = min(tails / middle, _HEAVIEST) if middle > 0 else 1.0
    blocks = max(1, len(size) // _BLOCK)
    edges = np.linspace(0, len(size), blocks + 1).astype(int)
    scale = np.array([_median(size[a:b]) for a, b in pairwise(edges)])
    if blocks >= 3:
        scale = ndimage.median_filter(scale, size=3, mode="nearest")
    scale = MAD_TO_SIGMA * heaviness * np.maximum(scale, _QUIETEST * float(np.median(size)))
    return np.repeat(scale, np.diff(edges))


def _median(values: FloatArray) -> float:
    """Return the median of a few values; numpy's takes three times as long for a thousand."""
    middle = [(len(values) - 1) // 2, len(values) // 2]
    return float(np.partition(values, middle)[middle].mean())


def _visible_step(samples: FloatArray) -> float | None:
    """Return the display step where readings repeat so often that their spread would jump with it."""
    return display_step(samples, None) if len(np.unique(samples)) < _REPEATING * len(samples) else None
