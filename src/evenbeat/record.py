"""A record: immutable samples of phase or fractional frequency, on a regular grid or at epochs of their own.

Missing samples are NaN; doubtful ones are flagged and stay. Nothing in evenbeat fills, moves or
deletes a sample: what an analysis leaves out is written in ``flags`` and ``findings``, where the record
came from in ``source``, what was done to it in ``history`` and ``checks``.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

from evenbeat.epochs import LARGEST_GROWTH, IntArray, checked_covariates, placed, round_value, spans_of
from evenbeat.errors import InputError, TooShortError
from evenbeat.findings import Finding, caution, note
from evenbeat.intake import (
    FARTHEST_FROM_NOMINAL,
    blocks,
    check_positive,
    checked_samples,
    checked_weighting,
    extremes_and_mean,
    numbers_of,
    read_only,
    refuse_hertz,
    relative_to,
    utc,
    whole_factor,
)
from evenbeat.intake import SCAN_BLOCK as SCAN_BLOCK  # noqa: PLC0414
from evenbeat.ledger import Ledger
from evenbeat.plain import UNLISTED, Plain
from evenbeat.plausible import implausible
from evenbeat.quantities import FloatArray
from evenbeat.result import Result
from evenbeat.units import counted, duration_text, frequency_text, parse_unit, percent

if TYPE_CHECKING:
    import pandas as pd

Kind = Literal["phase", "frequency"]
FARTHEST_FROM_READING = 0.1
"""Part of an interval: how far a place of a grid may lie from the nearest reading of phase."""
_OF_EPOCHS = ("NO_GRID", "SPAN_ASSUMED")
"""Codes of findings that no longer hold once a grid was made."""


@dataclass(frozen=True, kw_only=True)
class Flag(Plain):
    """Samples ``start`` to ``stop`` (exclusive) that something was noticed about.

    Parameters
    ----------
    cause
        ``outlier``, ``warm_up``, ``frequency_step``, ``phase_step`` …
    excluded
        Whether analyses leave these samples out. A step is not excluded: it is modelled.
    size
        Height of a step: dimensionless for a frequency step, seconds for a phase step.
    uncertainty
        Standard uncertainty of ``size``.
    put_back_s
        Seconds that were added to this sample and all later ones: whole periods of a wrap.
    """

    cause: str
    start: int
    stop: int
    excluded: bool
    sentence: str
    size: float | None = None
    uncertainty: float | None = None
    put_back_s: float | None = None

    def moved(self, offset: int, length: int) -> Flag | None:
        """Return the flag in a record that starts ``offset`` later, or ``None`` if it is outside."""
        start, stop = max(0, self.start - offset), min(length, self.stop - offset)
        if stop < start or start >= length or (stop == start and self.stop > self.start):
            return None
        if self.size is not None and self.start <= offset:  # a step before the cut is part of the start value
            return None
        return replace(self, start=start, stop=stop)

    def between_samples(self, length: int) -> Flag:
        """Return the flag of a phase record on the ``length`` frequencies between its samples."""
        first = max(0, self.start - 1)
        if self.cause == "phase_step":
            sentence = f"{self.sentence} The frequency across it is left out."
            across = replace(self, start=first, stop=self.start, excluded=True, sentence=sentence)
            return replace(across, size=None, uncertainty=None)
        first = first if self.excluded else self.start
        return replace(self, start=min(first, length), stop=min(self.stop, length))

    def thinned(self, factor: int) -> Flag:
        """Return the flag of a step where only every ``factor``-th sample or group is left."""
        # a phase step shows first in the next sample kept, a change of frequency at the nearest one
        start = -(-self.start // factor) if self.cause == "phase_step" else round(self.start / factor)
        return replace(self, start=start, stop=max(start, round(self.stop / factor)))


@dataclass(frozen=True, kw_only=True)
class Treatment:
    """One entry of a record's history: which function was applied with which arguments."""

    operation: str
    arguments: Mapping[str, object] = field(default_factory=dict)

    def __str__(self) -> str:
        return f"{self.operation}({', '.join(f'{key}={value}' for key, value in self.arguments.items())})"


@dataclass(frozen=True, kw_only=True)
class Source(Plain):
    """The file a record came from, with the hash of its bytes as they were read.

    Parameters
    ----------
    parts
        The files of a record that was made from several; ``sha256`` is then that of their hashes.
    """

    path: str = field(metadata=UNLISTED)
    sha256: str
    size_bytes: int
    rows: int
    parts: tuple[Source, ...] = ()

    _also = ("name",)

    @property
    def name(self) -> str:
        """File name without its folder, which is nobody's business and stays out of plain values."""
        return Path(self.path).name


@dataclass(frozen=True, kw_only=True)
class CheckOutcome(Plain):
    """What one check of a record looked at, what it found, and what is to be done about it.

    Parameters
    ----------
    check
        Name of the check, as :func:`evenbeat.condition` takes it in ``skip_checks``.
    looked_at
        What was looked at, such as ``'600 stamps'``; where nothing was, why.
    looked
        Whether the check was made at all.
    found
        Number of events.
    set_aside
        Number of samples that analyses leave out because of it.
    where
        The first places, or how the events lie; empty where nothing was found.
    advice
        What to do about it; empty where nothing is to be done.
    """

    check: str
    looked_at: str
    looked: bool = True
    found: int = 0
    set_aside: int = 0
    where: str = ""
    advice: str = ""


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Record(Result):
    """Samples of time error (``phase``, seconds) or fractional frequency (``frequency``).

    Build one with :func:`evenbeat.read_log`, or of readings in memory with :meth:`from_readings`,
    :meth:`from_phase` or :meth:`from_frequency`.

    Attributes
    ----------
    kind
        ``'phase'``: ``values[k]`` is the time error at ``k * interval_s``, positive when the device
        under test is ahead. ``'frequency'``: ``values[k]`` is the mean fractional frequency over the
        gate that starts at ``k * interval_s``, positive when the device under test is fast.
    values
        Shape (n,), seconds or dimensionless; NaN where missing; read-only, not copied.
    interval_s
        Spacing of the grid; NaN where the samples follow none.
    epochs_ns
        Shape (n,): nanoseconds since the first sample, increasing, where the samples follow no grid; else
        ``None``. ``elapsed_s`` gives them in seconds. A phase is read at its epoch; a frequency is the mean
        over the span that begins there.
    spans_s
        Shape (n,): over what time each frequency at epochs of its own is a mean; else ``None``.
    removed_frequency
        Slope taken out of a phase record that was integrated from frequency; the complete time error
        is ``values + removed_frequency * elapsed_s``.
    start
        UTC of the first sample, or ``None`` where the log states no time.
    covariates
        Name with unit (``temperature_c``) to samples of shape (n,), NaN where missing.
    resolution
        Step of the display in the unit of ``values``, where one was found.
    counter_weighting
        How the counter weights the edges in its gate: ``plain`` (difference of two edges), ``triangular``
        or ``regression``; ``None`` where it is not stated.
    stamp_offset_s
        Shape (n,): by how many seconds the stamp of each reading lies after its place on the grid, NaN
        where missing; ``None`` where the log has no stamps or they lie exactly on it.
    checks
        What :func:`evenbeat.condition` looked at and found, check by check.
    ledger
        What became of each line of the text log that the samples are from, also of a part of them.
    """

    kind: Kind
    values: FloatArray
    interval_s: float
    gate_s: float | None = None
    start: np.datetime64 | None = None
    nominal_frequency_hz: float | None = None
    covariates: Mapping[str, FloatArray] = field(default_factory=dict)
    reference: str = ""
    resolution: float | None = None
    counter_weighting: str | None = None
    removed_frequency: float = 0.0
    stamp_offset_s: FloatArray | None = None
    epochs_ns: IntArray | None = None
    spans_s: FloatArray | None = None
    flags: tuple[Flag, ...] = ()
    history: tuple[Treatment, ...] = ()
    checks: tuple[CheckOutcome, ...] = ()
    source: Source | None = None
    ledger: Ledger | None = None
    truth: Any = None

    def __post_init__(self) -> None:
        if self.kind not in ("phase", "frequency"):
            msg = f"kind is {self.kind!r}; it must be 'phase' or 'frequency'"
            raise InputError(msg)
        for name in ("interval_s", "gate_s", "nominal_frequency_hz"):
            if name != "interval_s" or self.epochs_ns is None:
                check_positive(getattr(self, name), name, optional=name != "interval_s")
        if self.counter_weighting is not None:
            object.__setattr__(self, "counter_weighting", checked_weighting(self.counter_weighting))
        values = read_only(self.values, "values")
        if len(values) < 2:
            msg = f"the record has {counted(len(values), 'sample')}; at least 2 are needed"
            raise TooShortError(msg, needed=2, available=len(values))
        object.__setattr__(self, "values", values)
        covariates = {name: read_only(column, name) for name, column in self.covariates.items()}
        object.__setattr__(self, "covariates", covariates)
        if self.stamp_offset_s is not None:
            object.__setattr__(self, "stamp_offset_s", read_only(self.stamp_offset_s, "stamp_offset_s"))
        beside: dict[str, Any] = {f"covariate {name!r}": column for name, column in covariates.items()}
        beside |= {name: getattr(self, name) for name in ("stamp_offset_s", "epochs_ns", "spans_s")}
        for name, column in beside.items():
            if column is not None and len(column) != len(values):
                msg = f"{name} has {len(column)} samples but the record has {len(values)}"
                raise InputError(msg)
        object.__setattr__(self, "start", utc(self.start))
        if self.epochs_ns is not None:
            self._check_epochs(np.asarray(self.epochs_ns))

    def _check_epochs(self, epochs: IntArray) -> None:
        """Check epochs, and give every frequency its span: the gate, where one is stated."""
        if epochs.dtype.kind != "i" or epochs[0] != 0 or (np.diff(epochs) <= 0).any():
            msg = "epochs_ns must be whole nanoseconds that begin at zero and increase"
            raise InputError(msg)
        view = epochs.view()
        view.flags.writeable = False
        object.__setattr__(self, "epochs_ns", view)
        object.__setattr__(self, "interval_s", math.nan)
        if self.kind == "phase":
            return
        spans = read_only(
            np.full(len(epochs), self.gate_s) if self.spans_s is None else self.spans_s, "spans_s"
        )
        if not (spans > 0).all():
            msg = "every frequency at an epoch of its own needs its span; give gate_s or spans_s"
            raise InputError(msg)
        object.__setattr__(self, "spans_s", spans)

    @classmethod
    def from_phase(
        cls,
        phase_s: npt.ArrayLike,
        *,
        interval_s: float | None = None,
        epochs_s: npt.ArrayLike | pd.Index[Any] | pd.Series[Any] | None = None,
        start: np.datetime64 | str | None = None,
        nominal_frequency_hz: float | None = None,
        covariates: Mapping[str, npt.ArrayLike] | None = None,
        reference: str = "",
    ) -> Record:
        """Return a record of time errors in seconds.

        Parameters
        ----------
        phase_s
            Shape (n,), seconds, positive when the device under test is ahead; NaN = missing. Rows that the
            index of a pandas series leaves out of a grid are missing.
        interval_s, epochs_s, start, nominal_frequency_hz, covariates, reference
            As for :meth:`from_readings`, where ``epochs_s`` is called ``epochs``.

        Raises
        ------
        InputError
            If the samples are not one-dimensional numbers, are infinite or all missing, or if the interval
            is not positive or contradicts the index.

        Notes
        -----
        Time errors that move by more than a thousandth (median) are no clock's: the record says so in a
        caution (common practice).

        Examples
        --------
        >>> import pandas as pd
        >>> minutes = pd.date_range("2026-03-01", periods=4, freq="min")
        >>> Record.from_phase(pd.Series([0, 1e-9, 3e-9, 2e-9], index=minutes)).interval_s
        60.0
        """
        return cls._placed(
            "phase",
            checked_samples(phase_s, "phase_s"),
            "phase_s",
            given=phase_s,
            interval_s=interval_s,
            epochs=epochs_s,
            start=start,
            nominal_frequency_hz=nominal_frequency_hz,
            covariates=covariates,
            reference=reference,
        )

    @classmethod
    def from_frequency(
        cls,
        fractional_frequency: npt.ArrayLike,
        *,
        interval_s: float | None = None,
        epochs_s: npt.ArrayLike | pd.Index[Any] | pd.Series[Any] | None = None,
        gate_s: float | None = None,
        spans_s: npt.ArrayLike | None = None,
        start: np.datetime64 | str | None = None,
        nominal_frequency_hz: float | None = None,
        covariates: Mapping[str, npt.ArrayLike] | None = None,
        reference: str = "",
        counter_weighting: str | None = None,
    ) -> Record:
        """Return a record of fractional frequencies (f - nominal) / nominal.

        Parameters
        ----------
        fractional_frequency
            Shape (n,), dimensionless, positive when the device under test is fast; NaN = missing. Of a
            pandas series the index counts, as for :meth:`from_phase`.
        interval_s, epochs_s, gate_s, start, nominal_frequency_hz, covariates, reference
            As for :meth:`from_readings`; spacing and epochs are those of the starts of the gates.
        spans_s
            Shape (n,): over how long each sample is a mean, where they follow no grid and differ in it.
        counter_weighting
            ``plain``, ``triangular`` or ``regression``, where the counter's manual tells it.

        Raises
        ------
        InputError
            As for :meth:`from_phase`; if the gate is longer than the interval; if the samples look like
            hertz or like ratios to nominal: nearly all within 1 % of one value of 1 or more.

        Notes
        -----
        Fractions beyond 1e-3 (median) are no oscillator's: the record says so in a caution (common practice).

        Examples
        --------
        >>> hertz = np.array([10_000_000.02, 10_000_000.01, 10_000_000.03])
        >>> Record.from_frequency((hertz - 1e7) / 1e7, interval_s=1.0).kind
        'frequency'
        """
        return cls._placed(
            "frequency",
            checked_samples(fractional_frequency, "fractional_frequency"),
            "fractional_frequency",
            given=fractional_frequency,
            interval_s=interval_s,
            epochs=epochs_s,
            gate_s=gate_s,
            spans_s=spans_s,
            start=start,
            nominal_frequency_hz=nominal_frequency_hz,
            covariates=covariates,
            reference=reference,
            counter_weighting=counter_weighting,
        )

    @classmethod
    def from_readings(
        cls,
        values: npt.ArrayLike | pd.Series[Any] | pd.DataFrame,
        *,
        unit: str,
        nominal_frequency_hz: float | None = None,
        interval_s: float | None = None,
        epochs: npt.ArrayLike | pd.Index[Any] | pd.Series[Any] | None = None,
        gate_s: float | None = None,
        spans_s: npt.ArrayLike | None = None,
        start: np.datetime64 | str | None = None,
        covariates: Mapping[str, npt.ArrayLike] | pd.DataFrame | None = None,
        reference: str = "",
        counter_weighting: str | None = None,
    ) -> Record:
        """Return the record of readings in memory, in the unit in which they were taken.

        Parameters
        ----------
        values
            Shape (n,): a list, an array, a Series or a column of a table; NaN or ``None`` = missing. The
            time index of a Series says when each was taken; one without time zone is UTC.
        unit
            ``Hz``, ``kHz``, ``MHz`` or ``GHz`` for frequencies; ``s``, ``ms``, ``us``, ``ns`` or ``ps`` for
            time errors, positive when the device under test is ahead; ``ppm``, ``ppb``, ``1`` or a multiplier
            such as ``1e-9`` for fractional frequencies, positive when it is fast. A minus in front turns
            the sign.
        nominal_frequency_hz
            What the frequency should be; needed for readings in hertz.
        interval_s
            Spacing of the readings in seconds; needed where neither an index (dates, time differences or
            seconds) nor ``epochs`` tell it.
        epochs
            Shape (n,): when each reading was taken, as seconds from any zero, or UTC as ``datetime64`` or
            ISO text. They must be in order; where some of a grid are left out, samples are missing, and
            where they follow no grid every reading keeps its own time.
        gate_s
            Length of the gate of a counter; ``None`` means that gates follow each other without dead time.
        spans_s
            As for :meth:`from_frequency`.
        start
            UTC of the first reading, where neither the index nor ``epochs`` tell it.
        covariates
            Name with unit (``oven_c``) to readings of shape (n,), taken at the same moments.
        reference, counter_weighting
            See :meth:`from_frequency`.

        Raises
        ------
        InputError
            If the unit is not known, the nominal frequency or the interval is missing, the readings are far
            from the nominal frequency, or the moments are not in order, repeat or contradict what was
            stated; and as for :meth:`from_frequency` and :meth:`from_phase`.

        Examples
        --------
        >>> import evenbeat as eb
        >>> import pandas as pd
        >>> hourly = pd.date_range("2026-03-01", periods=4, freq="h")
        >>> counter = pd.Series([10.0000001, 10.0000003, 10.0000002, 10.0000002], index=hourly)
        >>> record = eb.Record.from_readings(counter, unit="MHz", nominal_frequency_hz=10e6)
        >>> print(record.interval_s, record.start, record.values.round(12))
        3600.0 2026-03-01T00:00:00.000000000 [1.e-08 3.e-08 2.e-08 2.e-08]
        """
        readings = np.asarray(numbers_of(values, "values"), dtype=float)
        dimension, factor = parse_unit(unit)
        if dimension == "time":
            for name, stated in (
                ("gate_s", gate_s),
                ("spans_s", spans_s),
                ("counter_weighting", counter_weighting),
            ):
                if stated is not None:
                    msg = f"{name} is {stated}, but readings in {unit} are time errors; leave it out"
                    raise InputError(msg)
        if dimension == "frequency":
            samples = _of_nominal(readings, unit, factor, nominal_frequency_hz)
        else:
            samples = readings * factor
        return cls._placed(
            "phase" if dimension == "time" else "frequency",
            checked_samples(samples, "values"),
            "values",
            given=values,
            interval_s=interval_s,
            epochs=epochs,
            gate_s=gate_s,
            spans_s=spans_s,
            start=start,
            nominal_frequency_hz=nominal_frequency_hz,
            covariates=covariates,
            reference=reference,
            counter_weighting=counter_weighting,
        ).treated("from_readings", unit=unit)

    @classmethod
    def _placed(
        cls,
        kind: Kind,
        samples: FloatArray,
        name: str,
        *,
        given: Any,
        interval_s: float | None,
        start: np.datetime64 | str | None,
        covariates: Mapping[str, npt.ArrayLike] | pd.DataFrame | None,
        epochs: Any = None,
        gate_s: float | None = None,
        spans_s: npt.ArrayLike | None = None,
        **stated: Any,
    ) -> Record:
        """Return the record of samples in SI at the moments that the given rows, epochs or interval tell."""
        grid, begin, offset = placed(given, name, interval_s=interval_s, epochs=epochs, start=start)
        check_positive(gate_s, "gate_s", optional=True)
        if gate_s is not None and gate_s > grid.interval_s * (1 + 1e-9):
            msg = f"gate_s is {gate_s}, longer than the interval of {grid.interval_s} s between readings"
            raise InputError(msg)
        if spans_s is not None and (grid.epochs_ns is None or gate_s is not None):
            which = (
                "gate_s is given too" if gate_s is not None else "the samples lie on a grid, with one gate_s"
            )
            msg = f"spans_s is given but {which}; leave it out"
            raise InputError(msg)
        values = grid.place(samples)
        spans, found = spans_of(kind, grid, gate_s=gate_s, spans_s=spans_s)
        if kind == "frequency":
            refuse_hertz(values)
        return cls(
            kind=kind,
            values=values,
            interval_s=grid.interval_s,
            gate_s=gate_s,
            start=begin,
            covariates=checked_covariates(covariates, given, grid),
            stamp_offset_s=offset,
            epochs_ns=grid.epochs_ns,
            spans_s=spans,
            findings=(*grid.findings, *found, *implausible(kind, values, grid.spacing_s, begin)),
            **stated,
        )

    def __len__(self) -> int:
        return len(self.values)

    @property
    def duration_s(self) -> float:
        """Time from the first to the end of the last sample, in seconds."""
        if self.epochs_ns is not None:
            ends = self.elapsed_s if self.spans_s is None else self.elapsed_s + self.spans_s
            return float(ends.max())
        return (len(self) - (self.kind == "phase")) * self.interval_s

    @property
    def elapsed_s(self) -> FloatArray:
        """Shape (n,): seconds since the first sample (start of the gate for frequency)."""
        return self.rows_elapsed_s(0, len(self))

    @property
    def spacing_s(self) -> float:
        """Interval of the grid, or the median time between neighbours where there is none."""
        if self.epochs_ns is None:
            return self.interval_s
        return float(np.median(np.diff(self.epochs_ns))) / 1e9

    @property
    def spacing_text(self) -> str:
        """How far apart the samples are, in words behind their number: ``every 10 s``."""
        usual = duration_text(self.spacing_s)
        return (
            f"every {usual}" if self.epochs_ns is None else f"at times of their own (median spacing {usual})"
        )

    def time_of(self, sample: int) -> float:
        """Return seconds from the first sample to one of them; to the end of the record beyond the last."""
        if self.epochs_ns is None:
            return sample * self.interval_s
        return self.duration_s if sample >= len(self) else float(self.epochs_ns[sample]) / 1e9

    @property
    def phase_s(self) -> FloatArray:
        """Shape (n,): complete time error in seconds of a phase record, the removed slope added back."""
        if self.kind != "phase":
            msg = "this record holds frequencies; use record.to_phase().phase_s for the time error"
            raise InputError(msg)
        return (
            self.values + self.removed_frequency * self.elapsed_s if self.removed_frequency else self.values
        )

    @property
    def missing(self) -> int:
        """Number of samples that are NaN."""
        return sum(int(np.count_nonzero(np.isnan(block))) for block in blocks(self.values))

    @property
    def excluded(self) -> int:
        """Number of samples that are present but flagged as left out."""
        starts, stops = self._left_out
        begins = np.maximum(starts, np.append(0, stops[:-1]))  # where they overlap, once
        pairs = zip(begins.tolist(), stops.tolist(), strict=True)
        return sum(int(np.count_nonzero(~np.isnan(self.values[a:b]))) for a, b in pairs if a < b)

    @cached_property
    def _left_out(self) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
        """Where the flags that exclude samples begin, in order, and up to where they reach from there."""
        spans = sorted((flag.start, flag.stop) for flag in self.flags if flag.excluded)
        starts, stops = np.array(spans, dtype=np.intp).reshape(-1, 2).T
        return starts, np.maximum.accumulate(stops)

    @property
    def steps(self) -> tuple[Flag, ...]:
        """The flags that mark a step of known size, in order of time."""
        return tuple(sorted((f for f in self.flags if f.size is not None), key=lambda flag: flag.start))

    def usable_values(self, *, without_steps: bool) -> FloatArray:
        """Return the samples an analysis should use: excluded ones NaN, steps subtracted on request.

        Returns the stored array itself where nothing is flagged, so that a memory-mapped record of
        10⁹ samples stays on disk.
        """
        if len(self._left_out[0]) or (without_steps and self.steps):
            return self.usable_rows(0, len(self), without_steps=without_steps)
        return self.values

    def usable_rows(self, begin: int, end: int, *, without_steps: bool) -> FloatArray:
        """Return the samples from one row to another (exclusive) that an analysis should use, as a copy."""
        values = np.array(self.values[begin:end], dtype=float)
        starts, stops = self._left_out
        for at in range(int(np.searchsorted(stops, begin, side="right")), int(np.searchsorted(starts, end))):
            values[max(0, starts[at] - begin) : max(0, stops[at] - begin)] = np.nan
        for step in self.steps if without_steps else ():
            self.take_out(values, begin, step.cause, step.size or 0.0, step.start)
        return values

    def take_out(self, values: FloatArray, begin: int, cause: str, size: float, start: int) -> None:
        """Subtract a step at a row, in place, from the rows from ``begin`` on."""
        after = max(0, start - begin)
        if after >= len(values):
            return
        gained: float | FloatArray = size
        if self.kind == "phase" and cause == "frequency_step":
            gained = size * (self.rows_elapsed_s(begin + after, begin + len(values)) - self.time_of(start))
        values[after:] -= gained

    def rows_elapsed_s(self, begin: int, end: int) -> FloatArray:
        """Return seconds since the first sample for the samples from one row to another (exclusive)."""
        if self.epochs_ns is not None:
            return np.asarray(self.epochs_ns[begin:end] / 1e9)
        return np.arange(begin, end) * self.interval_s

    def to_phase(self) -> Record:
        """Return the time error of a frequency record, integrated with its mean removed and remembered.

        The result has one sample more than the record; covariates are not carried over.

        Raises
        ------
        InputError
            If a frequency sample is missing: the time error gained across a gap is not known.
        """
        if self.kind == "phase":
            return self
        self.needs_grid("integrating frequency")
        values = np.asarray(self.usable_values(without_steps=False), dtype=float)
        if np.isnan(values).any():
            first = int(np.argmax(np.isnan(values)))
            msg = (
                f"sample {first} of the frequency record is missing or excluded, so the time error beyond it "
                "is not known; integrate the parts with record.between(start, stop).to_phase()"
            )
            raise InputError(msg)
        dead_time: tuple[Finding, ...] = ()
        if self.gate_s is not None and self.gate_s < self.interval_s * (1 - 1e-9):
            sentence = (
                f"Only {duration_text(self.gate_s)} of every {duration_text(self.interval_s)} were measured; "
                "the time error was integrated as if the frequency between the gates were the same."
            )
            dead_time = (caution("DEAD_TIME", sentence, gate_s=self.gate_s, interval_s=self.interval_s),)
        mean = float(values.mean())
        phase = np.concatenate([[0.0], np.cumsum((values - mean) * self.interval_s)])
        return replace(
            self,
            kind="phase",
            values=phase,
            gate_s=None,
            covariates={},
            stamp_offset_s=None,
            resolution=None,
            removed_frequency=mean,
            findings=(*self.findings, *dead_time),
            history=(*self.history, Treatment(operation="to_phase")),
        )

    def to_frequency(self) -> Record:
        """Return the mean fractional frequencies between the samples of a phase record (n - 1 of them)."""
        if self.kind == "frequency":
            return self
        steps = self.interval_s if self.epochs_ns is None else np.diff(self.epochs_ns) / 1e9
        values = np.diff(np.asarray(self.values, dtype=float)) / steps + self.removed_frequency
        return replace(
            self,
            kind="frequency",
            values=values,
            epochs_ns=None if self.epochs_ns is None else self.epochs_ns[:-1],
            spans_s=None if self.epochs_ns is None else np.asarray(steps),
            covariates={name: 0.5 * (c[1:] + c[:-1]) for name, c in self.covariates.items()},
            stamp_offset_s=None if self.stamp_offset_s is None else self.stamp_offset_s[:-1],
            resolution=None if self.resolution is None else self.resolution / self.spacing_s,
            removed_frequency=0.0,
            flags=tuple(flag.between_samples(len(values)) for flag in self.flags),
            history=(*self.history, Treatment(operation="to_frequency")),
        )

    def averaged(self, factor: int) -> Record:
        """Return the record at ``factor`` times the interval.

        Frequencies are averaged over their usable samples; an average with fewer than half of them is
        missing. Of a phase record every ``factor``-th sample is kept. A last incomplete group is left out.

        Raises
        ------
        InputError
            If the factor is not a positive whole number.
        TooShortError
            If fewer than two samples would be left.
        """
        factor = whole_factor(factor)
        self.needs_grid("averaging by a factor")
        count = len(self) // factor if self.kind == "frequency" else -(-len(self) // factor)
        if count < 2:
            msg = f"averaging by {factor} leaves {count} of {len(self)} samples; at least 2 are needed"
            needed = 2 * factor if self.kind == "frequency" else factor + 1
            raise TooShortError(msg, needed=needed, available=len(self))
        values = self.usable_values(without_steps=False)
        firsts = slice(0, (count - 1) * factor + 1, factor)

        def reduced(column: FloatArray) -> FloatArray:
            if self.kind == "phase":
                return np.asarray(column[firsts], dtype=float)
            groups = np.asarray(column[: count * factor], dtype=float).reshape(count, factor)
            present = np.count_nonzero(~np.isnan(groups), axis=1)
            return np.where(2 * present >= factor, np.nansum(groups, axis=1) / np.maximum(present, 1), np.nan)

        return replace(
            self,
            values=reduced(values),
            interval_s=self.interval_s * factor,
            # measured time: dead time stays visible
            gate_s=None if self.gate_s is None else self.gate_s * factor,
            covariates={name: reduced(column) for name, column in self.covariates.items()},
            stamp_offset_s=None if self.stamp_offset_s is None else self.stamp_offset_s[firsts],
            resolution=None,
            flags=tuple(f for f in (step.thinned(factor) for step in self.steps) if f.start < count),
            history=(*self.history, Treatment(operation="averaged", arguments={"factor": factor})),
        )

    def between(self, start: float | np.datetime64 | str, stop: float | np.datetime64 | str) -> Record:
        """Return the samples from ``start`` (inclusive) to ``stop`` (exclusive).

        Parameters
        ----------
        start, stop
            Seconds since the first sample, or UTC as ``datetime64`` or ISO text.

        Raises
        ------
        InputError
            If a UTC time is given but the record has no start, or if nothing lies in between.
        """
        first, last = self._position(start), self._position(stop)
        if last - first < 2:
            msg = (
                f"fewer than 2 samples lie between {start} and {stop}; the record lasts {self.duration_s:g} s"
            )
            raise InputError(msg)
        epochs = None if self.epochs_ns is None else self.epochs_ns[first:last] - self.epochs_ns[first]
        begin_ns = (
            round(first * self.interval_s * 1e9) if self.epochs_ns is None else int(self.epochs_ns[first])
        )
        moved = (flag.moved(first, last - first) for flag in self.flags)
        values, gained = self.values[first:last], self.removed_frequency * self.time_of(first)
        return replace(
            self,
            values=values + gained if gained else values,
            start=None if self.start is None else self.start + np.timedelta64(begin_ns, "ns"),
            covariates={name: column[first:last] for name, column in self.covariates.items()},
            stamp_offset_s=None if self.stamp_offset_s is None else self.stamp_offset_s[first:last],
            epochs_ns=epochs,
            spans_s=None if self.spans_s is None else self.spans_s[first:last],
            flags=tuple(flag for flag in moved if flag is not None),
            history=(*self.history, Treatment(operation="between", arguments={"first": first, "last": last})),
        )

    def _position(self, moment: float | np.datetime64 | str) -> int:
        """Return the first sample at or after a moment, within the record."""
        elapsed = float(self.elapsed_at(np.asarray(moment))[0])
        if math.isnan(elapsed):
            msg = f"{moment} is not a moment; give elapsed seconds or UTC"
            raise InputError(msg)
        if self.epochs_ns is not None:
            if np.asarray(moment).dtype.kind in "MUO":  # exact to the nanosecond
                since_ns = (utc(moment) - self.start).astype("timedelta64[ns]").astype(np.int64)
                return int(np.searchsorted(self.epochs_ns, since_ns))
            return int(np.searchsorted(self.elapsed_s, elapsed))
        return math.ceil(min(max(elapsed / self.interval_s - 1e-9, 0), len(self)))

    def needs_grid(self, what: str) -> None:
        """Raise ``InputError`` where the samples follow no grid, which ``what`` needs."""
        if self.epochs_ns is None:
            return
        usual = round_value(self.spacing_s, 0.5 * self.spacing_s) or self.spacing_s
        msg = (
            f"{what} needs readings on a grid, but these {len(self)} follow none (neighbours are "
            f"{duration_text(self.spacing_s)} apart in the median); make one with --set "
            f"on_grid=… or record.on_grid(interval_s=…), such as {usual:g}, or longer where it is to hold "
            "several readings"
        )
        raise InputError(msg)

    def on_grid(self, *, interval_s: float) -> Record:
        """Return readings at epochs of their own as a record on a regular grid, NaN where none is near.

        Parameters
        ----------
        interval_s
            Spacing of the grid, which begins at the first sample.

        Returns
        -------
        Record
            Of frequencies the means, weighted by their spans, of all readings whose middle lies in each
            interval, with the time that was measured in a usual interval as its gate. Of phases the straight
            line between the readings before and after each place, where the nearer one is at most a tenth of
            the interval away: what is not known of white FM in between is then a tenth of its variance from
            one place to the next. Excluded samples are left out.

        Raises
        ------
        InputError
            If the interval is not positive, or would make more than 30 places for every reading; if the
            samples lie on another grid already.
        TooShortError
            If fewer than two places have a reading.

        Examples
        --------
        >>> record = Record.from_frequency(
        ...     [1e-9, 2e-9, 4e-9, 5e-9], epochs_s=[0, 70, 110, 250], gate_s=10
        ... )
        >>> record.on_grid(interval_s=100).values
        array([1.5e-09, 4.0e-09, 5.0e-09])
        """
        check_positive(interval_s, "interval_s", optional=False)
        if self.epochs_ns is None:
            if interval_s == self.interval_s:
                return self
            msg = (
                f"interval_s is {interval_s:g}, but the samples lie on a grid of {self.interval_s:g} s "
                "already; use record.averaged(factor)"
            )
            raise InputError(msg)
        cells = math.floor(self.duration_s / interval_s + 1e-9) + (self.kind == "phase")
        if self.kind == "frequency":
            middles = self.elapsed_s + 0.5 * np.asarray(self.spans_s)
            cells = max(cells, math.floor(float(middles.max()) / interval_s) + 1)
        if cells > LARGEST_GROWTH * len(self):
            msg = (
                f"interval_s is {interval_s:g}, which makes {cells} places for {len(self)} readings; "
                f"neighbours are {duration_text(self.spacing_s)} apart in the median: choose a longer one"
            )
            raise InputError(msg)
        samples = self.usable_values(without_steps=False)
        present = ~np.isnan(samples)
        made = self._interpolated if self.kind == "phase" else self._cell_means
        values, used = made(np.asarray(samples, dtype=float), present, interval_s, cells)
        filled = int(np.count_nonzero(~np.isnan(values)))
        if filled < 2:
            msg = f"{filled} of {cells} places {interval_s:g} s apart have a reading; at least 2 are needed"
            raise TooShortError(msg, needed=2, available=filled)
        gate, measured = None, ""
        if self.kind == "frequency":
            weights = np.bincount(used[present], weights=np.asarray(self.spans_s)[present], minlength=cells)
            usual = float(np.median(weights[weights > 0]))
            if usual < interval_s * (1 - 1e-6):
                gate, measured = usual, f", in which {duration_text(usual)} were measured (median)"
        how = (
            f"{int(present.sum())} frequencies were averaged to {filled} means over "
            f"{duration_text(interval_s)}{measured}; each counts where the middle of its span lies"
            if self.kind == "frequency"
            else f"{filled} time errors {duration_text(interval_s)} apart were taken from the line between "
            "the readings before and after, of which the nearer is within a tenth of that"
        )
        sentence = f"{how}; {cells - filled} of {cells} places stay missing."
        finding = note("MADE_GRID", sentence, interval_s=interval_s, places=cells, missing=cells - filled)
        first_cell = np.ceil(self.elapsed_s / interval_s - 1e-9).astype(int)
        steps = (replace(step, start=int(first_cell[min(step.start, len(self) - 1)])) for step in self.steps)
        return replace(
            self,
            values=values,
            interval_s=interval_s,
            gate_s=gate,
            epochs_ns=None,
            spans_s=None,
            covariates={
                name: made(np.asarray(column, dtype=float), present & ~np.isnan(column), interval_s, cells)[0]
                for name, column in self.covariates.items()
            },
            resolution=None,
            flags=tuple(replace(step, stop=step.start) for step in steps if step.start < cells),
            checks=(),
            findings=(*(found for found in self.findings if found.code not in _OF_EPOCHS), finding),
            history=(*self.history, Treatment(operation="on_grid", arguments={"interval_s": interval_s})),
        )

    def _cell_means(
        self, samples: FloatArray, present: npt.NDArray[np.bool_], interval_s: float, cells: int
    ) -> tuple[FloatArray, IntArray]:
        """Return means of frequencies over cells, weighted by spans, and the cell of every reading."""
        spans = np.asarray(self.spans_s)
        cell = ((self.elapsed_s + 0.5 * spans) / interval_s).astype(np.int64)
        weights = np.bincount(cell[present], weights=spans[present], minlength=cells)
        totals = np.bincount(cell[present], weights=(spans * samples)[present], minlength=cells)
        return np.where(weights > 0, totals / np.where(weights > 0, weights, 1.0), np.nan), cell

    def _interpolated(
        self, samples: FloatArray, present: npt.NDArray[np.bool_], interval_s: float, cells: int
    ) -> tuple[FloatArray, IntArray]:
        """Return phases at the places of a grid, from the line between the readings around them."""
        elapsed, read = self.elapsed_s[present], samples[present]
        places = np.arange(cells) * interval_s
        if len(elapsed) < 2:
            return np.full(cells, np.nan), np.zeros(cells, dtype=np.int64)
        after = np.clip(np.searchsorted(elapsed, places), 1, len(elapsed) - 1)
        nearest = np.minimum(np.abs(places - elapsed[after - 1]), np.abs(places - elapsed[after]))
        values = np.interp(places, elapsed, read)
        values[nearest > FARTHEST_FROM_READING * interval_s] = np.nan
        return values, after

    def elapsed_at(self, moments: npt.ArrayLike) -> FloatArray:
        """Return seconds since the first sample for seconds (unchanged) or UTC (``datetime64`` or ISO text).

        Raises
        ------
        InputError
            If UTC is given but the record states no start time.
        """
        asked = np.atleast_1d(np.asarray(moments))
        if asked.dtype.kind not in "MUO":
            return asked.astype(float)
        if self.start is None:
            msg = f"the record states no start time, so {asked[0]} cannot be placed; give elapsed seconds"
            raise InputError(msg)
        since = np.array([utc(moment) for moment in asked]) - self.start
        return since.astype("timedelta64[ns]").astype(float) / 1e9

    def with_flags(self, *flags: Flag) -> Record:
        """Return the record with further flags."""
        return replace(self, flags=(*self.flags, *flags))

    def with_findings(self, *findings: Finding) -> Record:
        """Return the record with further findings."""
        return replace(self, findings=(*self.findings, *findings))

    def checked(
        self,
        check: str,
        looked_at: str,
        *,
        flags: Sequence[Flag] = (),
        findings: Sequence[Finding] = (),
        done: Mapping[str, object] | None = None,
        **outcome: Any,
    ) -> Record:
        """Return the record with what one more check flagged and found, and what is ``done`` in its history.

        Where the ``outcome`` (see :class:`CheckOutcome`) says nothing else, every flag was found and what
        they exclude is set aside.
        """
        outcome.setdefault("found", len(flags))
        outcome.setdefault("set_aside", sum(flag.stop - flag.start for flag in flags if flag.excluded))
        made = CheckOutcome(check=check, looked_at=looked_at, **outcome)
        record = replace(
            self,
            flags=(*self.flags, *flags),
            findings=(*self.findings, *findings),
            checks=(*self.checks, made),
        )
        return record if done is None else record.treated(check, **done)

    def treated(self, operation: str, **arguments: object) -> Record:
        """Return the record with one more entry in its history."""
        return replace(
            self, history=(*self.history, Treatment(operation=operation, arguments=dict(arguments)))
        )

    def fingerprint(self) -> str:
        """Return the SHA-256 of the samples and their spacing, as 64 hexadecimal digits."""
        digest = hashlib.sha256(f"{self.kind} {self.interval_s!r} {self.removed_frequency!r}".encode())
        for block in blocks(self.values):
            digest.update(np.ascontiguousarray(block, dtype="<f8").tobytes())
        if self.epochs_ns is not None:
            digest.update(np.ascontiguousarray(self.epochs_ns, dtype="<i8").tobytes())
        if self.spans_s is not None:
            digest.update(np.ascontiguousarray(self.spans_s, dtype="<f8").tobytes())
        return digest.hexdigest()

    def to_frame(self) -> pd.DataFrame:
        """Return a table with time, value, covariates and the causes flagged at each sample."""
        import pandas as pd

        cause = np.full(len(self), "", dtype=object)
        for flag in self.flags:
            cause[flag.start : max(flag.stop, flag.start + 1)] = flag.cause
        name = "time_error_s" if self.kind == "phase" else "fractional_frequency"
        frame = pd.DataFrame({"elapsed_s": self.elapsed_s})
        if self.start is not None:
            since = np.round(self.elapsed_s * 1e9) if self.epochs_ns is None else self.epochs_ns
            frame["utc"] = self.start + since.astype("timedelta64[ns]")
        if self.spans_s is not None:
            frame["span_s"] = self.spans_s
        frame[name] = self.phase_s if self.kind == "phase" else self.values
        for covariate, column in self.covariates.items():
            frame[covariate] = column
        frame["flag"] = cause
        return frame

    def _facts(self) -> Mapping[str, object]:
        return {  # what the record is, not its samples
            "kind": self.kind,
            "samples": len(self),
            "missing": self.missing,
            "excluded": self.excluded,
            "interval_s": self.interval_s,
            **({} if self.epochs_ns is None else {"median_spacing_s": self.spacing_s}),
            "gate_s": self.gate_s,
            "duration_s": self.duration_s,
            "start_utc": self.start,
            "nominal_frequency_hz": self.nominal_frequency_hz,
            "resolution": self.resolution,
            "counter_weighting": self.counter_weighting,
            "reference": self.reference,
            "covariates": list(self.covariates),
            "source": self.source,
            "ledger": self.ledger,
            "samples_sha256": self.fingerprint(),
            "flags": self.flags,
            "history": [str(treatment) for treatment in self.history],
            "checks": self.checks,
        }

    def _headline(self) -> str:
        what = "time errors" if self.kind == "phase" else "fractional frequencies"
        left_out = f", {self.missing} missing, {self.excluded} excluded"
        over = duration_text(self.duration_s)
        return f"Record of {len(self)} {what} {self.spacing_text} over {over}{left_out}"

    def _lines(self) -> list[tuple[str, str]]:
        unit = " s" if self.kind == "phase" else ""
        values = self.usable_values(without_steps=False)
        rows = [
            ("start", "not stated" if self.start is None else f"{self.start.astype('datetime64[s]')} UTC")
        ]
        named = zip(("smallest", "mean", "largest"), extremes_and_mean(values), strict=True)
        rows += [(name, f"{value:.6g}{unit}") for name, value in named]
        if self.resolution is not None:
            rows.append(("display step", f"{self.resolution:.3g}{unit}"))
        for name, column in self.covariates.items():
            low, _, high = extremes_and_mean(column)
            rows.append((name, f"{low:.4g} to {high:.4g}"))
        return rows


def _of_nominal(readings: FloatArray, unit: str, factor: float, nominal_hz: float | None) -> FloatArray:
    """Return frequencies as fractions of the nominal one, which they must be near to."""
    if nominal_hz is None:
        msg = f"readings in {unit} need the nominal frequency; give nominal_frequency_hz, such as 10e6"
        raise InputError(msg)
    check_positive(nominal_hz, "nominal_frequency_hz", optional=False)
    fractions = relative_to(nominal_hz / factor, readings)
    present = fractions[~np.isnan(fractions)]
    typical = float(np.median(present)) if len(present) else 0.0
    if abs(typical) > FARTHEST_FROM_NOMINAL:
        msg = (
            f"the readings (median {(1 + typical) * nominal_hz / factor:.9g} {unit}) are more than "
            f"{percent(FARTHEST_FROM_NOMINAL)} away from the nominal {frequency_text(nominal_hz)}; check "
            "unit and nominal_frequency_hz"
        )
        raise InputError(msg)
    return fractions


def check_record(given: object, *, grid_for: str = "") -> None:
    """Raise ``InputError`` unless a record is given, on a grid where the function of that name needs one."""
    if isinstance(given, Record):
        if grid_for:
            given.needs_grid(grid_for)
        return
    shape = getattr(given, "shape", None)
    what = f"{type(given).__name__}" + (f" of shape {shape}" if shape is not None else "")
    msg = (
        f"a Record is needed, not {what}; make one with Record.from_frequency(samples, interval_s=…) or "
        "Record.from_phase(samples, interval_s=…), or read a log with read_log(path)"
    )
    raise InputError(msg)
