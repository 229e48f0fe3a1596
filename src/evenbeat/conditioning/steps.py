"""Steps of frequency and phase, judged against how much the record changes elsewhere.

Steps of frequency come from a likelihood-ratio scan (:mod:`evenbeat.conditioning.step_scan`), which accuses
one clean record in a hundred. It sees the record in blocks. For what is sharper than a block, and for steps
of phase, windows of many lengths on both sides of each moment (their means, or straight lines through them)
are compared with the spread of the same difference over the whole record.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy import ndimage, special

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
_HOP = 64  # samples that wide windows are made of
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
_ENOUGH = 1 << 18  # differences that tell how much they scatter
_ROOM = 6  # the differences around three steps may be large without raising the spread


class _Row:
    """Samples in a row that a step is looked for in, any stretch at a time.

    ``between`` says whether they are the frequencies between the samples; each counts as its earlier sample.
    """

    def __init__(self, record: Record, readings: Series, *, between: bool) -> None:
        self.record, self._readings, self._between = record, readings, between
        even = record.epochs_ns is None
        self._series = _filled(readings) if record.kind == "phase" and even and not between else readings
        self.rank = self._series.rank
        self.quantum = (record.resolution or 0.0) if record.kind == "frequency" else 0.0
        self._places: Places | None = None
        if record.epochs_ns is not None:  # what lies farther apart than usual counts as missing
            steps_s = np.diff(record.epochs_ns[readings.take(0, len(readings))[1]]) / 1e9
            apart = np.maximum(np.rint(steps_s / record.spacing_s).astype(np.intp), 1)
            self._places = np.cumsum(apart if between else np.append(0, apart))
        changes = [np.diff(self.take(*stretch)[0]) for stretch in stretches(len(self))]
        self.noise = spread(np.concatenate(changes)) / math.sqrt(2)
        hidden = (record.resolution or 0.0) if record.kind == "phase" and even else 0.0
        hidden /= record.interval_s if between and even else 1.0
        # what a sum of samples may gain where a quiet display of time errors moves on by one step
        self.by_display = 1.5 * hidden if self.noise < 0.5 * hidden else 0.0

    def __len__(self) -> int:
        return len(self._series) - self._between

    def take(self, first: int, last: int) -> tuple[FloatArray, Places]:
        """Return samples and their places, which are one apart where none is missing."""
        samples, where = self._series.take(first, last + self._between)
        places = where[self._between :] if self._places is None else self._places[first:last]
        if self._between:
            steps_s: FloatArray | float = self.record.interval_s
            if self.record.epochs_ns is not None:
                steps_s = np.diff(self.record.epochs_ns[where]) * 1e-9
            elif len(where) and where[-1] - where[0] >= len(where):
                steps_s = np.diff(where) * steps_s
            samples = np.diff(samples) / steps_s
        return samples, places

    def sums(self, edges: Sequence[int] | range) -> FloatArray:
        """Return the sums of samples from each edge to the next."""
        return np.array(
            [sum(self.take(*part)[0].sum() for part in in_blocks(b, a, _PART)) for a, b in pairwise(edges)]
        )

    def row_of(self, index: int) -> int:
        """Return where in the record a sample is."""
        index = min(index, len(self) - 1)
        return int(self._series.take(index, index + 1)[1][0])

    def measured(self, first: int, last: int) -> npt.NDArray[np.bool_]:
        """Return which samples were read, not drawn."""
        where = self._series.take(first, last)[1]
        return ~np.isnan(self._readings.rows(int(where[0]), int(where[-1]) + 1)[where - where[0]])


class _Sums:
    """Sums over blocks of a row: those of the scan, and short ones that wide windows are made of."""

    def __init__(self, row: _Row) -> None:
        n = len(row)
        per = -(-n // MOST_BLOCKS)
        self.blocks = np.append(np.arange(0, n - per + 1, per), n)
        self.hops = np.arange(0, n + 1, _HOP)
        self._edges = np.union1d(self.blocks, self.hops)
        self._sums = np.zeros(len(self._edges) - 1)
        self._first, self._last = np.empty((2, len(self._sums)), dtype=np.intp)
        self.largest = 0.0
        for first, last in in_blocks(n, 0, _PART):
            samples, places = row.take(first, last)
            low, high = np.searchsorted(self._edges, (first + 1, last))
            self._sums[low - 1 : high] += np.add.reduceat(
                samples, np.maximum(self._edges[low - 1 : high] - first, 0)
            )
            inside = slice(*np.searchsorted(self._edges, (first, last)))
            self._first[inside] = places[self._edges[inside] - first]
            ended = slice(low - 1, np.searchsorted(self._edges, last, side="right") - 1)
            self._last[ended] = places[self._edges[ended.start + 1 : ended.stop + 1] - 1 - first]
            self.largest = max(self.largest, float(np.abs(samples).max()))

    def over(self, edges: Places) -> tuple[FloatArray, Places, Places]:
        """Return the sums between edges, and the places of the first and the last sample of each."""
        at = np.searchsorted(self._edges, edges)
        return np.add.reduceat(self._sums[: at[-1]], at[:-1]), self._first[at[:-1]], self._last[at[1:] - 1]


@dataclass(frozen=True, kw_only=True)
class _Step:
    """A step into sample ``index`` of a series, found with windows of ``width`` samples.

    ``usual`` is the same difference where nothing steps (what drift adds), ``ratio`` the size in units of the
    threshold at that width.
    """

    cause: str
    index: int
    size: float
    sigma: float
    width: int
    usual: float
    ratio: float


def with_steps_flagged(record: Record) -> Record:
    """Return the record with its steps flagged, their sizes estimated, and a finding for each.

    Likelihood ratio under the fitted noise. Within its blocks: difference of adjacent window means over
    doubling window lengths, of phase the offset of straight lines; spread by median absolute deviation;
    threshold from Student's distribution with the worth of that deviation as degrees of freedom, divided by
    the number of comparisons (Bonferroni). Not valid for steps closer together than the windows that show
    them, nor for a phase step in a gap.
    """
    readings = usable(record, without_steps=True)
    looked_at = counted(len(readings), "reading")
    if len(readings) < FEWEST:
        said = note("STEPS_UNCHECKED", f"Fewer than {FEWEST} samples are too few to tell steps from wander.")
        return record.checked(NAME, f"{looked_at}, fewer than {FEWEST}", looked=False, findings=[said])
    found, smallest = _steps(record, readings)
    flags = sorted(found, key=lambda flag: flag.start)
    if len(flags) >= MOST_STEPS:
        sentence = (
            f"The record changes abruptly {MOST_STEPS} times or more, so that steps cannot be told from its "
            "wander; none is flagged."
        )
        advice, unclear = (
            "Look at the figure of the record, and cut it into parts.",
            caution("STEPS_UNCLEAR", sentence),
        )
        return record.checked(NAME, looked_at, findings=[unclear], found=len(flags), advice=advice)
    if not flags:
        seen = [f"one of frequency by {smallest['frequency_step']:.2g} within its noise"]
        if "phase_step" in smallest:
            seen.append(f"one of phase by {time_text(smallest['phase_step'])}")
        sentence = (
            f"No step of frequency or phase stands out from the noise of the record; {' or '.join(seen)} "
            "would have been found nine times in ten."
        )
        none = good("NO_STEPS", sentence, **{f"smallest_{cause}": size for cause, size in smallest.items()})
        return record.checked(NAME, looked_at, findings=[none], done={"found": 0})
    return record.checked(
        NAME,
        looked_at,
        flags=flags,
        findings=[_finding(record, flag) for flag in flags],
        where=places_text(record, [flag.start for flag in flags]),
        advice="Ask what was done at that moment; skip_checks=('steps',) (--set skip_checks=steps) keeps it "
        "as noise.",
        done={"found": len(flags)},
    )


def _steps(record: Record, found_before: Series) -> tuple[list[Flag], dict[str, float]]:
    """Return the steps, the clearest first, and the smallest that would be found of either kind.

    Each is taken out before the next is sought. What is left of one that was found before is added to it:
    there is one flag at one place.
    """
    smallest: dict[str, float] = {}
    taken: list[tuple[str, float, int]] = []
    level = found_before.level()

    def rows(begin: int, end: int) -> FloatArray:
        values = found_before.rows(begin, end)
        values -= level
        for step in taken:
            record.take_out(values, begin, *step)
        return values

    readings = Series(rows, len(record), record.values)
    rounding = np.finfo(float).eps * sum(float(np.nansum(np.abs(part))) for part in readings.all_rows())
    of_phase, even = record.kind == "phase", record.epochs_ns is None
    flags: list[Flag] = _uneven_phase_steps(record, readings) if of_phase and not even else []
    taken += [(flag.cause, flag.size or 0.0, flag.start) for flag in flags]
    row = _Row(record, readings, between=of_phase)
    windows = [_Windows(row, "frequency_step", rounding)]
    if of_phase and even:
        windows.append(_Windows(_Row(record, readings, between=False), "phase_step", rounding))
    sums, refused = _Sums(row), list[tuple[str, int, int]]()
    while len(flags) < MOST_STEPS and len(refused) < MOST_STEPS + _MOST_REFUSED:
        best, least = _of_frequency(row, sums, refused)
        source, smallest = row, {best.cause: least}
        for one in windows:
            near = [part[1:] for part in refused if part[0] == one.cause]
            step, least = one.likeliest(near, best.ratio, sums)
            smallest[one.cause] = min(smallest.get(one.cause, math.inf), least)
            smallest[one.cause] = max(smallest[one.cause], one.row.by_display * (one.cause == "phase_step"))
            if step is not None and step.ratio > best.ratio:
                best, source = step, one.row
        if best.ratio <= 1:
            break
        jump, best = abs(best.size), _refined(source, best)
        faded = abs(best.size) < _LASTING * jump
        if faded or not _is_lasting(source, best) or not _is_sharp(source, best):
            refused.append((best.cause, best.index - best.width, best.index + best.width))
            continue
        start = source.row_of(best.index)
        same = [flag for flag in flags if flag.cause == best.cause and abs(flag.start - start) <= _SAME_PLACE]
        start = same[0].start if same else start
        taken.append((best.cause, best.size, start))
        sums = _Sums(row)
        for one in windows:
            one.forget(start)
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
        if missing.any():
            short = np.flatnonzero(missing & ~ndimage.binary_opening(missing, np.ones(beyond, dtype=bool)))
            there = np.flatnonzero(~missing)
            if len(there):
                values[short] = np.interp(short, there, values[there], left=np.nan, right=np.nan)
        return values[begin - first : end - first]

    return Series(rows, readings.length, np.empty(0))


def _uneven_phase_steps(record: Record, readings: Series) -> list[Flag]:
    """Return steps of phase between epochs that follow no grid.

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


def _of_frequency(row: _Row, sums: _Sums, refused: Sequence[tuple[str, int, int]]) -> tuple[_Step, float]:
    """Return the step of frequency that is likeliest, and the smallest that would be seen."""
    n = len(row)
    totals, begin, end = sums.over(sums.blocks)
    start = sums.blocks[:-1]
    scan = step_scan(
        totals / np.diff(sums.blocks),
        begin - begin[0],
        end + 1 - begin[0],
        int(start[1]),
        largest=sums.largest,
        of_phase=row.record.kind == "phase",
    )
    ratio = scan.ratio.copy()
    for name, first, last in refused:
        ratio[(start[1:] >= first) & (start[1:] <= last) & (name == "frequency_step")] = 0.0
    top = int(np.argmax(ratio))
    index, size = int(start[top + 1]), float(scan.size[top])
    # as many samples on either side as show it eight times over their scatter, and two blocks at least
    scatter = max(row.noise, row.quantum / math.sqrt(12))
    wanted = 2 * (_CLEAR * scatter / size) ** 2 if size else 0.0
    width = max(_SHORTEST, 2 * -(-n // MOST_BLOCKS), wanted)
    step = _Step(
        cause="frequency_step",
        index=index,
        size=size,
        sigma=float(scan.sigma[top]),
        width=int(min(width, max(_SHORTEST, min(index, n - index) // 2))),
        usual=0.0,
        ratio=float(ratio[top]),
    )
    return step, scan.smallest


class _Windows:
    """The search for steps of one cause by windows of doubling widths before and after every moment.

    Widths up to :data:`_FINE` are looked through piece by piece, wider windows are made of sums. A step that
    is taken out changes no difference but those near it, so that a piece is looked through again only where
    the largest it had could be the largest of all.
    """

    def __init__(self, row: _Row, cause: str, rounding: float) -> None:
        n = len(row)
        self.row, self.cause, self._rounding = row, cause, rounding
        self._reach, shortest = (1, _SHORTEST) if cause == "frequency_step" else (2, 1)
        widest = n // MOST_BLOCKS if cause == "frequency_step" else min(n // 64, _WIDEST_PHASE)
        self._widths = [shortest << k for k in range(64) if shortest << k <= widest]
        self._fine = [width for width in self._widths if width <= _FINE]
        self._pieces = list(in_blocks(n))
        self._most = np.full((len(self._fine), len(self._pieces)), np.inf)
        self._usual_then = np.zeros_like(self._most)

    def forget(self, row: int) -> None:
        """Forget what was found near a row of the record, where a step was taken out."""
        index, near = self.row.rank(row), self._reach * _FINE + 2 * _SAME_PLACE
        self._most[:, [first - near <= index <= last + near for first, last in self._pieces]] = np.inf

    def likeliest(
        self, refused: Sequence[tuple[int, int]], least: float, sums: _Sums
    ) -> tuple[_Step | None, float]:
        """Return the likeliest step, if its ratio reaches ``least`` and one, and the smallest to be seen."""
        some: dict[int, list[FloatArray]] = {width: [] for width in self._fine}
        for stretch in stretches(len(self.row), _ENOUGH) if some else ():
            for width, _, values in self._differences(self.row.take(*stretch)[0], self._fine):
                some[width].append(values)
        looks = {width: self._look(width, np.concatenate(parts), refused) for width, parts in some.items()}
        found = []
        if wide := self._widths[len(self._fine) :]:
            hops, first, last = sums.over(sums.hops)
            for width, hop, values in self._differences(hops, wide, _HOP):
                looks[width] = look = self._look(width, values, refused)
                until = last[2 * self._reach * width // _HOP - 1 :: hop // _HOP][: len(values)]
                lost = until - first[:: hop // _HOP][: len(values)] - (2 * self._reach * width - 1)
                found.append(look.largest(values, lost, self._reach * width, hop))
        found += self._in_pieces(looks, least)
        best = max(found, key=lambda step: (step.ratio, -step.width, -step.index), default=None)
        smallest = [(look.limit + USUALLY_ABOVE) * look.sigma for look in looks.values() if look.sigma > 0]
        return best, min(smallest, default=math.inf)

    def _differences(
        self, sums: FloatArray, widths: Sequence[int], hop: int = 1
    ) -> Iterator[tuple[int, int, FloatArray]]:
        """Yield width, distance and size of the differences between windows made of sums over ``hop``."""
        width = hop
        while width <= widths[-1]:
            apart = width // hop
            if width >= widths[0]:
                yield width, hop, _difference(sums, apart, width, self.cause)
            thinned = 2 if apart >= _HOPS else 1
            sums = sums[: max(0, len(sums) - apart) : thinned] + sums[apart::thinned]
            width, hop = 2 * width, thinned * hop

    def _look(self, width: int, values: FloatArray, refused: Sequence[tuple[int, int]]) -> _Look:
        n, row = len(self.row), self.row
        values = values[:: 1 + len(values) // _ENOUGH]
        middle = float(np.median(values))
        sigma = tail_spread(values, _ROOM * self._reach * width / n, middle)
        comparisons = (n - 2 * self._reach * width) // max(1, width // _HOPS) + 1
        return _Look(
            cause=self.cause,
            width=width,
            refused=refused,
            usual=middle,
            sigma=max(sigma, row.quantum * math.sqrt(2 / (12 * width)), self._rounding / width),
            limit=_threshold(n / width, comparisons * len(self._widths)),
        )

    def _in_pieces(self, looks: dict[int, _Look], least: float) -> list[_Step]:
        """Return the likeliest steps by narrow windows in all pieces where there could be a likelier one."""
        found: list[_Step] = []
        fine = {width: (k, looks[width]) for k, width in enumerate(self._fine) if looks[width].sigma > 0}
        bounds = np.zeros(len(self._pieces))
        for width, (k, look) in fine.items():
            gaps = math.sqrt(1 + (len(self.row.record) - len(self.row)) / width)
            moved = np.abs(self._usual_then[k] - look.usual) * gaps + self._rounding / width
            bounds = np.maximum(bounds, (self._most[k] * (1 + 1e-9) + moved) / (look.sigma * look.limit))
        for piece in np.argsort(-bounds, kind="stable"):
            if bounds[piece] < max([1.0, least, *(step.ratio for step in found)]):
                break
            first, last = self._pieces[piece]
            reach = self._reach * self._fine[-1]
            begin = max(0, first - reach)
            samples, places = self.row.take(begin, min(last + reach, len(self.row)))
            complete = places[-1] - places[0] == len(places) - 1
            for width, hop, values in self._differences(samples, self._fine):
                if width not in fine:
                    continue
                k, look = fine[width]
                at, span = begin + self._reach * width, 2 * self._reach * width
                low = max(0, -((at - first) // hop))
                high = len(values) if last == len(self.row) else max(0, -((at - last) // hop))
                lost = places[:0]
                if not complete:
                    lost = places[span - 1 :: hop][: len(values)] - places[::hop][: len(values)] - (span - 1)
                step = look.largest(values[low:high], lost[low:high], at + low * hop, hop)
                found.append(step)
                self._usual_then[k, piece] = look.usual
                self._most[k, piece] = max(step.ratio, 0.0) * look.sigma * look.limit
        return found


def _difference(sums: FloatArray, apart: int, width: int, cause: str) -> FloatArray:
    """Return what windows before and after a moment differ by, from sums of which every ``apart``-th follows.

    Of frequency it is mean after minus mean before. Of phase it is the offset between straight lines: a ramp,
    a bend and a parabola give zero.
    """
    if cause == "frequency_step":
        return (sums[apart:] - sums[:-apart]) / width
    before, just_before, just_after, after = (
        sums[k * apart : max(0, len(sums) - (3 - k) * apart)] for k in range(4)
    )
    offset = just_after - just_before
    offset *= 3
    offset -= after - before
    offset /= 2 * width
    return np.asarray(offset)


@dataclass(frozen=True, kw_only=True)
class _Look:
    """Differences between windows of one width: their median and spread, and how many sigmas are a step."""

    cause: str
    width: int
    refused: Sequence[tuple[int, int]]
    usual: float
    sigma: float
    limit: float

    def largest(self, values: FloatArray, lost: Places, first: int, hop: int) -> _Step:
        """Return the largest of differences at every ``hop``-th place, ``lost`` samples missing in each."""
        excess, widening = values - self.usual, np.ones(1)
        if len(lost) and lost.max() > 0:
            excess = values - self.usual * (1 + lost / self.width)
            # wander across a gap: as much as a random walk gains in the time, the steepest of the noises
            widening = np.sqrt(1 + 1.5 * lost / self.width)
            if self.cause == "phase_step":  # the phase across a gap is not known
                widening = np.where(lost > 0, np.inf, 1.0)
        size = np.abs(excess)
        if len(widening) == len(size):
            size /= widening
        for begin, end in self.refused:
            size[max(0, -((first - begin) // hop)) : max(0, (end - first) // hop + 1)] = 0.0
        top = int(np.argmax(size)) if len(size) else -1
        return _Step(
            cause=self.cause,
            index=first + max(top, 0) * hop,
            size=float(excess[top]) if len(size) else 0.0,
            sigma=self.sigma * float(min(widening[top if len(widening) > 1 else 0], 1e6)),
            width=self.width,
            usual=self.usual,
            ratio=float(size[top]) / (self.sigma * self.limit) if len(size) and self.sigma > 0 else -1.0,
        )


def _threshold(windows: float, comparisons: int) -> float:
    """Return how many sigmas the largest of all differences of a record without steps may reach."""
    freedom = max(_FREEDOM_PER_WINDOW * windows, 3.0)
    return float(-special.stdtrit(freedom, FALSE_ALARM / (2 * comparisons)))


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
    mean = float(row.sums((first, last))[0]) / n - slope * (n - 1) / 2
    most, place, total = -1.0, step.index, 0.0
    for begin, end in in_blocks(n, 0, _PART):
        part = row.take(first + begin, first + end)[0] - slope * np.arange(begin, end) - mean
        sums = np.cumsum(np.concatenate([[total], part]))
        splits = np.arange(max(begin, n // 4), min(end, n - n // 4 + 1))
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
        samples, measured = row.take(first, last)[0], row.measured(first, last)
        after = np.arange(first, last)[measured] >= step.index
        if after.all() or not after.any():
            return step.size
        columns = np.column_stack([np.ones(len(after)), np.arange(-reach, reach)[measured], after])
        return float(np.linalg.lstsq(columns, samples[measured], rcond=None)[0][2])
    apart = row.take(last - 1, last)[1][0] - row.take(first, first + 1)[1][0] + 1
    drift = step.usual / step.width * (apart - reach)
    return float(np.diff(row.sums((first, step.index, last)))[0]) / reach - float(drift)


def _is_lasting(row: _Row, step: _Step) -> bool:
    """Return whether windows four times as long still see the step; a transient fades in them."""
    reach = 1 if step.cause == "frequency_step" else 2
    width = min(max(4 * step.width, 16), min(step.index, len(row) - step.index) // reach)
    if width < 2 * step.width:  # too near an end to see what it was before or became
        return False
    sums = row.sums(range(step.index - reach * width, step.index + reach * width + 1, width))
    wide = float(_difference(sums, 1, width, step.cause)[0])
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
    means = row.sums(range(step.index - 8 * block, step.index + 8 * block + 1, block)) / block
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
    told = {"first": flag.start, "size": float(flag.size or 0.0), "elapsed_s": record.time_of(flag.start)}
    return caution(flag.cause.upper(), sentence, **told)


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
