"""A record: immutable samples of phase or fractional frequency on a regular grid.

Missing samples are NaN; doubtful ones are flagged and stay. Nothing in evenbeat fills, moves or
deletes a sample: what an analysis leaves out is written in ``flags`` and ``findings``.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

from evenbeat.errors import InputError, TooShortError
from evenbeat.findings import Finding
from evenbeat.printing import Printed, Table
from evenbeat.quantities import FloatArray
from evenbeat.units import duration_text

if TYPE_CHECKING:
    import pandas as pd

Kind = Literal["phase", "frequency"]
SCAN_BLOCK = 1 << 20


@dataclass(frozen=True, kw_only=True)
class Flag:
    """Samples ``start`` to ``stop`` (exclusive) that something was noticed about.

    Parameters
    ----------
    cause
        ``outlier``, ``warm_up``, ``frequency_step``, ``phase_step`` …
    excluded
        Whether analyses leave these samples out. A step is not excluded: it is modelled.
    size
        Height of a step: dimensionless for a frequency step, seconds for a phase step.
    """

    cause: str
    start: int
    stop: int
    excluded: bool
    sentence: str
    size: float | None = None

    def moved(self, offset: int, length: int) -> Flag | None:
        """Return the flag in a record that starts ``offset`` later, or ``None`` if it is outside."""
        start, stop = max(0, self.start - offset), min(length, self.stop - offset)
        if stop < start or start >= length or (stop == start and self.stop > self.start):
            return None
        if not self.excluded and self.start <= offset:  # a step before the cut is part of the start value
            return None
        return replace(self, start=start, stop=stop)


@dataclass(frozen=True, kw_only=True)
class Treatment:
    """One entry of a record's history: which function was applied with which arguments."""

    operation: str
    arguments: Mapping[str, object] = field(default_factory=dict)

    def __str__(self) -> str:
        return f"{self.operation}({', '.join(f'{key}={value}' for key, value in self.arguments.items())})"


@dataclass(frozen=True, kw_only=True)
class Source:
    """The file a record came from, with the hash of its bytes as they were read."""

    path: str
    sha256: str
    size_bytes: int
    rows: int

    @property
    def name(self) -> str:
        """File name without its folder."""
        return Path(self.path).name


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
    removed_frequency: float = 0.0
    flags: tuple[Flag, ...] = ()
    findings: tuple[Finding, ...] = ()
    history: tuple[Treatment, ...] = ()
    source: Source | None = None
    truth: Any = None

    def __post_init__(self) -> None:
        if self.kind not in ("phase", "frequency"):
            msg = f"kind is {self.kind!r}; it must be 'phase' or 'frequency'"
            raise InputError(msg)
        for name in ("interval_s", "gate_s", "nominal_frequency_hz"):
            _check_positive(getattr(self, name), name, optional=name != "interval_s")
        values = _read_only(self.values, "values")
        if len(values) < 2:
            msg = f"the record has {len(values)} sample(s); at least 2 are needed"
            raise TooShortError(msg, needed=2, available=len(values))
        object.__setattr__(self, "values", values)
        covariates = {name: _read_only(column, name) for name, column in self.covariates.items()}
        for name, column in covariates.items():
            if len(column) != len(values):
                msg = f"covariate {name!r} has {len(column)} samples but the record has {len(values)}"
                raise InputError(msg)
        object.__setattr__(self, "covariates", covariates)
        object.__setattr__(self, "start", _utc(self.start))

    @classmethod
    def from_phase(
        cls,
        phase_s: npt.ArrayLike,
        *,
        interval_s: float,
        start: np.datetime64 | str | None = None,
        nominal_frequency_hz: float | None = None,
        covariates: Mapping[str, npt.ArrayLike] | None = None,
        reference: str = "",
    ) -> Record:
        """Return a record of time errors.

        Parameters
        ----------
        phase_s
            Shape (n,), seconds, positive when the device under test is ahead; NaN = missing.
        interval_s
            Spacing of the samples in seconds.

        Raises
        ------
        InputError
            If the samples are not one-dimensional numbers, are infinite or all missing, or if the
            interval is not positive.
        """
        return cls(
            kind="phase",
            values=_checked_samples(phase_s, "phase_s"),
            interval_s=interval_s,
            start=_utc(start),
            nominal_frequency_hz=nominal_frequency_hz,
            covariates=_checked_covariates(covariates),
            reference=reference,
        )

    @classmethod
    def from_frequency(
        cls,
        fractional_frequency: npt.ArrayLike,
        *,
        interval_s: float,
        gate_s: float | None = None,
        start: np.datetime64 | str | None = None,
        nominal_frequency_hz: float | None = None,
        covariates: Mapping[str, npt.ArrayLike] | None = None,
        reference: str = "",
    ) -> Record:
        """Return a record of fractional frequencies (f - nominal) / nominal.

        Parameters
        ----------
        fractional_frequency
            Shape (n,), dimensionless, positive when the device under test is fast; NaN = missing.
        interval_s
            Spacing of the gate starts in seconds.
        gate_s
            Length of the gate; ``None`` means that gates follow each other without dead time.

        Raises
        ------
        InputError
            As for :meth:`from_phase`, and if the gate is longer than the interval.
        """
        if gate_s is not None and gate_s > interval_s * (1 + 1e-9):
            msg = f"gate_s is {gate_s}, longer than the interval of {interval_s} s between readings"
            raise InputError(msg)
        return cls(
            kind="frequency",
            values=_checked_samples(fractional_frequency, "fractional_frequency"),
            interval_s=interval_s,
            gate_s=gate_s,
            start=_utc(start),
            nominal_frequency_hz=nominal_frequency_hz,
            covariates=_checked_covariates(covariates),
            reference=reference,
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
        return sum(int(np.count_nonzero(np.isnan(block))) for block in _blocks(self.values))

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
        values = self.usable_values(without_steps=False)
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
            resolution=None,
            removed_frequency=mean,
            history=(*self.history, Treatment(operation="to_phase")),
        )

    def to_frequency(self) -> Record:
        """Return the mean fractional frequencies between the samples of a phase record (n - 1 of them)."""
        if self.kind == "frequency":
            return self
        values = np.diff(self.values) / self.interval_s + self.removed_frequency
        return replace(
            self,
            kind="frequency",
            values=values,
            covariates={name: 0.5 * (c[1:] + c[:-1]) for name, c in self.covariates.items()},
            resolution=None if self.resolution is None else self.resolution / self.interval_s,
            removed_frequency=0.0,
            flags=tuple(_flag_between_samples(flag, len(values)) for flag in self.flags),
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
        if factor != int(factor) or factor < 1:
            msg = f"factor is {factor}; it must be a positive whole number"
            raise InputError(msg)
        count = len(self) // factor if self.kind == "frequency" else -(-len(self) // factor)
        if count < 2:
            msg = f"averaging by {factor} leaves {count} of {len(self)} samples; at least 2 are needed"
            raise TooShortError(msg, needed=2 * factor, available=len(self))
        values = self.usable_values(without_steps=False)
        reduced = _group_means if self.kind == "frequency" else _every
        return replace(
            self,
            values=reduced(values, factor, count),
            interval_s=self.interval_s * factor,
            gate_s=None if self.gate_s is None or self.kind == "phase" else self.interval_s * factor,
            covariates={name: reduced(c, factor, count) for name, c in self.covariates.items()},
            resolution=None,
            flags=tuple(
                replace(f, start=round(f.start / factor), stop=round(f.stop / factor))
                for f in self.steps
                if round(f.start / factor) < count
            ),
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
        first = max(0, math.ceil(self._elapsed(start) / self.interval_s - 1e-9))
        last = min(len(self), math.ceil(self._elapsed(stop) / self.interval_s - 1e-9))
        if last - first < 2:
            msg = (
                f"fewer than 2 samples lie between {start} and {stop}; the record lasts {self.duration_s:g} s"
            )
            raise InputError(msg)
        offset = np.timedelta64(round(first * self.interval_s * 1e9), "ns")
        moved = (flag.moved(first, last - first) for flag in self.flags)
        return replace(
            self,
            values=self.values[first:last],
            start=None if self.start is None else self.start + offset,
            covariates={name: column[first:last] for name, column in self.covariates.items()},
            flags=tuple(flag for flag in moved if flag is not None),
            history=(*self.history, Treatment(operation="between", arguments={"first": first, "last": last})),
        )

    def _elapsed(self, moment: float | np.datetime64 | str) -> float:
        if isinstance(moment, np.datetime64 | str):
            if self.start is None:
                msg = f"the record states no start time, so {moment} cannot be placed; give elapsed seconds"
                raise InputError(msg)
            return float((_utc(moment) - self.start) / np.timedelta64(1, "ns")) * 1e-9
        return float(moment)

    def with_flags(self, *flags: Flag) -> Record:
        """Return the record with further flags."""
        return replace(self, flags=(*self.flags, *flags))

    def with_findings(self, *findings: Finding) -> Record:
        """Return the record with further findings."""
        return replace(self, findings=(*self.findings, *findings))

    def treated(self, operation: str, **arguments: object) -> Record:
        """Return the record with one more entry in its history."""
        return replace(
            self, history=(*self.history, Treatment(operation=operation, arguments=dict(arguments)))
        )

    def fingerprint(self) -> str:
        """Return the SHA-256 of the samples and their spacing, as 64 hexadecimal digits."""
        digest = hashlib.sha256(f"{self.kind} {self.interval_s!r} {self.removed_frequency!r}".encode())
        for block in _blocks(self.values):
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
            "reference": self.reference,
            "covariates": list(self.covariates),
            "source": None
            if self.source is None
            else {
                "name": self.source.name,
                "sha256": self.source.sha256,
                "size_bytes": self.source.size_bytes,
                "rows": self.source.rows,
            },
            "samples_sha256": self.fingerprint(),
            "flags": [
                {
                    "cause": f.cause,
                    "first": f.start,
                    "last": f.stop,
                    "excluded": f.excluded,
                    "size": f.size,
                    "sentence": f.sentence,
                }
                for f in self.flags
            ],
            "history": [str(treatment) for treatment in self.history],
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
        with np.errstate(invalid="ignore"):
            extremes = [
                ("smallest", np.nanmin(values)),
                ("mean", np.nanmean(values)),
                ("largest", np.nanmax(values)),
            ]
        rows = [
            ("start", "not stated" if self.start is None else f"{self.start.astype('datetime64[s]')} UTC")
        ]
        rows += [(name, f"{value:.6g}{unit}") for name, value in extremes]
        if self.resolution is not None:
            rows.append(("display step", f"{self.resolution:.3g}{unit}"))
        rows += [(name, f"{np.nanmin(c):.4g} to {np.nanmax(c):.4g}") for name, c in self.covariates.items()]
        return Table(columns=("", "value"), rows=tuple(rows))


def _utc(moment: Any) -> Any:
    """Return a moment as UTC with a resolution of one nanosecond; ``None`` stays ``None``."""
    return None if moment is None else np.datetime64(moment, "ns")


def _blocks(values: FloatArray) -> Iterator[FloatArray]:
    for begin in range(0, len(values), SCAN_BLOCK):
        yield values[begin : begin + SCAN_BLOCK]


def _check_positive(value: float | None, name: str, *, optional: bool) -> None:
    if value is None and optional:
        return
    if value is None or not (math.isfinite(value) and value > 0):
        msg = f"{name} is {value}; it must be a positive number"
        raise InputError(msg)


def _read_only(values: npt.ArrayLike, name: str) -> FloatArray:
    array = np.asarray(values)
    if array.ndim != 1 or array.dtype.kind not in "fiu":
        msg = f"{name} has shape {array.shape} and type {array.dtype}; a row of numbers is needed"
        raise InputError(msg)
    view = (array if array.dtype.kind == "f" else array.astype(float)).view()
    view.flags.writeable = False
    return view


def _checked_samples(values: npt.ArrayLike, name: str) -> FloatArray:
    if isinstance(values, np.ma.MaskedArray):
        values = np.ma.filled(values.astype(float), np.nan)
    array = _read_only(values, name)
    finite = 0
    for number, block in enumerate(_blocks(array)):
        bad = np.isinf(block)
        if bad.any():
            position = number * SCAN_BLOCK + int(np.argmax(bad))
            msg = f"{name}[{position}] is infinite; a missing sample must be NaN"
            raise InputError(msg)
        finite += int(np.count_nonzero(~np.isnan(block)))
    if len(array) and not finite:
        msg = f"all {len(array)} samples of {name} are missing (NaN); there is nothing to analyse"
        raise InputError(msg)
    return array


def _checked_covariates(covariates: Mapping[str, npt.ArrayLike] | None) -> dict[str, FloatArray]:
    return {name: _checked_samples(column, name) for name, column in (covariates or {}).items()}


def _flag_between_samples(flag: Flag, length: int) -> Flag:
    """Return the flag of a phase record on the frequencies between its samples."""
    if flag.cause == "phase_step":
        sentence = f"{flag.sentence} The frequency across it is left out."
        return replace(
            flag, start=max(0, flag.start - 1), stop=flag.start, excluded=True, size=None, sentence=sentence
        )
    first = max(0, flag.start - 1) if flag.excluded else flag.start
    return replace(flag, start=min(first, length), stop=min(flag.stop, length))


def _group_means(values: FloatArray, factor: int, count: int) -> FloatArray:
    groups = np.asarray(values[: count * factor], dtype=float).reshape(count, factor)
    present = np.count_nonzero(~np.isnan(groups), axis=1)
    totals = np.nansum(groups, axis=1)
    return np.where(2 * present >= factor, totals / np.maximum(present, 1), np.nan)


def _every(values: FloatArray, factor: int, count: int) -> FloatArray:
    return np.asarray(values[: (count - 1) * factor + 1 : factor], dtype=float)
