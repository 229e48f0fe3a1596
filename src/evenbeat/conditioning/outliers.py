"""Single readings far from their neighbours, by running median and median absolute deviation.

Frequencies are judged against the running median of their neighbours and against the nearer side, so that
drift, wander and steps pass. Time errors are judged against straight lines through their neighbours, so that
a ramp of any slope, a step of phase and a bend pass.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from itertools import pairwise

import numpy as np
from scipy import ndimage

from evenbeat.conditioning.shared import (
    MAD_TO_SIGMA,
    Piece,
    Places,
    Series,
    flags_at,
    places_text,
    running_median,
    runs,
    step_of_display,
    tail_spread,
    usable,
)
from evenbeat.errors import InputError
from evenbeat.findings import good, note
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
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
_WINDOWS = 64
"""More samples than the widest window, three spans and the neighbours of an outlier take on either side."""
_REACH = 4 * _BLOCK + _WINDOWS
"""And more than two blocks of a spread, which are shorter than two thousand each."""

_Far = tuple[Places, FloatArray, FloatArray]
"""Which samples of a piece may be outliers, by how much they are off, and how much that may be."""


def with_outliers_flagged(record: Record, *, threshold: float) -> Record:
    """Return the record with outliers flagged as excluded, and a finding.

    Running median and median absolute deviation (Hampel identifier); 5 robust standard deviations reject
    about one of 1.7 million normal samples (the factor 5 is common practice). Not valid where more than a
    third of the neighbours are outliers; in a phase record not for more than three in a row, nor for a small
    one beside one five times larger.
    """
    if not threshold > 0:
        msg = f"outlier_threshold is {threshold}; it must be a positive number, such as 5"
        raise InputError(msg)
    series = usable(record, without_steps=True)
    looked_at = counted(len(series), "reading")
    if len(series) < FEWEST:
        sentence = f"{len(series)} samples are too few to look for outliers; {FEWEST} are needed."
        unchecked = note("OUTLIERS_UNCHECKED", sentence)
        return record.checked(NAME, f"{looked_at}, fewer than {FEWEST}", looked=False, findings=[unchecked])
    where, off_by = _outliers(record, series, threshold)
    if not len(where):
        sentence = f"No outlier was found beyond {threshold:g} robust standard deviations."
        finding = good("NO_OUTLIERS", sentence)
        return record.checked(NAME, looked_at, findings=[finding], done={"threshold": threshold, "found": 0})
    unit = " s" if record.kind == "phase" else ""
    together = runs(where)
    sizes = np.split(off_by, np.cumsum([len(run) for run in together])[:-1])
    farthest = [
        f"Off by up to {size[np.argmax(np.abs(size))]:.3g}{unit} from its neighbours." for size in sizes
    ]
    spans = ((run[0], run[-1] + 1, said) for run, said in zip(together, farthest, strict=True))
    worst = int(np.argmax(np.abs(off_by)))
    most = float(off_by[worst])
    sentence = (
        f"{len(where)} outlier{'s' * (len(where) > 1)} beyond {threshold:g} robust standard deviations "
        f"({100 * len(where) / len(record):.2g} % of the samples, the largest off by {most:.3g}{unit}) "
        "are flagged and left out of the analysis; they stay in the record."
    )
    return record.checked(
        NAME,
        looked_at,
        flags=flags_at("outlier", spans, excluded=True),
        findings=[note("OUTLIERS", sentence, count=len(where), largest=most)],
        where=f"largest {most:.3g}{unit}: {places_text(record, [int(where[worst])])}",
        advice="If they are more than a few in a thousand, compare with skip_checks=('outliers',) "
        "(--set skip_checks=outliers).",
        done={"threshold": threshold, "found": len(where)},
    )


def _outliers(record: Record, series: Series, threshold: float) -> tuple[Places, FloatArray]:
    """Return where the outliers are in the record, and by how much they are off."""
    step = step_of_display(record, series, repeating=_REPEATING)
    of_phase = record.kind == "phase"
    if record.epochs_ns is not None and of_phase:
        # a drift bends the lines between readings more, the farther apart they are
        some = list(series.some())
        at = record.epochs_ns[np.concatenate([piece.where for piece in some])] / 1e9
        drift = np.polynomial.Polynomial.fit(at, np.concatenate([piece.samples for piece in some]), 3)
        series = usable(record, without_steps=True, less=drift)
    low, high = series.extremes()
    rounding = 8 * np.spacing(max(abs(low), abs(high)))
    ends = [span for span in PHASE_SPANS if len(series) > 4 * span + 2] if of_phase else [0, 0]
    residuals_of = partial(_between_neighbours, record, ends) if of_phase else _from_median_and_side
    usual = _usual_sizes(series, residuals_of, ends, step)
    wider = _less_known(record, series)
    found, off_by = [], []
    for piece in series.pieces(_REACH):
        residuals = residuals_of(piece)
        sigmas = usual(piece, residuals)
        unit = threshold * wider(piece)
        far = (
            _from_three_lines(len(series), ends, piece, residuals, sigmas, unit)
            if of_phase
            else [_from_median_or_side(residuals, sigmas, unit)]
        )
        largest = np.zeros(len(piece.samples))
        for at, distance, limit in far:
            size = np.abs(distance)
            more = size > np.maximum(np.maximum(limit, rounding), np.abs(largest[at]))
            largest[at[more]] = distance[more]
        if of_phase and largest.any():
            size = np.abs(largest)
            reach = 2 * 2 * max(PHASE_SPANS) + 1  # lines through a much larger outlier judged its neighbours
            largest[size * _SHADOW < ndimage.maximum_filter1d(size, reach, mode="constant")] = 0.0
        bad = np.flatnonzero(largest[piece.own])
        found.append(piece.where[piece.own][bad])
        off_by.append(largest[piece.own][bad])
    return np.concatenate(found), np.concatenate(off_by)


def _less_known(record: Record, series: Series) -> Callable[[Piece], FloatArray | float]:
    """Return by how much a distance may be larger than usual where readings lie far apart or are short.

    The noise of a mean frequency falls at most with its span (white PM); that of a phase beside a line
    through its neighbours grows at most with the power 3/2 of the time between them (random-walk FM).
    """
    epochs_ns = record.epochs_ns
    if epochs_ns is None:
        return lambda _: 1.0
    if record.spans_s is not None:
        spans = record.spans_s
        usual_s = float(np.median(series.usual(lambda piece: spans[piece.where])))
        return lambda piece: np.maximum(usual_s / spans[piece.where], 1.0)

    def around(piece: Piece) -> FloatArray:
        steps = np.pad(np.diff(epochs_ns[piece.where] / 1e9), (1, 0), mode="edge")
        return np.asarray(ndimage.maximum_filter1d(steps, 2 * max(PHASE_SPANS), origin=-1, mode="nearest"))

    usual_s = float(np.median(series.usual(around, _WINDOWS)))
    return lambda piece: np.maximum(around(piece) / usual_s, 1.0) ** 1.5


def _from_median_and_side(piece: Piece) -> list[FloatArray]:
    """Return distances from the running median, and from the median of the seven before or after if less."""
    reach = _SIDE // 2 + 1
    medians = np.pad(running_median(piece.samples, _SIDE), reach, mode="edge")
    before, after = piece.samples - medians[: -2 * reach], piece.samples - medians[2 * reach :]
    nearer = np.where(np.abs(before) < np.abs(after), before, after)
    return [piece.samples - running_median(piece.samples, FREQUENCY_WIDTH), nearer]


def _from_median_or_side(
    residuals: list[FloatArray], sigmas: list[FloatArray], unit: FloatArray | float
) -> _Far:
    """Return the distance from the running median, or from the nearer side where that says less."""
    limit = unit * sigmas[0]
    at = np.flatnonzero(np.abs(residuals[0]) > limit)
    (residual, nearer), (sigma, sigma_nearer) = ([kind[at] for kind in both] for both in (residuals, sigmas))
    with np.errstate(divide="ignore", invalid="ignore"):
        nearer *= np.where(sigma_nearer > sigma, sigma / sigma_nearer, 1.0)
    return at, np.where(np.abs(nearer) < np.abs(residual), nearer, residual), limit[at]


def _between_neighbours(record: Record, spans: Sequence[int], piece: Piece) -> list[FloatArray]:
    """Return distances of time errors from the line between two neighbours, NaN where one of them is missing.

    ``span`` is how far those are, so that ``span`` outliers in a row are seen; the usual slope is off.
    """
    elapsed = np.diff(piece.where if record.epochs_ns is None else record.epochs_ns[piece.where] / 1e9)
    gained = np.diff(piece.samples)
    gained -= running_median(gained / elapsed, _SLOPE_WIDTH) * elapsed
    residuals = []
    over = gained  # how much is gained over a span
    for span in spans:
        between = np.full(len(piece.samples), np.nan)
        between[span:-span] = -0.5 * (over[span:] - over[:-span])
        residuals.append(between)
        over = over[:-1] + gained[span:]
    return residuals


def _from_three_lines(
    count: int,
    spans: Sequence[int],
    piece: Piece,
    residuals: list[FloatArray],
    sigmas: list[FloatArray],
    unit: FloatArray | float,
) -> Iterator[_Far]:
    """Yield for each span the least distance of time errors from three straight lines.

    An outlier is off the line through two samples before, that through two after and that between both, all
    on the same side; a sample at a step or a bend is on one of them. The measure is the spread around the
    last, at the ends of the record around the one line left, which misses by twice as much.
    """
    n = len(piece.samples)
    for span, between, sigma in zip(spans, residuals, sigmas, strict=True):
        limit = unit * sigma
        at = np.flatnonzero(np.abs(between) > limit)
        if span == 1:
            ends = np.array([0, n - 1])[[piece.first == 0, piece.first + n == count]]
            limit[ends] *= 2
            at = np.union1d(at, ends)
        else:  # too few lines at the ends to tell an outlier from its neighbours
            at = at[(at + piece.first >= 2 * span) & (at + piece.first < count - 2 * span)]
        before = np.where(at >= span, -2 * between[at - span], np.nan)
        after = np.where(at < n - span, -2 * between[np.minimum(at + span, n - 1)], np.nan)
        low, high = (f(f(before, after), between[at]) for f in (np.fmin, np.fmax))
        yield at, np.where(low > 0, low, np.where(high < 0, high, 0.0)), limit[at]


def _usual_sizes(
    series: Series,
    residuals_of: Callable[[Piece], list[FloatArray]],
    ends: Sequence[int],
    step: float | None,
) -> Callable[[Piece, list[FloatArray]], list[FloatArray]]:
    """Return what tells how far off the samples of a piece usually are, from blocks of about a thousand.

    Where the farthest twentieth lies farther out than that of a normal distribution (the comb of a
    time-interval counter does), the spread is raised accordingly, at most threefold. So many samples as
    ``ends`` tells have no residual of a kind at either end of the record. Readings are spread evenly over a
    ``step`` of the display (a fixed low-discrepancy sequence), because the median absolute deviation of
    coarse readings jumps between multiples of it.
    """

    def sizes(piece: Piece, residual: FloatArray, end: int) -> FloatArray:
        if step:
            place = np.arange(piece.first - end, piece.first - end + len(residual))
            residual = residual + (np.mod(place * _GOLDEN, 1.0) - 0.5) * step  # -1/2 to 1/2, evenly
        return np.abs(residual)

    some: list[list[FloatArray]] = [[] for _ in ends]
    for piece in series.some(_WINDOWS):
        for parts, residual, end in zip(some, residuals_of(piece), ends, strict=True):
            parts.append(sizes(piece, residual, end)[piece.own])
    told = []
    for parts, end in zip(some, ends, strict=True):
        size = np.concatenate(parts)
        size = size[~np.isnan(size)]
        middle = float(np.median(size))
        tails = tail_spread(size * np.where(np.arange(len(size)) % 2, 1.0, -1.0), _TAIL_SHARE)
        heaviness = min(tails / (MAD_TO_SIGMA * middle), _HEAVIEST) if middle > 0 else 1.0
        n = len(series) - 2 * end
        edges = end + np.linspace(0, n, max(1, n // _BLOCK) + 1).astype(int)
        told.append((end, edges, MAD_TO_SIGMA * heaviness, _QUIETEST * middle))

    def usual(piece: Piece, residuals: list[FloatArray]) -> list[FloatArray]:
        sigmas = []
        for residual, (end, edges, unit, quietest) in zip(residuals, told, strict=True):
            size, n = sizes(piece, residual, end), len(residual)
            inside = edges[(edges >= piece.first) & (edges <= piece.first + n)] - piece.first
            scale = np.array([_median(size[a:b]) for a, b in pairwise(inside)])
            if len(edges) > 3:
                scale = ndimage.median_filter(scale, size=3, mode="nearest")
            lengths = np.diff([0, *inside[1:-1], n])
            sigmas.append(np.repeat(unit * np.maximum(scale, quietest), lengths))
        return sigmas

    return usual


def _median(values: FloatArray) -> float:
    """Return the median of a few values; numpy's takes three times as long for a thousand."""
    low, high = (len(values) - 1) // 2, len(values) // 2
    parted = np.partition(values, (low, high))
    return 0.5 * float(parted[low] + parted[high])
