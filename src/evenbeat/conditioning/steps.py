"""Steps of frequency and phase, judged against how much the record changes elsewhere.

Steps of frequency come from a likelihood-ratio scan (:mod:`evenbeat.conditioning.step_scan`), which accuses
one clean record in a hundred. It sees the record in blocks. For what is sharper than a block, and for steps
of phase, windows of many lengths on both sides of each moment (their means, or straight lines through them)
are compared with the spread of the same difference over the whole record.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import special

from evenbeat.conditioning.shared import (
    Places,
    Series,
    in_blocks,
    moment_text,
    places_text,
    running_median,
    spread,
    stretches,
    tail_spread,
    take_out,
    usable,
)
from evenbeat.conditioning.step_scan import MOST_BLOCKS, USUALLY_ABOVE, step_scan
from evenbeat.findings import Finding, caution, good, note
from evenbeat.quantities import FloatArray, number_text
from evenbeat.record import Flag, Record
from evenbeat.units import counted, time_text

NAME = "steps"
FALSE_ALARM = 0.002
"""Probability that windows call a step in a record that has none, for normal noise; the scan has 1 %."""

MOST_STEPS = 10
FEWEST = 64
_SHORTEST = 8
_CLEAR = 8.0
_HOPS = 8
_WIDEST_PHASE = 64
_FREEDOM_PER_WINDOW = 0.37  # what a median absolute deviation is worth beside a standard deviation
_SHARP = 0.8
_SMALL_GAP = 2
_MOST_REFUSED = 20
_LASTING = 0.5
_NEAR_WHOLE = 0.1
_SURE = 3.0
_SAME_PLACE = 2
_SLOPE_WIDTH = 31
_TAILS = 0.05
_FINE = 512
_PART = 1 << 16  # samples that are summed at once
_ROOM = 6  # the differences around three steps may be large without raising the spread


class _Row:
    """Samples in a row that a step is looked for in, any stretch at a time.

    Parameters
    ----------
    between
        Whether it is about the frequencies between the samples. Each counts as its earlier sample.
    """

    def __init__(self, record: Record, readings: Series, *, between: bool) -> None:
        filled = record.kind == "phase" and record.epochs_ns is None and not between
        self.record, self._readings, self._between = record, readings, between
        self._series = series = _filled(readings) if filled else readings
        self.quantum = (record.resolution or 0.0) if record.kind == "frequency" else 0.0
        self.hidden = 0.0
        if record.kind == "phase" and record.resolution is not None and record.epochs_ns is None:
            self.hidden = record.resolution / (record.interval_s if between else 1.0)
        self._first = int(series.take(0, 1)[1][0])
        self._missed: Places | None = None
        if record.epochs_ns is not None:  # what lies farther apart than usual counts as missing
            steps_s = np.diff(record.epochs_ns[series.take(0, len(series))[1]]) / 1e9
            lost = np.maximum(np.rint(steps_s / record.spacing_s).astype(np.intp) - 1, 0)
            self._missed = np.cumsum(lost if between else np.append(0, lost))

    def __len__(self) -> int:
        return len(self._series) - self._between

    def take(self, first: int, last: int) -> tuple[FloatArray, Places, Places]:
        """Return samples, their positions in the record, and how many are missing up to each of them."""
        samples, where = self._series.take(first, last + self._between)
        if self._missed is None:
            missed = where[self._between :] - np.arange(first, last) - self._between - self._first
        else:
            missed = self._missed[first:last]
        if self._between:
            epochs_ns = self.record.epochs_ns
            steps_s = np.diff(where if epochs_ns is None else epochs_ns[where])
            steps_s = steps_s * (self.record.interval_s if epochs_ns is None else 1e-9)
            samples, where = np.diff(samples) / steps_s, where[:-1]
        return samples, where, missed

    def total(self, first: int, last: int) -> float:
        """Return the sum of samples."""
        starts = range(first, last, _PART)
        return sum(float(self.take(begin, min(begin + _PART, last))[0].sum()) for begin in starts)

    def measured(self, where: Places) -> npt.NDArray[np.bool_]:
        """Return whether the samples at these positions of the record were read, not drawn."""
        return ~np.isnan(self._readings.rows(int(where[0]), int(where[-1]) + 1)[where - where[0]])

    @property
    def by_display(self) -> float:
        """What a sum of samples may gain where a quiet display of time errors moves on by one step."""
        return 1.5 * self.hidden if self.noise < 0.5 * self.hidden else 0.0

    @cached_property
    def noise(self) -> float:
        """Scatter of one sample beside the next, whatever the steps."""
        changes = [np.diff(self.take(*stretch)[0]) for stretch in stretches(len(self))]
        return spread(np.concatenate(changes)) / math.sqrt(2)


@dataclass(frozen=True, kw_only=True)
class _Step:
    """A step into sample ``index`` of a series, found with windows of ``width`` samples.

    Parameters
    ----------
    usual
        The same difference where nothing steps: what drift adds.
    ratio
        Size in units of the threshold at that width.
    smallest
        Size of a step that would have been found there with a probability of 90 %.
    """

    cause: str
    index: int
    size: float
    sigma: float
    width: int
    usual: float
    ratio: float
    smallest: float


def with_steps_flagged(record: Record) -> Record:
    """Return the record with its steps flagged, their sizes estimated, and a finding for each.

    Notes
    -----
    Likelihood ratio under the fitted noise. Within its blocks: difference of adjacent window means over
    doubling window lengths, of phase the offset of straight lines; spread by median absolute deviation;
    threshold from Student's distribution with the worth of that deviation as degrees of freedom, divided by
    the number of comparisons (Bonferroni). Not valid for steps closer together than the windows that show
    them, nor for a phase step in a gap.
    """
    readings = usable(record, without_steps=True)
    looked_at = counted(len(readings), "reading")
    if len(readings) < FEWEST:
        sentence = f"Fewer than {FEWEST} samples are too few to tell steps from wander."
        unchecked = note("STEPS_UNCHECKED", sentence)
        too_few = f"{looked_at}, fewer than {FEWEST}"
        return record.checked(NAME, too_few, looked=False, findings=[unchecked])
    found, smallest = _steps(record, readings)
    flags = sorted(found, key=lambda flag: flag.start)
    if len(flags) >= MOST_STEPS:
        sentence = (
            f"The record changes abruptly {MOST_STEPS} times or more, so that steps cannot be told from its "
            "wander; none is flagged."
        )
        unclear = caution("STEPS_UNCLEAR", sentence)
        return record.checked(
            NAME,
            looked_at,
            findings=[unclear],
            found=len(flags),
            advice="Look at the figure of the record, and cut it into parts.",
        )
    if not flags:
        finding = _no_steps(smallest)
        return record.checked(NAME, looked_at, findings=[finding], done={"found": 0})
    return record.checked(
        NAME,
        looked_at,
        flags=flags,
        findings=[_finding(record, flag) for flag in flags],
        found=len(flags),
        where=places_text(record, [flag.start for flag in flags]),
        advice="Ask what was done at that moment; skip_checks=('steps',) (--set skip_checks=steps) keeps it "
        "as noise.",
        done={"found": len(flags)},
    )


def _no_steps(smallest: Mapping[str, float]) -> Finding:
    """Say that no step stands out, and which would have."""
    frequency, phase = smallest["frequency_step"], smallest.get("phase_step")
    seen = [f"one of frequency by {frequency:.2g} within its noise"]
    seen += [] if phase is None else [f"one of phase by {time_text(phase)}"]
    sentence = (
        f"No step of frequency or phase stands out from the noise of the record; {' or '.join(seen)} would "
        "have been found nine times in ten."
    )
    values = {f"smallest_{cause}": size for cause, size in smallest.items()}
    return good("NO_STEPS", sentence, **values)


def _steps(record: Record, found_before: Series) -> tuple[list[Flag], dict[str, float]]:
    """Return the steps, the clearest first, and the smallest that would be found of either kind.

    Each is taken out before the next is sought. What is left of one that was found before is added to it:
    there is one flag at one place.
    """
    smallest: dict[str, float] = {}
    taken: list[tuple[str, float, int]] = []
    level = found_before.level()

    def rows(begin: int, end: int) -> FloatArray:
        values = found_before.rows(begin, end) - level
        for step in taken:
            take_out(record, values, begin, *step)
        return values

    readings = Series(rows, len(record), record.values)
    rounding = np.finfo(float).eps * sum(float(np.nansum(np.abs(part))) for part in readings.all_rows())
    of_phase, even = record.kind == "phase", record.epochs_ns is None
    flags: list[Flag] = _uneven_phase_steps(record, readings) if of_phase and not even else []
    taken += [(flag.cause, flag.size or 0.0, flag.start) for flag in flags]
    row = _Row(record, readings, between=of_phase)
    phase = _Row(record, readings, between=False) if of_phase and even else None
    refused: list[tuple[str, int, int]] = []
    while len(flags) < MOST_STEPS and len(refused) < MOST_STEPS + _MOST_REFUSED:
        found = [_of_frequency(row, refused), *_candidates(row, "frequency_step", refused, rounding)]
        if phase is not None:
            found += _candidates(phase, "phase_step", refused, rounding)
        smallest = {step.cause: math.inf for step in found}
        for step in found:
            smallest[step.cause] = min(smallest[step.cause], step.smallest)
        if phase is not None:
            smallest["phase_step"] = max(smallest.get("phase_step", math.inf), phase.by_display)
        best = max(found, key=lambda step: step.ratio)
        if best.ratio <= 1:
            break
        source = phase if best.cause == "phase_step" and phase is not None else row
        jump, best = abs(best.size), _refined(source, best)
        faded = abs(best.size) < _LASTING * jump
        if faded or not _is_lasting(source, best) or not _is_sharp(source, best):
            refused.append((best.cause, best.index - best.width, best.index + best.width))
            continue
        at = min(best.index, len(source) - 1)
        start = int(source.take(at, at + 1)[1][0])
        same = [flag for flag in flags if flag.cause == best.cause and abs(flag.start - start) <= _SAME_PLACE]
        start = same[0].start if same else start
        taken.append((best.cause, best.size, start))
        size = best.size + sum(flag.size or 0.0 for flag in same)
        flags = [*(flag for flag in flags if flag not in same), _flag(best.cause, start, size, best.sigma)]
        refused.append((best.cause, best.index - _SAME_PLACE, best.index + _SAME_PLACE))
    return flags, smallest


def _filled(readings: Series) -> Series:
    """Return time errors of which one or two missing in a row are drawn straight, for the search alone."""
    beyond = _SMALL_GAP + 1

    def rows(begin: int, end: int) -> FloatArray:
        first = max(0, begin - beyond)
        values = readings.rows(first, min(end + beyond, readings.length))
        missing = np.isnan(values)
        if missing.any() and not missing.all():
            there = np.flatnonzero(~missing)
            after = np.minimum(np.searchsorted(there, np.flatnonzero(missing)), len(there) - 1)
            short = np.diff(there, prepend=there[0] - beyond - 1)[after] <= beyond
            places = np.flatnonzero(missing)[short & (np.flatnonzero(missing) < there[-1])]
            values[places] = np.interp(places, there, values[there])
        return values[begin - first : end - first]

    return Series(rows, readings.length, np.empty(0))


def _uneven_phase_steps(record: Record, readings: Series) -> list[Flag]:
    """Return steps of phase between epochs that follow no grid.

    Notes
    -----
    What a time error gains beyond the running median of its slope is compared with how much that is
    elsewhere: with the spread of the gains themselves (white PM), in units of the root of the time between
    the readings (white FM), or of that time (wander), whichever allows most. A gain that is taken back by
    the next is no step.
    """
    samples, where = readings.take(0, len(readings))
    steps = np.diff(record.elapsed_s[where])
    slopes = np.diff(samples) / steps
    gains = (slopes - running_median(slopes, _SLOPE_WIDTH)) * steps
    sigma = np.full(len(gains), tail_spread(gains, _TAILS))
    for power in (np.sqrt(steps), steps):
        sigma = np.maximum(sigma, tail_spread(gains / power, _TAILS) * power)
    sigma = np.maximum(sigma, 8 * np.spacing(np.abs(samples).max()))
    clear = np.abs(gains) > sigma * _threshold(len(gains), len(gains))
    beside = np.pad(gains, 1)
    taken_back = np.minimum(beside[:-2] * gains, beside[2:] * gains) < -0.25 * gains**2
    return [
        _flag("phase_step", int(where[index + 1]), float(gains[index]), float(sigma[index]))
        for index in np.flatnonzero(clear & ~taken_back)[:MOST_STEPS]
    ]


def _of_frequency(row: _Row, refused: list[tuple[str, int, int]]) -> _Step:
    """Return the step of frequency that is likeliest."""
    n = len(row)
    scan = step_scan(row.take, n, of_phase=row.record.kind == "phase")
    ratio = scan.ratio.copy()
    for name, first, last in refused:
        ratio[(scan.start >= first) & (scan.start <= last) & (name == "frequency_step")] = 0.0
    top = int(np.argmax(ratio))
    index, size = int(scan.start[top]), float(scan.size[top])
    # as many samples on either side as show it eight times over their scatter, and two blocks at least
    scatter = max(row.noise, row.quantum / math.sqrt(12))
    blocks = 2 * -(-n // MOST_BLOCKS)
    wanted = 2 * (_CLEAR * scatter / size) ** 2 if size else 0.0
    width = int(min(max(_SHORTEST, blocks, wanted), max(_SHORTEST, min(index, n - index) // 2)))
    return _Step(
        cause="frequency_step",
        index=index,
        size=size,
        sigma=float(scan.sigma[top]),
        width=width,
        usual=0.0,
        ratio=float(ratio[top]),
        smallest=scan.smallest,
    )


def _windows(sums: FloatArray, width: int, hop: int, widest: int) -> Iterator[tuple[int, int, FloatArray]]:
    """Yield sums over windows of ``width`` samples that begin every ``hop``, and of doubled widths."""
    while width <= widest and len(sums):
        yield width, hop, sums
        apart, thinned = width // hop, 2 if width >= _HOPS else 1
        sums = sums[: max(0, len(sums) - apart) : thinned] + sums[apart::thinned]
        width, hop = 2 * width, thinned * hop


def _differences(sums: FloatArray, apart: int, width: int, cause: str) -> FloatArray:
    """Return what windows before and after a moment differ by, from sums of which every ``apart``-th follows.

    Of frequency it is mean after minus mean before. Of phase it is the offset between straight lines: a ramp,
    a bend and a parabola give zero.
    """
    if cause == "frequency_step":
        return (sums[apart:] - sums[:-apart]) / width
    before, just_before, just_after, after = (
        sums[k * apart : max(0, len(sums) - (3 - k) * apart)] for k in range(4)
    )
    return (3 * (just_after - just_before) - (after - before)) / (2 * width)


@dataclass(eq=False, kw_only=True)
class _Search:
    """The largest difference between windows of one width.

    Parameters
    ----------
    usual, sigma
        Median and spread of the differences.
    """

    cause: str
    width: int
    refused: Sequence[tuple[int, int]]
    usual: float
    sigma: float
    largest: float = -1.0
    index: int = 0
    excess: float = 0.0
    widening: float = 1.0

    def look(self, values: FloatArray, lost: Places, first: int, hop: int) -> None:
        """Look through differences at every ``hop``-th place, ``lost`` samples missing in each."""
        widening: FloatArray | None = None
        excess = values - self.usual
        if len(lost) and lost.max() > 0:
            excess = values - self.usual * (1 + lost / self.width)
            # wander across a gap: as much as a random walk gains in the time, the steepest of the noises
            widening = np.sqrt(1 + 1.5 * lost / self.width)
            if self.cause == "phase_step":  # the phase across a gap is not known
                widening = np.where(lost > 0, np.inf, 1.0)
        size = np.abs(excess) if widening is None else np.abs(excess) / widening
        for begin, end in self.refused:
            size[max(0, -((first - begin) // hop)) : max(0, (end - first) // hop + 1)] = 0.0
        if len(size) and size[top := int(np.argmax(size))] > self.largest:
            self.largest, self.index, self.excess = float(size[top]), first + top * hop, float(excess[top])
            self.widening = 1.0 if widening is None else float(min(widening[top], 1e6))

    def found(self, n: int, comparisons: int) -> _Step:
        """Return the step that it may be, in a series of ``n`` samples."""
        limit = _threshold(n / self.width, comparisons)
        return _Step(
            cause=self.cause,
            index=self.index,
            size=self.excess,
            sigma=self.sigma * self.widening,
            width=self.width,
            usual=self.usual,
            ratio=self.largest / (self.sigma * limit),
            smallest=(limit + USUALLY_ABOVE) * self.sigma,
        )


def _candidates(
    row: _Row, cause: str, refused: list[tuple[str, int, int]], rounding: float
) -> Iterator[_Step]:
    """Yield the largest difference at each window length; ``rounding`` is the error of a sum of samples.

    Widths up to :data:`_FINE` are looked through piece by piece; wider windows are made of sums over those,
    of which there are few.
    """
    n = len(row)
    of_frequency = cause == "frequency_step"
    reach, shortest = (1, _SHORTEST) if of_frequency else (2, 1)
    widest = n // MOST_BLOCKS if of_frequency else min(n // 64, _WIDEST_PHASE)
    widths = [shortest << k for k in range(64) if shortest << k <= widest]
    if not widths:
        return
    fine = min(widths[-1], _FINE)
    not_again = [(first, last) for name, first, last in refused if name == cause]

    def search(width: int, values: FloatArray) -> _Search:
        sigma = tail_spread(values, _ROOM * reach * width / n)
        sigma = max(sigma, row.quantum * math.sqrt(2 / (12 * width)), rounding / width)
        usual = float(np.median(values))
        return _Search(cause=cause, width=width, refused=not_again, usual=usual, sigma=sigma)

    some: dict[int, list[FloatArray]] = {}
    for stretch in stretches(n):
        for width, hop, sums in _windows(row.take(*stretch)[0], 1, 1, fine):
            if width >= shortest:
                some.setdefault(width, []).append(_differences(sums, width // hop, width, cause))
    searches = {width: search(width, np.concatenate(parts)) for width, parts in some.items()}
    wide: list[list[npt.NDArray[Any]]] = [[], [], []]
    for first, last in in_blocks(n):
        begin = max(0, first - reach * fine)
        samples, _, missed = row.take(begin, min(last + reach * fine, n))
        until = np.concatenate([missed[:1], missed])  # missing before the sample at a place
        for width, hop, sums in _windows(samples, 1, 1, fine):
            if width == fine < widths[-1]:
                own = slice((first - begin) // hop, -(-(last - begin) // hop))
                ends = slice(first - begin, last - begin + (last == n), hop)
                for kept, part in zip(wide, (sums[own], missed[ends], until[ends]), strict=True):
                    kept.append(part.copy())  # a view would keep the whole piece
            if width >= shortest:
                values = _differences(sums, width // hop, width, cause)
                lost = until[2 * reach * width :: hop][: len(values)] - missed[::hop][: len(values)]
                at = begin + reach * width
                low = max(0, -((at - first) // hop))
                high = len(values) if last == n else max(0, -((at - last) // hop))
                searches[width].look(values[low:high], lost[low:high], at + low * hop, hop)
    if wide[0]:
        hop = fine // _HOPS
        parts, missed, until = map(np.concatenate, wide)
        for width, apart, sums in _windows(parts, fine, hop, widths[-1]):
            if width > fine:
                values = _differences(sums, width // apart, width, cause)
                lost = until[2 * reach * width // hop :: apart // hop][: len(values)]
                lost = lost - missed[:: apart // hop][: len(values)]
                searches[width] = search(width, values)
                searches[width].look(values, lost, reach * width, apart)
    for width, tried in sorted(searches.items()):
        if tried.sigma > 0:
            hop = max(1, width // _HOPS)
            yield tried.found(n, ((n - 2 * reach * width) // hop + 1) * len(widths))


def _threshold(windows: float, comparisons: int) -> float:
    """Return how many sigmas the largest of all differences of a record without steps may reach."""
    freedom = max(_FREEDOM_PER_WINDOW * windows, 3.0)
    return float(-special.stdtrit(freedom, FALSE_ALARM / (2 * comparisons)))


def _adjacent_difference(sums: FloatArray, places: npt.NDArray[np.intp], width: int) -> FloatArray:
    """Return mean after minus mean before."""
    return (sums[places + width] - 2 * sums[places] + sums[places - width]) / width


def _offset_difference(sums: FloatArray, places: npt.NDArray[np.intp], width: int) -> FloatArray:
    """Return the offset between straight lines before and after; a ramp, a bend and a parabola give zero."""
    near = sums[places + width] - 2 * sums[places] + sums[places - width]
    after = sums[places + 2 * width] - sums[places + width]
    before = sums[places - width] - sums[places - 2 * width]
    return (3 * near - (after - before)) / (2 * width)


def _refined(row: _Row, step: _Step) -> _Step:
    """Return the step at the place that splits its two windows best (least squares), measured there."""
    first, last = max(0, step.index - step.width), min(len(row), step.index + step.width)
    n = last - first
    slope = 0.0
    if step.cause == "phase_step" and step.width > 1:
        part, half = row.take(first, last)[0], step.index - first
        slope = (part[half - 1] - part[0] + part[-1] - part[half]) / (2 * (step.width - 1))
    if n < 2 * _SHORTEST:
        return step
    mean = row.total(first, last) / n - slope * (n - 1) / 2
    most, place, total = -1.0, step.index, 0.0
    for begin in range(0, n, _PART):
        size = min(_PART, n - begin)
        part = row.take(first + begin, first + begin + size)[0]
        part = part - slope * np.arange(begin, begin + size) - mean
        sums = np.cumsum(np.concatenate([[total], part]))
        splits = np.arange(max(begin, n // 4), min(begin + size, n - n // 4 + 1))
        gain = sums[splits - begin] ** 2 / (splits * (n - splits))
        if len(gain) and gain.max() > most:
            most, place = float(gain.max()), first + int(splits[np.argmax(gain)])
        total = float(sums[-1])
    step = replace(step, index=place)
    return replace(step, size=_size(row, step))


def _size(row: _Row, step: _Step) -> float:
    """Return the size of a step at its place: of frequency between means, of phase between parallel lines."""
    reach = step.width if step.cause == "frequency_step" else 2 * step.width
    reach = min(reach, step.index, len(row) - step.index)
    if not reach:
        return step.size
    first, last = step.index - reach, step.index + reach
    if step.cause == "phase_step":
        samples, where, _ = row.take(first, last)
        measured = row.measured(where)
        after = np.arange(first, last)[measured] >= step.index
        if after.all() or not after.any():
            return step.size
        columns = np.column_stack([np.ones(len(after)), np.arange(-reach, reach)[measured], after])
        return float(np.linalg.lstsq(columns, samples[measured], rcond=None)[0][2])
    missed = row.take(last - 1, last)[2][0] - row.take(first, first + 1)[2][0]
    drift = step.usual / step.width * (reach + missed)
    return (row.total(step.index, last) - row.total(first, step.index)) / reach - float(drift)


def _is_lasting(row: _Row, step: _Step) -> bool:
    """Return whether windows four times as long still see the step; a transient fades in them."""
    reach = 1 if step.cause == "frequency_step" else 2
    width = min(max(4 * step.width, 16), min(step.index, len(row) - step.index) // reach)
    if width < 2 * step.width:  # too near an end to see what it was before or became
        return False
    starts = range(step.index - reach * width, step.index + reach * width, width)
    sums = [row.total(at, at + width) for at in starts]
    wide = float(_differences(np.array(sums), 1, width, step.cause)[0])
    return wide * np.sign(step.size) >= _LASTING * abs(step.size)


def _is_sharp(row: _Row, step: _Step) -> bool:
    """Return whether the two windows look like a step rather than like a slope (sixteen block means)."""
    if abs(step.size) * (1 if step.cause == "phase_step" else step.width) < row.by_display:
        return False
    if step.cause == "phase_step":  # an offset of straight lines: a slow change gives none
        return True
    if row.noise < 0.5 * row.quantum and abs(step.size) < 1.5 * row.quantum:
        return False  # a quiet display that moves on by one step
    block = min(step.width, step.index, len(row) - step.index) // 8
    if block < 1:
        return False
    starts = range(step.index - 8 * block, step.index + 8 * block, block)
    means = np.array([row.total(at, at + block) / block for at in starts])
    stepped = means - np.repeat([means[:8].mean(), means[8:].mean()], 8)
    place = np.arange(16) - 7.5
    sloped = means - means.mean() - place * float(place @ means) / float(place @ place)
    return bool(stepped @ stepped < _SHARP * (sloped @ sloped))


def _flag(cause: str, start: int, size: float, sigma: float) -> Flag:
    what, unit = ("frequency", "") if cause == "frequency_step" else ("phase", " s")
    sentence = f"A {what} step of {number_text(size, sigma)}{unit} stands out from the noise."
    return Flag(
        cause=cause, start=start, stop=start, excluded=False, sentence=sentence, size=size, uncertainty=sigma
    )


def _finding(record: Record, flag: Flag) -> Finding:
    when = f"{moment_text(record, flag.start)}{_likely(record, flag)}"
    sentence = f"{flag.sentence} It happened at {when}; no sample is left out."
    return caution(
        flag.cause.upper(),
        sentence,
        first=flag.start,
        size=float(flag.size or 0.0),
        elapsed_s=record.time_of(flag.start),
    )


def _likely(record: Record, flag: Flag) -> str:
    """Return what a step is likely to be: whole periods of the signal, or retrace after a power cut."""
    nominal = record.nominal_frequency_hz
    if flag.cause == "phase_step" and nominal is not None:
        turns = round((flag.size or 0.0) * nominal)
        off = abs((flag.size or 0.0) * nominal - turns)
        if turns and off < min(_NEAR_WHOLE, _SURE * (flag.uncertainty or 0.0) * nominal):
            number = f"{turns:+d} period{'s' * (abs(turns) != 1)} of the nominal frequency"
            return (
                f" and is {number}, as a cycle slip is (wrap_period_s={1 / nominal:.6g} puts whole periods "
                f"of {time_text(1 / nominal)} back)"
            )
    settling = [other for other in record.flags if other.cause == "warm_up"]
    if any(other.start > 0 and other.start <= flag.start <= other.stop + 1 for other in settling):
        return ", where the oscillator had been off: it came back to another frequency (retrace)"
    return ""
