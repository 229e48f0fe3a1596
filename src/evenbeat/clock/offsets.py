"""Calibrated offsets as the model sees them: means over spans of time, in its scaled units."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from evenbeat.clock.calibration_points import CalibrationPoint
from evenbeat.clock.covariance import Spans
from evenbeat.clock.determined import ranked
from evenbeat.clock.model import ClockModel
from evenbeat.clock.prediction import Variant
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
from evenbeat.units import SECONDS_PER_DAY

Side = Literal["alone", "found", "left"]


@dataclass(frozen=True, eq=False, kw_only=True)
class Offsets:
    """Offsets of a clock, as found and as left, beside its log.

    Attributes
    ----------
    spans
        In units of the record length since its start.
    value, variance
        Shape (k,), in the model's scale and less the mean of its blocks; variance of the measurement and
        of the environment at the time, which only the log's own time knows.
    designs
        The trend's columns over the spans, one array of shape (k, p) for each variant.
    steps
        How each offset depends on the steps of adjustments outside the log, shape (k, s).
    labels, at_s
        What each offset is and when.
    earlier, later
        Scaled times of the adjustments before and after the log.
    """

    spans: Spans
    value: FloatArray
    variance: FloatArray
    designs: tuple[FloatArray, ...]
    steps: FloatArray
    labels: tuple[str, ...]
    at_s: FloatArray
    earlier: tuple[float, ...]
    later: tuple[float, ...]

    def __len__(self) -> int:
        return len(self.value)

    @property
    def leans(self) -> FloatArray:
        """How each offset depends on the reference's offset and drift, shape (k, 2)."""
        return leans_over(self.spans)

    def steps_over(self, spans: Spans) -> FloatArray:
        """Return how means over spans depend on the steps, shape (m, s): the log stands between them."""
        return steps_over(spans, self.earlier, self.later)


def leans_over(spans: Spans) -> FloatArray:
    """Return one, and the time since the end of the log, for every span, shape (m, 2)."""
    return np.column_stack([np.ones(len(spans)), spans.middle - 1])


def steps_over(spans: Spans, earlier: Sequence[float], later: Sequence[float]) -> FloatArray:
    """Return shares of spans before the earlier (negative) and after the later adjustments, shape (m, s)."""
    before = [-np.clip((time - spans.start) / spans.length, 0.0, 1.0) for time in earlier]
    after = [np.clip((spans.stop - time) / spans.length, 0.0, 1.0) for time in later]
    return np.array([*before, *after]).reshape(len(earlier) + len(later), len(spans)).T


@dataclass(frozen=True, kw_only=True)
class _Offset:
    """One offset at elapsed time ``at_s``, measured for ``length_s``."""

    side: Side
    at_s: float
    length_s: float
    value: float
    uncertainty: float
    label: str

    @property
    def start_s(self) -> float:
        share = {"alone": 0.5, "found": 1.0, "left": 0.0}[self.side]
        return self.at_s - share * self.length_s


def adjustment_times(record: Record, points: Sequence[CalibrationPoint]) -> FloatArray:
    """Return the elapsed times at which the clock was adjusted."""
    times = [record.elapsed_at(np.array([point.at]))[0] for point in points if point.adjusted]
    return np.array(times, dtype=float)


def same_step(block_s: float) -> float:
    """Return how far a dated adjustment and a step in the log may lie apart and be one: a day, two blocks."""
    return max(SECONDS_PER_DAY, 2 * block_s)


def offsets_beside(model: ClockModel, points: Sequence[CalibrationPoint]) -> Offsets:
    """Return calibrations as offsets beside the log of a model.

    Notes
    -----
    An adjustment inside the log is the step that the log's own trend has there. Before the log, laws of
    aging run on straight with the rate that they have at its start.
    """
    record, duration = model.record, model.record.duration_s
    found = [offset for point in points for offset in _offsets_of(model, point)]
    start = np.array([offset.start_s for offset in found])
    length = np.array([offset.length_s for offset in found])
    spans = Spans(start=start / duration, stop=(start + length) / duration)
    times = adjustment_times(record, points)
    first, last = model.blocks.spans.stop[0], model.blocks.spans.start[-1]
    earlier = tuple((times[times < first] / duration).tolist())
    later = tuple((times[times > last] / duration).tolist())
    steps = steps_over(spans, earlier, later)
    known = ranked(steps, constant=False).kept  # two adjustments at one moment are one step
    earlier_known = tuple(time for time, kept in zip(earlier, known, strict=False) if kept)
    later_known = tuple(time for time, kept in zip(later, known[len(earlier) :], strict=True) if kept)
    return Offsets(
        spans=spans,
        value=(np.array([each.value for each in found]) - model.blocks.frequency.mean()) / model.scale,
        variance=np.array([_variance(model, each) for each in found]),
        designs=tuple(
            _design(model, variant, design, spans, found)
            for variant, design in zip(model.variants, model._designs(spans), strict=True)
        ),
        steps=steps[:, known],
        labels=tuple(each.label for each in found),
        at_s=np.array([each.at_s for each in found]),
        earlier=earlier_known,
        later=later_known,
    )


def _offsets_of(model: ClockModel, point: CalibrationPoint) -> Iterator[_Offset]:
    at = float(model.record.elapsed_at(np.array([point.at]))[0])
    length = point.averaging_time_s or model.averaging_time_s
    when = point.at if isinstance(point.at, str | np.datetime64) else f"{point.at:g} s"
    sides: tuple[tuple[Side, float | None], ...] = (("alone", point.as_found),)
    if point.adjusted:
        sides = (("found", point.as_found), ("left", point.as_left))
    for side, value in sides:
        if value is not None and np.isfinite(value):
            word = "as left" if side == "left" else "as found"
            yield _Offset(
                side=side,
                at_s=at,
                length_s=length,
                value=value,
                uncertainty=(side == "left" and point.as_left_uncertainty) or point.standard_uncertainty,
                label=f"{word} {when}",
            )


def _variance(model: ClockModel, offset: _Offset) -> float:
    """Return the variance of a measurement, and of an environment that nobody logged then."""
    duration = model.record.duration_s
    outside = offset.start_s < 0 or offset.start_s + offset.length_s > duration
    moment = np.array([2 * duration if outside else 0.5 * duration])
    unknown = float(model._frequency_floor(moment, offset.length_s)[0])
    return (offset.uncertainty**2 + unknown**2) / model.scale**2


def _design(
    model: ClockModel, variant: Variant, design: FloatArray, spans: Spans, found: Sequence[_Offset]
) -> FloatArray:
    """Return a design with the law run on straight before the log, and the side of each step as stated."""
    changed = np.array(design)
    before = spans.middle < 0
    slope = variant.law.slope_at(np.zeros(1), variant.curvature)
    changed[before, : slope.shape[1]] = spans.middle[before, np.newaxis] * slope
    times = np.array(model.trend.step_times) * model.record.duration_s
    first = model.trend.first_step(design.shape[1])
    for row, offset in enumerate(found):
        if offset.side == "alone":
            continue
        near = np.abs(times - offset.at_s) <= same_step(model.blocks.length_s)
        changed[row, first : first + len(times)][near] = float(offset.side == "left")
    return changed
