"""A record: immutable samples of phase or fractional frequency on a regular grid.

Missing samples are NaN; doubtful ones are flagged and stay. Nothing in evenbeat fills, moves or
deletes a sample: what an analysis leaves out is written in ``flags`` and ``findings``.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

from evenbeat.errors import InputError, TooShortError
from evenbeat.findings import Finding
from evenbeat.flags import Flag as Flag  # noqa: PLC0414
from evenbeat.intake import SCAN_BLOCK as SCAN_BLOCK  # noqa: PLC0414
from evenbeat.intake import (
    blocks,
    check_positive,
    check_size,
    checked_covariates,
    checked_samples,
    checked_weighting,
    every,
    extremes_and_mean,
    first_of_groups,
    group_means,
    placed,
    read_only,
    utc,
    whole_factor,
)
from evenbeat.printing import Printed, Table
from evenbeat.provenance import CheckOutcome as CheckOutcome  # noqa: PLC0414
from evenbeat.provenance import Source as Source  # noqa: PLC0414
from evenbeat.provenance import Treatment as Treatment  # noqa: PLC0414
from evenbeat.quantities import FloatArray
from evenbeat.units import duration_text

if TYPE_CHECKING:
    import pandas as pd

Kind = Literal["phase", "frequency"]


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Record(Printed):
    """Samples of time error (``phase``, seconds) or fractional frequency (``frequency``).

    Build one with :func:`evenbeat.read_log`, :meth:`from_phase` or :meth:`from_frequency`.

    Attributes
    ----------
    kind
        ``'phase'``: ``values[k]`` is the time error at ``k * interval_s``, positive when the device
        under test is ahead. ``'frequency'``: ``values[k]`` is the mean fractional frequency over the
        gate that starts at ``k * interval_s``, positive when the device under test is fast.
    values
        Shape (n,), seconds or dimensionless; NaN where missing; read-only, not copied.
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
    flags: tuple[Flag, ...] = ()
    findings: tuple[Finding, ...] = ()
    history: tuple[Treatment, ...] = ()
    checks: tuple[CheckOutcome, ...] = ()
    source: Source | None = None
    truth: Any = None

    def __post_init__(self) -> None:
        if self.kind not in ("phase", "frequency"):
            msg = f"kind is {self.kind!r}; it must be 'phase' or 'frequency'"
            raise InputError(msg)
        for name in ("interval_s", "gate_s", "nominal_frequency_hz"):
            check_positive(getattr(self, name), name, optional=name != "interval_s")
        if self.counter_weighting is not None:
            object.__setattr__(self, "counter_weighting", checked_weighting(self.counter_weighting))
        values = read_only(self.values, "values")
        if len(values) < 2:
            msg = f"the record has {len(values)} sample(s); at least 2 are needed"
            raise TooShortError(msg, needed=2, available=len(values))
        object.__setattr__(self, "values", values)
        covariates = {name: read_only(column, name) for name, column in self.covariates.items()}
        for name, column in covariates.items():
            _check_length(f"covariate {name!r}", column, values)
        object.__setattr__(self, "covariates", covariates)
        if self.stamp_offset_s is not None:
            offset = read_only(self.stamp_offset_s, "stamp_offset_s")
            _check_length("stamp_offset_s", offset, values)
            object.__setattr__(self, "stamp_offset_s", offset)
        object.__setattr__(self, "start", utc(self.start))

    @classmethod
    def from_phase(
        cls,
        phase_s: npt.ArrayLike,
        *,
        interval_s: float | None = None,
        start: np.datetime64 | str | None = None,
        nominal_frequency_hz: float | None = None,
        covariates: Mapping[str, npt.ArrayLike] | None = None,
        reference: str = "",
    ) -> Record:
        """Return a record of time errors.

        Parameters
        ----------
        phase_s
            Shape (n,), seconds, positive when the device under test is ahead; NaN = missing. Rows that the
            index of a pandas series leaves out are missing; it has to be in order and regular.
        interval_s
            Spacing of the samples in seconds; may be left out where a pandas series has dates, time
            differences or seconds as its index.
        start
            UTC of the first sample; from a series with dates where it is left out, those without a zone
            taken as UTC.

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
        grid = placed(phase_s, "phase_s", interval_s)
        values = grid.on_grid(checked_samples(phase_s, "phase_s"))
        return cls(
            kind="phase",
            values=values,
            interval_s=grid.interval_s,
            start=grid.start if start is None else utc(start),
            nominal_frequency_hz=nominal_frequency_hz,
            covariates=checked_covariates(covariates, phase_s, grid),
            reference=reference,
            findings=(*grid.findings, *check_size(values, "phase", grid.interval_s)),
        )

    @classmethod
    def from_frequency(
        cls,
        fractional_frequency: npt.ArrayLike,
        *,
        interval_s: float | None = None,
        gate_s: float | None = None,
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
        interval_s
            Spacing of the gate starts in seconds; may be left out as for :meth:`from_phase`.
        gate_s
            Length of the gate; ``None`` means that gates follow each other without dead time.
        start
            As for :meth:`from_phase`.
        counter_weighting
            ``plain``, ``triangular`` or ``regression``, where the counter's manual tells it.

        Raises
        ------
        InputError
            As for :meth:`from_phase`; if the gate is longer than the interval; if the samples look like
            hertz or like ratios to nominal: nearly all within 1 % of one value of 1 or more.

        Notes
        -----
        Fractions beyond 0.1 (median) are no oscillator's: the record says so in a caution (common practice).

        Examples
        --------
        >>> hertz = np.array([10_000_000.02, 10_000_000.01, 10_000_000.03])
        >>> Record.from_frequency((hertz - 1e7) / 1e7, interval_s=1.0).kind
        'frequency'
        """
        grid = placed(fractional_frequency, "fractional_frequency", interval_s)
        check_positive(gate_s, "gate_s", optional=True)
        if gate_s is not None and gate_s > grid.interval_s * (1 + 1e-9):
            msg = f"gate_s is {gate_s}, longer than the interval of {grid.interval_s} s between readings"
            raise InputError(msg)
        values = grid.on_grid(checked_samples(fractional_frequency, "fractional_frequency"))
        return cls(
            kind="frequency",
            values=values,
            interval_s=grid.interval_s,
            gate_s=gate_s,
            start=grid.start if start is None else utc(start),
            nominal_frequency_hz=nominal_frequency_hz,
            covariates=checked_covariates(covariates, fractional_frequency, grid),
            reference=reference,
            counter_weighting=counter_weighting,
            findings=(*grid.findings, *check_size(values, "frequency", grid.interval_s)),
        )

    def __len__(self) -> int:
        return len(self.values)

    @property
    def duration_s(self) -> float:
        """Time from the first to the end of the last sample, in seconds."""
        return (len(self) - (self.kind == "phase")) * self.interval_s

    @property
    def elapsed_s(self) -> FloatArray:
        """Shape (n,): seconds since the first sample (start of the gate for frequency)."""
        return np.arange(len(self)) * self.interval_s

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
        mask = self._excluded_mask()
        return 0 if mask is None else int(np.count_nonzero(mask & ~np.isnan(self.values)))

    def _excluded_mask(self) -> npt.NDArray[np.bool_] | None:
        spans = [flag for flag in self.flags if flag.excluded]
        if not spans:
            return None
        mask = np.zeros(len(self), dtype=bool)
        for flag in spans:
            mask[flag.start : flag.stop] = True
        return mask

    @property
    def steps(self) -> tuple[Flag, ...]:
        """The flags that mark a step of known size, in order of time."""
        return tuple(sorted((f for f in self.flags if f.size is not None), key=lambda flag: flag.start))

    def usable_values(self, *, without_steps: bool) -> FloatArray:
        """Return the samples an analysis should use: excluded ones NaN, steps subtracted on request.

        Returns the stored array itself where nothing is flagged, so that a memory-mapped record of
        10⁹ samples stays on disk.
        """
        mask = self._excluded_mask()
        steps = self.steps if without_steps else ()
        if mask is None and not steps:
            return self.values
        values = np.array(self.values, dtype=float)
        if mask is not None:
            values[mask] = np.nan
        for step in steps:
            self._subtract_step(values, step)
        return values

    def _subtract_step(self, values: FloatArray, step: Flag) -> None:
        size = step.size or 0.0
        if self.kind == "frequency":
            values[step.start :] -= size
        elif step.cause == "frequency_step":
            values[step.start :] -= size * self.interval_s * np.arange(len(values) - step.start)
        else:
            values[step.start :] -= size

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
        values = np.asarray(self.usable_values(without_steps=False), dtype=float)
        if np.isnan(values).any():
            first = int(np.argmax(np.isnan(values)))
            msg = (
                f"sample {first} of the frequency record is missing or excluded, so the time error beyond it "
                "is not known; integrate the parts with record.between(start, stop).to_phase()"
            )
            raise InputError(msg)
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
            findings=(*self.findings, *self._dead_time_findings()),
            history=(*self.history, Treatment(operation="to_phase")),
        )

    def _dead_time_findings(self) -> tuple[Finding, ...]:
        if self.gate_s is None or self.gate_s >= self.interval_s * (1 - 1e-9):
            return ()
        sentence = (
            f"Only {duration_text(self.gate_s)} of every {duration_text(self.interval_s)} were measured; "
            "the time error was integrated as if the frequency between the gates were the same."
        )
        values = {"gate_s": self.gate_s, "interval_s": self.interval_s}
        return (Finding(code="DEAD_TIME", severity="caution", sentence=sentence, values=values),)

    def to_frequency(self) -> Record:
        """Return the mean fractional frequencies between the samples of a phase record (n - 1 of them)."""
        if self.kind == "frequency":
            return self
        values = np.diff(np.asarray(self.values, dtype=float)) / self.interval_s + self.removed_frequency
        return replace(
            self,
            kind="frequency",
            values=values,
            covariates={name: 0.5 * (c[1:] + c[:-1]) for name, c in self.covariates.items()},
            stamp_offset_s=None if self.stamp_offset_s is None else self.stamp_offset_s[:-1],
            resolution=None if self.resolution is None else self.resolution / self.interval_s,
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
        count = len(self) // factor if self.kind == "frequency" else -(-len(self) // factor)
        if count < 2:
            msg = f"averaging by {factor} leaves {count} of {len(self)} samples; at least 2 are needed"
            needed = 2 * factor if self.kind == "frequency" else factor + 1
            raise TooShortError(msg, needed=needed, available=len(self))
        values = self.usable_values(without_steps=False)
        reduced = group_means if self.kind == "frequency" else every
        return replace(
            self,
            values=reduced(values, factor, count),
            interval_s=self.interval_s * factor,
            gate_s=None
            if self.gate_s is None
            else self.gate_s * factor,  # measured time: dead time stays visible
            covariates={name: reduced(c, factor, count) for name, c in self.covariates.items()},
            stamp_offset_s=first_of_groups(self.stamp_offset_s, factor, count),
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
        offset = np.timedelta64(round(first * self.interval_s * 1e9), "ns")
        moved = (flag.moved(first, last - first) for flag in self.flags)
        values, gained = self.values[first:last], self.removed_frequency * first * self.interval_s
        return replace(
            self,
            values=values + gained if gained else values,
            start=None if self.start is None else self.start + offset,
            covariates={name: column[first:last] for name, column in self.covariates.items()},
            stamp_offset_s=None if self.stamp_offset_s is None else self.stamp_offset_s[first:last],
            flags=tuple(flag for flag in moved if flag is not None),
            history=(*self.history, Treatment(operation="between", arguments={"first": first, "last": last})),
        )

    def _position(self, moment: float | np.datetime64 | str) -> int:
        """Return the first sample at or after a moment, within the record."""
        position = float(self.elapsed_at(np.asarray(moment))[0]) / self.interval_s
        if math.isnan(position):
            msg = f"{moment} is not a moment; give elapsed seconds or UTC"
            raise InputError(msg)
        return math.ceil(min(max(position - 1e-9, 0), len(self)))

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
        return since.astype("timedelta64[ns]").astype(float) * 1e-9

    def with_flags(self, *flags: Flag) -> Record:
        """Return the record with further flags."""
        return replace(self, flags=(*self.flags, *flags))

    def with_findings(self, *findings: Finding) -> Record:
        """Return the record with further findings."""
        return replace(self, findings=(*self.findings, *findings))

    def checked(self, check: str, looked_at: str, **outcome: Any) -> Record:
        """Return the record with the outcome of one more check; see :class:`CheckOutcome`."""
        made = CheckOutcome(check=check, looked_at=looked_at, **outcome)
        return replace(self, checks=(*self.checks, made))

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
            frame["utc"] = self.start + np.round(self.elapsed_s * 1e9).astype("timedelta64[ns]")
        frame[name] = self.phase_s if self.kind == "phase" else self.values
        for covariate, column in self.covariates.items():
            frame[covariate] = column
        frame["flag"] = cause
        return frame

    def to_dict(self) -> dict[str, object]:
        """Return what the record is (not its samples) as plain values, ready for JSON."""
        return {
            "kind": self.kind,
            "samples": len(self),
            "missing": self.missing,
            "excluded": self.excluded,
            "interval_s": self.interval_s,
            "gate_s": self.gate_s,
            "duration_s": self.duration_s,
            "start_utc": None if self.start is None else str(self.start),
            "nominal_frequency_hz": self.nominal_frequency_hz,
            "resolution": self.resolution,
            "counter_weighting": self.counter_weighting,
            "reference": self.reference,
            "covariates": list(self.covariates),
            "source": None if self.source is None else self.source.to_dict(),
            "samples_sha256": self.fingerprint(),
            "flags": [flag.to_dict() for flag in self.flags],
            "history": [str(treatment) for treatment in self.history],
            "checks": [check.to_dict() for check in self.checks],
            "findings": [finding.to_dict() for finding in self.findings],
        }

    def _headline(self) -> str:
        what = "time errors" if self.kind == "phase" else "fractional frequencies"
        left_out = f", {self.missing} missing, {self.excluded} excluded"
        return (
            f"Record of {len(self)} {what} every {duration_text(self.interval_s)} "
            f"over {duration_text(self.duration_s)}{left_out}"
        )

    def _table(self) -> Table:
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
        return Table(columns=("", "value"), rows=tuple(rows))


def check_record(given: object) -> None:
    """Raise ``InputError`` unless a record is given, saying how one is made."""
    if isinstance(given, Record):
        return
    shape = getattr(given, "shape", None)
    what = f"{type(given).__name__}" + (f" of shape {shape}" if shape is not None else "")
    msg = (
        f"a Record is needed, not {what}; make one with Record.from_frequency(samples, interval_s=…) or "
        "Record.from_phase(samples, interval_s=…), or read a log with read_log(path)"
    )
    raise InputError(msg)


def _check_length(name: str, column: FloatArray, values: FloatArray) -> None:
    if len(column) != len(values):
        msg = f"{name} has {len(column)} samples but the record has {len(values)}"
        raise InputError(msg)
