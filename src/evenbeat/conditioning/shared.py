"""What the checks share: the samples of a record piece by piece, their level and spread, and places in words.

No check holds the samples a second time. What happens somewhere is looked for piece by piece, each with what
the windows of the check reach over on either side, so that the length of the pieces changes nothing. How a
record usually behaves is told by at most a million of its samples, in stretches spread over it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage, special

from evenbeat.intake import let_go, mapping_of
from evenbeat.logs.display import MOST_DISTINCT, display_step
from evenbeat.quantities import FloatArray
from evenbeat.record import Flag, Record
from evenbeat.units import duration_text

BLOCK = 1 << 18
"""Samples looked at together."""
FEW = 1 << 20
"""A record of no more samples tells by all of them how it usually behaves, a longer one by as many."""
STRETCH = 1 << 12
MAD_TO_SIGMA = 1.4826
"""Standard deviation of a normal distribution in units of its median absolute deviation."""
MOST_NAMED = 3
MOST_FLAGS = 1000
ALIGNED = 64
"""Pieces and stretches begin at multiples of it."""
_ROWS = 1 << 13
_GOLDEN = 0.6180339887498949

Places = npt.NDArray[np.intp]


@dataclass(frozen=True, eq=False, kw_only=True)
class Piece:
    """Samples in a row."""

    samples: FloatArray
    where: Places  # positions in the record
    first: int  # which of the series is the first of them
    own: slice  # those that are asked for; the others are there for windows to reach over


class Series:
    """The samples of a record that are present and of use, or what lies between them, any stretch at a time.

    ``rows`` returns those of the record from one to another of ``length``, NaN where one is missing, as an
    array that may be changed.
    """

    def __init__(self, rows: Callable[[int, int], FloatArray], length: int, stored: FloatArray) -> None:
        self.rows, self.length, self._mapping = rows, length, mapping_of(stored)
        counts = [np.count_nonzero(~np.isnan(part)) for part in self.all_rows()]
        self._before = np.concatenate([[0], np.cumsum(counts, dtype=np.intp)])

    def __len__(self) -> int:
        return int(self._before[-1])

    def all_rows(self) -> Iterator[FloatArray]:
        """Yield all rows in order."""
        for begin in range(0, self.length, _ROWS):
            yield self.rows(begin, min(begin + _ROWS, self.length))
            let_go(self._mapping)

    def take(self, first: int, last: int) -> tuple[FloatArray, Places]:
        """Return the samples from one to another that are present, and their positions in the record."""
        begin = int(np.searchsorted(self._before, first, side="right")) - 1
        end = int(np.searchsorted(self._before, last, side="left"))
        if last <= first:
            return np.empty(0), np.empty(0, dtype=np.intp)
        rows = self.rows(begin * _ROWS, min(end * _ROWS, self.length))
        let_go(self._mapping)
        there = slice(first - int(self._before[begin]), last - int(self._before[begin]))
        if self._before[end] - self._before[begin] == len(rows):  # none is missing
            return rows[there], np.arange(there.start, there.stop) + begin * _ROWS
        where = np.flatnonzero(~np.isnan(rows))[there]
        return rows[where], where + begin * _ROWS

    def rank(self, row: int) -> int:
        """Return the first sample that is not before a row of the record."""
        chunk = min(row // _ROWS, len(self._before) - 1)
        rows = self.rows(chunk * _ROWS, min(row, self.length))
        return int(self._before[chunk]) + int(np.count_nonzero(~np.isnan(rows)))

    def piece(self, first: int, last: int, reach: int = 0) -> Piece:
        """Return the samples from one to another with as many as ``reach`` on either side."""
        begin, end = max(0, first - reach), min(len(self), last + reach)
        samples, where = self.take(begin, end)
        return Piece(samples=samples, where=where, first=begin, own=slice(first - begin, last - begin))

    def pieces(self, reach: int = 0) -> Iterator[Piece]:
        """Yield all samples, :data:`BLOCK` at a time."""
        for first, last in in_blocks(len(self)):
            yield self.piece(first, last, reach)

    def some(self, reach: int = 0) -> Iterator[Piece]:
        """Yield the stretches that tell how the record usually behaves: all of it, if it is not long."""
        for first, last in stretches(len(self)):
            yield self.piece(first, last, reach)

    def usual(self, made: Callable[[Piece], FloatArray], reach: int = 0) -> FloatArray:
        """Return what is made of those stretches, shape of at most :data:`FEW`."""
        return np.concatenate([made(piece)[piece.own] for piece in self.some(reach)])

    def level(self) -> float:
        """Return the median of the samples."""
        return float(np.median(self.usual(lambda piece: piece.samples)))

    def extremes(self) -> tuple[float, float]:
        """Return the smallest and the largest sample."""
        ends = [(piece.samples.min(), piece.samples.max()) for piece in self.pieces()]
        return float(min(low for low, _ in ends)), float(max(high for _, high in ends))


def in_blocks(stop: int, start: int = 0, length: int | None = None) -> Iterator[tuple[int, int]]:
    """Yield the first and last (exclusive) of blocks of samples, :data:`BLOCK` each unless said otherwise."""
    length = BLOCK if length is None else length
    for first in range(start, stop, length):
        yield first, min(first + length, stop)


def told_by_all(count: int) -> bool:
    """Return whether so many samples are few enough to tell all by themselves how they usually behave."""
    return count <= FEW


def stretches(count: int, most: int | None = None) -> Iterator[tuple[int, int]]:
    """Yield where the stretches begin and end that tell how a series usually behaves, ``most`` samples."""
    if told_by_all(count):
        yield 0, count
        return
    number = min(FEW, most or FEW) // STRETCH
    apart = count / number
    for k in range(number):  # at uneven distances, so that no period is missed
        first = int(k * apart + (k * _GOLDEN % 1) * (apart - STRETCH)) // ALIGNED * ALIGNED
        yield first, first + STRETCH


def usable(record: Record, *, without_steps: bool, less: Callable[..., FloatArray] | None = None) -> Series:
    """Return the samples an analysis should use; ``less`` tells of elapsed times what else to subtract."""

    def rows(begin: int, end: int) -> FloatArray:
        values = record.usable_rows(begin, end, without_steps=without_steps)
        if less is not None:
            values -= less(record.rows_elapsed_s(begin, end))
        return values

    return Series(rows, len(record), record.values)


def changes(series: Series) -> Series:
    """Return the changes from row to row; one is missing where either row is."""
    return Series(lambda a, b: np.diff(series.rows(a, b + 1)), series.length - 1, np.empty(0))


def missing_runs(rows: Iterator[FloatArray]) -> tuple[Places, Places]:
    """Return where runs of missing rows begin and where they end (exclusive)."""
    edges: list[Places] = []
    length, before = 0, False
    for part in rows:
        missing = np.isnan(part)
        edges.append(np.flatnonzero(np.diff(missing, prepend=before)) + length)
        length, before = length + len(part), bool(missing[-1])
    ends = np.concatenate([*edges, [length] * before]).astype(np.intp)
    return ends[::2], ends[1::2]


def distinct_readings(series: Series, most: int | None = None) -> FloatArray:
    """Return the distinct samples in order; no more are looked for when there are more than ``most``."""
    distinct = np.empty(0)
    for piece in series.pieces():
        distinct = np.union1d(distinct, piece.samples)
        if most is not None and len(distinct) > most:
            break
    return distinct


def step_of_display(record: Record, series: Series, *, repeating: float = 1.0) -> float | None:
    """Return the display step, stated or seen; ``None`` where more than a part of the readings differ."""
    if record.resolution is not None or not len(series):
        return record.resolution
    distinct = distinct_readings(series, MOST_DISTINCT)
    if len(distinct) > MOST_DISTINCT or (repeating < 1 and len(distinct) >= repeating * len(series)):
        return None
    return display_step(distinct, None)


def running_median(values: FloatArray, width: int) -> FloatArray:
    """Return the median of ``width`` neighbours (odd) around each sample; no sample may be missing."""
    width = min(width, len(values) - (len(values) + 1) % 2)
    return np.asarray(ndimage.median_filter(values, size=max(width, 1), mode="reflect"))


def spread(values: FloatArray) -> float:
    """Return the scaled median absolute deviation, an estimate of sigma that outliers do not move."""
    if not len(values):
        return 0.0
    return MAD_TO_SIGMA * float(np.median(np.abs(values - np.median(values))))


def scatter(record: Record, series: Series) -> float:
    """Return the scatter from one of its samples to the next, the slope of a phase record removed."""
    n = 2 if record.kind == "phase" else 1

    def changes_of(piece: Piece) -> FloatArray:
        samples = piece.samples
        if n == 1 or record.epochs_ns is None:
            return np.diff(samples, n=n)
        # twice the distance from the line between the neighbours
        steps = np.diff(record.epochs_ns[piece.where]).astype(float)
        before = steps[:-1] / (steps[:-1] + steps[1:])
        return np.asarray(2 * ((1 - before) * samples[:-2] + before * samples[2:] - samples[1:-1]))

    return scatter_of(np.concatenate([changes_of(piece) for piece in series.some()]), record.kind)


def scatter_of(changes: FloatArray, kind: str) -> float:
    """Return the scatter of one sample, from first differences of frequency or second ones of phase."""
    robust = spread(changes)
    return (robust if robust > 0 else float(np.std(changes))) / math.sqrt(6 if kind == "phase" else 2)


def tail_spread(values: FloatArray, share: float, middle: float | None = None) -> float:
    """Return an estimate of sigma that heavy tails raise but the ``share`` farthest values do not.

    The larger of :func:`spread` and the quantile that ``share`` of the values exceed, in units of what
    it is for a normal distribution.
    """
    if not len(values):
        return 0.0
    share = min(max(share, 1e-3), 0.5)
    centre = float(np.median(values)) if middle is None else middle
    usual, far = np.quantile(np.abs(values - centre), (0.5, 1 - share))
    return float(max(MAD_TO_SIGMA * usual, far / special.ndtri(1 - share / 2)))


def moment_text(record: Record, sample: int) -> str:
    """Return the UTC of a sample, or the time since the start where the record states none."""
    elapsed_s = record.time_of(sample)
    if record.start is None:
        return f"{duration_text(elapsed_s)} after the start"
    moment = record.start + np.timedelta64(round(elapsed_s), "s")
    return f"{np.datetime_as_string(moment, unit='s')} UTC"


def places_text(record: Record, samples: Sequence[int] | Places) -> str:
    """Return the first three places and how many more there are."""
    named = "; ".join(moment_text(record, int(sample)) for sample in samples[:MOST_NAMED])
    more = len(samples) - MOST_NAMED
    return f"{named}; {more} more" if more > 0 else named


def runs(samples: Places, apart: int = 1) -> list[Places]:
    """Return samples in order, those at most ``apart`` from each other together."""
    if not len(samples):
        return []
    return np.split(samples, np.flatnonzero(np.diff(samples) > apart) + 1)


def flags_at(
    cause: str, spans: Iterable[tuple[int, int, str]], *, excluded: bool = False
) -> tuple[Flag, ...]:
    """Return flags of one cause from where they start and stop, and what to say of each."""
    return tuple(
        Flag(cause=cause, start=int(start), stop=int(stop), excluded=excluded, sentence=sentence)
        for start, stop, sentence in spans
    )


def flagged_runs(samples: Places, *, cause: str, sentence: str, excluded: bool) -> tuple[Flag, ...]:
    """Return flags over samples in order, neighbours in one.

    Flags that exclude nothing are joined over short distances where there would be thousands of them.
    """
    found = runs(samples)
    apart = 1
    while not excluded and len(found) > MOST_FLAGS:
        apart *= 4
        found = runs(samples, apart)
    return flags_at(cause, ((run[0], run[-1] + 1, sentence) for run in found), excluded=excluded)
