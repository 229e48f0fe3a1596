"""Steps of frequency and phase, judged against how much the record changes elsewhere.

Steps of frequency come from a likelihood-ratio scan (:mod:`evenbeat.conditioning.step_scan`), which accuses
one clean record in a hundred. It sees the record in blocks. For what is sharper than a block, and for steps
of phase, windows of many lengths on both sides of each moment (their means, or straight lines through them)
are compared with the spread of the same difference over the whole record.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import special

from evenbeat.conditioning.shared import (
    moment_text,
    places_text,
    present,
    running_median,
    spread,
    tail_spread,
)
from evenbeat.conditioning.step_scan import MOST_BLOCKS, USUALLY_ABOVE, step_scan
from evenbeat.findings import Finding
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
_ROOM = 6  # the differences around three steps may be large without raising the spread


@dataclass(frozen=True, eq=False, kw_only=True)
class _Series:
    """The samples that are present.

    Parameters
    ----------
    where
        Positions in the record.
    missed
        Shape (n,): samples missing before each, summed from the first on.
    measured
        Shape (n,): False where a sample is missing and was drawn straight.
    quantum
        Step of the display of the samples.
    hidden
        Of time errors: what one step of their display adds to a sum of samples.
    """

    samples: FloatArray
    where: npt.NDArray[np.intp]
    missed: npt.NDArray[np.intp]
    measured: npt.NDArray[np.bool_]
    quantum: float = 0.0
    hidden: float = 0.0


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
    values = record.usable_values(without_steps=True)
    there = len(present(values))
    looked_at = counted(there, "reading")
    if there < FEWEST:
        sentence = f"Fewer than {FEWEST} samples are too few to tell steps from wander."
        unchecked = Finding(code="STEPS_UNCHECKED", severity="note", sentence=sentence)
        too_few = f"{looked_at}, fewer than {FEWEST}"
        return record.checked(NAME, too_few, looked=False, findings=[unchecked])
    found, smallest = _steps(record, values)
    flags = sorted(found, key=lambda flag: flag.start)
    if len(flags) >= MOST_STEPS:
        sentence = (
            f"The record changes abruptly {MOST_STEPS} times or more, so that steps cannot be told from its "
            "wander; none is flagged."
        )
        unclear = Finding(code="STEPS_UNCLEAR", severity="caution", sentence=sentence)
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
    seen = [f"one of frequency by {frequency:.2g} amid it"]
    seen += [] if phase is None else [f"one of phase by {time_text(phase)}"]
    sentence = (
        f"No step of frequency or phase stands out from the noise of the record; {' or '.join(seen)} would "
        "have been found nine times in ten."
    )
    values = {f"smallest_{cause}": size for cause, size in smallest.items()}
    return Finding(code="NO_STEPS", severity="good", sentence=sentence, values=values)


def _steps(record: Record, values: FloatArray) -> tuple[list[Flag], dict[str, float]]:
    """Return the steps, the clearest first, and the smallest that would be found of either kind.

    Each is taken out before the next is sought. What is left of one that was found before is added to it:
    there is one flag at one place.
    """
    smallest: dict[str, float] = {}
    values = np.array(values, dtype=float)
    values -= np.nanmedian(values)
    rounding = np.finfo(float).eps * float(np.nansum(np.abs(values)))
    even = record.epochs_ns is None
    flags: list[Flag] = [] if even or record.kind == "frequency" else _uneven_phase_steps(record, values)
    refused: list[tuple[str, int, int]] = []
    while len(flags) < MOST_STEPS and len(refused) < MOST_STEPS + _MOST_REFUSED:
        series = _frequency_series(record, values)
        phase = _phase_series(record, values) if record.kind == "phase" and even else None
        found = [*_of_frequency(series, refused, of_phase=record.kind == "phase")]
        found += _candidates(series, "frequency_step", _adjacent_difference, refused, rounding)
        if phase is not None:
            found += _candidates(phase, "phase_step", _offset_difference, refused, rounding)
        smallest = {step.cause: math.inf for step in found}
        for step in found:
            smallest[step.cause] = min(smallest[step.cause], step.smallest)
        if phase is not None:
            smallest["phase_step"] = max(smallest.get("phase_step", math.inf), _by_display(phase))
        best = max(found, key=lambda step: step.ratio)
        if best.ratio <= 1:
            break
        source = phase if best.cause == "phase_step" and phase is not None else series
        jump, best = abs(best.size), _refined(source, best)
        faded = abs(best.size) < _LASTING * jump
        if faded or not _is_lasting(source, best) or not _is_sharp(source, best):
            refused.append((best.cause, best.index - best.width, best.index + best.width))
            continue
        start = int(source.where[min(best.index, len(source.where) - 1)])
        same = [flag for flag in flags if flag.cause == best.cause and abs(flag.start - start) <= _SAME_PLACE]
        start = same[0].start if same else start
        _take_out(values, best, start, record)
        whole = replace(best, size=best.size + sum(flag.size or 0.0 for flag in same))
        flags = [*(flag for flag in flags if flag not in same), _flag(whole, start)]
        refused.append((best.cause, best.index - _SAME_PLACE, best.index + _SAME_PLACE))
    return flags, smallest


def _frequency_series(record: Record, values: FloatArray) -> _Series:
    """Return frequencies; those of a phase record lie between its samples and count from the earlier one."""
    where = present(values)
    samples = values[where]
    if record.epochs_ns is not None:
        return _uneven_series(record, samples, where)
    if record.kind == "frequency":
        missed = where - np.arange(len(where)) - where[0]
        quantum = record.resolution or 0.0
        measured = np.ones(len(where), dtype=bool)
        return _Series(samples=samples, where=where, missed=missed, measured=measured, quantum=quantum)
    elapsed = np.diff(where)
    samples = np.diff(samples) / (elapsed * record.interval_s)
    return _Series(
        samples=samples,
        where=where[:-1],
        missed=np.cumsum(elapsed - 1),
        measured=np.ones(len(samples), dtype=bool),
        hidden=(record.resolution or 0.0) / record.interval_s,
    )


def _uneven_series(record: Record, samples: FloatArray, where: npt.NDArray[np.intp]) -> _Series:
    """Return frequencies at epochs of their own; what lies farther apart than usual counts as missing."""
    steps = np.diff(record.elapsed_s[where])
    lost = np.maximum(np.rint(steps / record.spacing_s).astype(np.intp) - 1, 0)
    if record.kind == "phase":
        samples, where, missed = np.diff(samples) / steps, where[:-1], np.cumsum(lost)
    else:
        missed = np.concatenate([[0], np.cumsum(lost)])
    return _Series(
        samples=samples,
        where=where,
        missed=missed,
        measured=np.ones(len(samples), dtype=bool),
        quantum=(record.resolution or 0.0) if record.kind == "frequency" else 0.0,
    )


def _uneven_phase_steps(record: Record, values: FloatArray) -> list[Flag]:
    """Return steps of phase between epochs that follow no grid, and take them out of the values.

    Notes
    -----
    What a time error gains beyond the running median of its slope is compared with how much that is
    elsewhere: with the spread of the gains themselves (white PM), in units of the root of the time between
    the readings (white FM), or of that time (wander), whichever allows most. A gain that is taken back by
    the next is no step.
    """
    where = present(values)
    steps = np.diff(record.elapsed_s[where])
    slopes = np.diff(values[where]) / steps
    gains = (slopes - running_median(slopes, _SLOPE_WIDTH)) * steps
    sigma = np.full(len(gains), tail_spread(gains, _TAILS))
    for power in (np.sqrt(steps), steps):
        sigma = np.maximum(sigma, tail_spread(gains / power, _TAILS) * power)
    sigma = np.maximum(sigma, 8 * np.spacing(np.abs(values[where]).max()))
    clear = np.abs(gains) > sigma * _threshold(len(gains), len(gains))
    beside = np.pad(gains, 1)
    taken_back = np.minimum(beside[:-2] * gains, beside[2:] * gains) < -0.25 * gains**2
    flags = []
    for index in np.flatnonzero(clear & ~taken_back)[:MOST_STEPS]:
        start, size = int(where[index + 1]), float(gains[index])
        values[start:] -= size
        step = _Step(
            cause="phase_step",
            index=int(index),
            size=size,
            sigma=float(sigma[index]),
            width=1,
            usual=0.0,
            ratio=float(abs(size) / sigma[index]),
            smallest=math.nan,
        )
        flags.append(_flag(step, start))
    return flags


def _phase_series(record: Record, values: FloatArray) -> _Series:
    """Return time errors; one or two missing in a row are drawn straight, for the search alone."""
    present_at = present(values)
    places = np.arange(present_at[0], present_at[-1] + 1)
    missed = np.append(np.diff(present_at) - 1, 0)
    run = missed[np.searchsorted(present_at, places, side="right") - 1]
    where = places[(run <= _SMALL_GAP) | ~np.isnan(values[places])]
    samples = np.interp(where, present_at, values[present_at])
    return _Series(
        samples=samples,
        where=where,
        missed=where - np.arange(len(where)) - where[0],
        measured=~np.isnan(values[where]),
        hidden=record.resolution or 0.0,
    )


def _of_frequency(series: _Series, refused: list[tuple[str, int, int]], *, of_phase: bool) -> Iterator[_Step]:
    """Yield the step of frequency that is likeliest."""
    n = len(series.samples)
    scan = step_scan(series.samples, series.missed, of_phase=of_phase)
    ratio = scan.ratio.copy()
    for name, first, last in refused:
        ratio[(scan.start >= first) & (scan.start <= last) & (name == "frequency_step")] = 0.0
    top = int(np.argmax(ratio))
    index, size = int(scan.start[top]), float(scan.size[top])
    # as many samples on either side as show it eight times over their scatter, and two blocks at least
    scatter = max(spread(np.diff(series.samples)) / math.sqrt(2), series.quantum / math.sqrt(12))
    blocks = 2 * -(-n // MOST_BLOCKS)
    wanted = 2 * (_CLEAR * scatter / size) ** 2 if size else 0.0
    width = int(min(max(_SHORTEST, blocks, wanted), max(_SHORTEST, min(index, n - index) // 2)))
    yield _Step(
        cause="frequency_step",
        index=index,
        size=size,
        sigma=float(scan.sigma[top]),
        width=width,
        usual=0.0,
        ratio=float(ratio[top]),
        smallest=scan.smallest,
    )


_Difference = Callable[[FloatArray, npt.NDArray[np.intp], int], FloatArray]


def _candidates(
    series: _Series,
    cause: str,
    difference: _Difference,
    refused: list[tuple[str, int, int]],
    rounding: float,
) -> Iterator[_Step]:
    """Yield the largest difference at each window length; ``rounding`` is the error of a sum of samples."""
    n = len(series.samples)
    reach, shortest = (1, _SHORTEST) if cause == "frequency_step" else (2, 1)
    widest = n // MOST_BLOCKS if cause == "frequency_step" else min(n // 64, _WIDEST_PHASE)
    sums = np.concatenate([[0.0], np.cumsum(series.samples)])
    lengths = [shortest << k for k in range(64) if shortest << k <= widest]
    for width in lengths:
        places = np.arange(reach * width, n - reach * width + 1, max(1, width // _HOPS))
        values = difference(sums, places, width)
        missed = series.missed[places + reach * width - 1] - series.missed[places - reach * width]
        usual, sigma = float(np.median(values)), tail_spread(values, _ROOM * reach * width / n)
        sigma = max(sigma, series.quantum * math.sqrt(2 / (12 * width)), rounding / width)
        if sigma <= 0:
            continue
        excess = values - usual * (1 + missed / width)
        # wander across a gap: as much as a random walk gains in the time, the steepest of the noises
        widening = np.sqrt(1 + 1.5 * missed / width)
        if cause == "phase_step":  # the phase across a gap is not known
            widening = np.where(missed > 0, np.inf, 1.0)
        limit = _threshold(n / width, len(places) * len(lengths))
        ratios = np.abs(excess) / (sigma * widening * limit)
        for name, first, last in refused:
            ratios[(places >= first) & (places <= last) & (name == cause)] = 0.0
        top = int(np.argmax(ratios))
        yield _Step(
            cause=cause,
            index=int(places[top]),
            size=float(excess[top]),
            sigma=float(sigma * min(widening[top], 1e6)),
            width=width,
            usual=usual,
            ratio=float(ratios[top]),
            smallest=(limit + USUALLY_ABOVE) * sigma,
        )


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


def _refined(series: _Series, step: _Step) -> _Step:
    """Return the step at the place that splits its two windows best (least squares), measured there."""
    first, last = max(0, step.index - step.width), min(len(series.samples), step.index + step.width)
    part = series.samples[first:last]
    if step.cause == "phase_step" and step.width > 1:
        half = step.index - first
        slopes = (part[half - 1] - part[0], part[-1] - part[half])
        part = part - sum(slopes) / (2 * (step.width - 1)) * np.arange(len(part))
    if len(part) < 2 * _SHORTEST:
        return step
    splits = np.arange(len(part) // 4, len(part) - len(part) // 4 + 1)
    sums = np.concatenate([[0.0], np.cumsum(part - part.mean())])
    gain = sums[splits] ** 2 / (splits * (len(part) - splits))
    step = replace(step, index=first + int(splits[np.argmax(gain)]))
    return replace(step, size=_size(series, step))


def _size(series: _Series, step: _Step) -> float:
    """Return the size of a step at its place: of frequency between means, of phase between parallel lines."""
    reach = step.width if step.cause == "frequency_step" else 2 * step.width
    reach = min(reach, step.index, len(series.samples) - step.index)
    near = np.arange(step.index - reach, step.index + reach)
    near = near[series.measured[near]]
    after = near >= step.index
    if after.all() or not after.any():
        return step.size
    samples = series.samples[near]
    if step.cause == "phase_step":
        columns = np.column_stack([np.ones(len(near)), near - step.index, after])
        return float(np.linalg.lstsq(columns, samples, rcond=None)[0][2])
    missed = series.missed[near[-1]] - series.missed[near[0]]
    drift = step.usual / step.width * (reach + missed)
    return float(samples[after].mean() - samples[~after].mean() - drift)


def _is_lasting(series: _Series, step: _Step) -> bool:
    """Return whether windows four times as long still see the step; a transient fades in them."""
    width = max(4 * step.width, 16)
    reach = 1 if step.cause == "frequency_step" else 2
    room = min(step.index, len(series.samples) - step.index) // reach
    width = min(width, room)
    if width < 2 * step.width:  # too near an end to see what it was before or became
        return False
    sums = np.concatenate([[0.0], np.cumsum(series.samples)])
    difference = _adjacent_difference if reach == 1 else _offset_difference
    wide = float(difference(sums, np.array([step.index]), width)[0])
    return wide * np.sign(step.size) >= _LASTING * abs(step.size)


def _by_display(series: _Series) -> float:
    """Return what a sum of samples may gain where a quiet display of time errors moves on by one step."""
    noise = spread(np.diff(series.samples)) / math.sqrt(2)
    return 1.5 * series.hidden if noise < 0.5 * series.hidden else 0.0


def _is_sharp(series: _Series, step: _Step) -> bool:
    """Return whether the two windows look like a step rather than like a slope (sixteen block means)."""
    gained = abs(step.size) * (1 if step.cause == "phase_step" else step.width)
    if gained < _by_display(series):
        return False
    if step.cause == "phase_step":  # an offset of straight lines: a slow change gives none
        return True
    noise = spread(np.diff(series.samples)) / math.sqrt(2)
    if noise < 0.5 * series.quantum and abs(step.size) < 1.5 * series.quantum:
        return False  # a quiet display that moves on by one step
    block = min(step.width, step.index, len(series.samples) - step.index) // 8
    if block < 1:
        return False
    part = series.samples[step.index - 8 * block : step.index + 8 * block].reshape(16, block)
    means = part.mean(axis=1)
    stepped = means - np.repeat([means[:8].mean(), means[8:].mean()], 8)
    place = np.arange(16) - 7.5
    sloped = means - means.mean() - place * float(place @ means) / float(place @ place)
    return bool(stepped @ stepped < _SHARP * (sloped @ sloped))


def _flag(step: _Step, start: int) -> Flag:
    what, unit = ("frequency", "") if step.cause == "frequency_step" else ("phase", " s")
    sentence = f"A {what} step of {number_text(step.size, step.sigma)}{unit} stands out from the noise."
    return Flag(
        cause=step.cause,
        start=start,
        stop=start,
        excluded=False,
        sentence=sentence,
        size=step.size,
        uncertainty=step.sigma,
    )


def _take_out(values: FloatArray, step: _Step, start: int, record: Record) -> None:
    if record.kind == "phase" and step.cause == "frequency_step":
        values[start:] -= step.size * (record.elapsed_s[start:] - record.time_of(start))
    else:
        values[start:] -= step.size


def _finding(record: Record, flag: Flag) -> Finding:
    when = f"{moment_text(record, flag.start)}{_likely(record, flag)}"
    sentence = f"{flag.sentence} It happened at {when}; no sample is left out."
    values = {
        "first": flag.start,
        "size": float(flag.size or 0.0),
        "elapsed_s": record.time_of(flag.start),
    }
    return Finding(code=flag.cause.upper(), severity="caution", sentence=sentence, values=values)


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
