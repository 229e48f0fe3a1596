"""Spectral density of fractional frequency, of time error and of phase noise, with its interval."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from evenbeat.deviations.points import about_record
from evenbeat.deviations.sums.kernels import sum_of_squared_differences
from evenbeat.deviations.sums.samples import samples_of
from evenbeat.errors import InputError, TooShortError
from evenbeat.findings import Finding, caution, note
from evenbeat.intake import check_positive
from evenbeat.plain import listed_as
from evenbeat.quantities import DEFAULT_CONFIDENCE, FloatArray, checked_probability
from evenbeat.record import Record, check_record
from evenbeat.result import Column, Result
from evenbeat.units import duration_text

Sampled = Literal["phase", "frequency"]

DEFAULT_SEGMENTS = 8
FEWEST_PER_SEGMENT = 16
FIRST_LINE = 3
"""Lines 0 to 2 are left out: detrending took their power or, through the width of the taper, they took that
of their neighbours (for random-walk FM line 2 is 40 % too high, line 3 still 13 %)."""
LONGEST_TABLE = 24
PHASE_RATIO = 2.4
"""Ratio of the Allan variances at one and two intervals between that of white FM (2) and flicker PM (2.9)."""
_OVERLAP_CORRELATION = 1 / 36
"""Squared correlation of two Hann-tapered segments that overlap by half (Welch 1967)."""
_LINE_CORRELATION = (4 / 9, 1 / 36)
"""Squared correlation of lines one and two apart under the Hann taper (Harris 1978)."""


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Spectrum(Result):
    """One-sided spectral densities of a record, made by :func:`evenbeat.spectrum`.

    Attributes
    ----------
    frequency_hz
        Shape (n,): Fourier frequencies.
    frequency_density
        Shape (n,): S_y(f), of fractional frequency, in 1/Hz.
    degrees_of_freedom
        Shape (n,): of the chi-squared distribution of each value.
    sampled
        ``'phase'`` or ``'frequency'``: whether the highest frequencies are taken as those of sampled phase
        (white PM dominates there) or of mean frequencies over each interval.
    segments, segment_s
        How many tapered segments were averaged, and how long each is.
    interval_s, nominal_frequency_hz
        Of the record; the latter is the carrier where none is given.
    """

    frequency_hz: FloatArray
    frequency_density: FloatArray
    degrees_of_freedom: FloatArray
    sampled: Sampled
    segments: int
    segment_s: float
    interval_s: float
    nominal_frequency_hz: float | None = field(default=None, metadata=listed_as("carrier_hz"))
    record_name: str = ""

    def __post_init__(self) -> None:
        for name in ("frequency_hz", "frequency_density", "degrees_of_freedom"):
            locked = np.asarray(getattr(self, name), dtype=float).view()
            locked.flags.writeable = False
            object.__setattr__(self, name, locked)

    def __len__(self) -> int:
        return len(self.frequency_hz)

    @property
    def phase_density_s2_per_hz(self) -> FloatArray:
        """Shape (n,): S_x(f) = S_y(f)/(2πf)², of time error, in s²/Hz."""
        return np.asarray(self.frequency_density / (2 * np.pi * self.frequency_hz) ** 2)

    def phase_noise_dbc_per_hz(self, carrier_hz: float | None = None) -> FloatArray:
        """Return L(f) in dBc/Hz for a carrier, shape (n,).

        Parameters
        ----------
        carrier_hz
            Frequency of the carrier; the record's nominal frequency where it is not given.

        Raises
        ------
        InputError
            If there is no carrier, or it is not positive.

        Notes
        -----
        L(f) = S_φ(f)/2 with S_φ = (2π ν₀)² S_x (IEEE Std 1139). Not a share of power in a sideband where
        the phase, integrated from f upwards, exceeds about 0.1 rad².
        """
        carrier = self.nominal_frequency_hz if carrier_hz is None else carrier_hz
        if carrier is None:
            msg = "the record states no nominal frequency; give carrier_hz, such as 10e6"
            raise InputError(msg)
        check_positive(carrier, "carrier_hz", optional=False)
        with np.errstate(divide="ignore"):
            return np.asarray(10 * np.log10(0.5 * (2 * np.pi * carrier) ** 2 * self.phase_density_s2_per_hz))

    def confidence_interval(self, confidence: float = DEFAULT_CONFIDENCE) -> tuple[FloatArray, FloatArray]:
        """Return the limits of S_y in 1/Hz, equal probability outside on either side, shape (n,) each.

        Raises
        ------
        InputError
            If the confidence does not lie between 0 and 1.
        """
        from scipy import special

        tail, half = 0.5 * (1 - checked_probability(confidence, "confidence")), 0.5 * self.degrees_of_freedom
        low, high = (half / special.gammaincinv(half, share) for share in (1 - tail, tail))
        return self.frequency_density * low, self.frequency_density * high

    def binned(self, per_decade: int) -> Spectrum:
        """Return the spectrum averaged in logarithmic bins, the degrees of freedom added up.

        Parameters
        ----------
        per_decade
            Number of bins in a factor of ten; where lines lie further apart they stay alone.

        Raises
        ------
        InputError
            If it is not a positive whole number.

        Notes
        -----
        Averaged is S_y f^-α with α the slope of the bin, at the geometric mean of its frequencies, so
        that a steep spectrum is not lifted. Neighbouring lines share power through the taper; their
        degrees of freedom are corrected for it.
        """
        if per_decade != int(per_decade) or per_decade < 1:
            msg = f"bins_per_decade is {per_decade}; it must be a positive whole number"
            raise InputError(msg)
        number = np.floor(np.log10(self.frequency_hz / self.frequency_hz[0]) * per_decade + 1e-9)
        edges = np.flatnonzero(np.diff(number, prepend=-1))
        groups = np.split(np.arange(len(self)), edges[1:])
        bins = [self._bin(group) for group in groups]
        frequency, density, freedom = (np.array(column) for column in zip(*bins, strict=True))
        return replace(self, frequency_hz=frequency, frequency_density=density, degrees_of_freedom=freedom)

    def _bin(self, lines: np.ndarray) -> tuple[float, float, float]:
        frequency, density = self.frequency_hz[lines], self.frequency_density[lines]
        count = len(lines)
        middle = float(np.exp(np.mean(np.log(frequency))))
        flat = density
        if count > 2 and np.all(density > 0):
            log_f = np.log(frequency / middle)
            slope = round(float(np.dot(log_f, np.log(density)) / np.dot(log_f, log_f)))
            flat = density * (frequency / middle) ** -max(-4, min(4, slope))
        shared = sum(
            2 * (1 - apart / count) * square
            for apart, square in enumerate(_LINE_CORRELATION, start=1)
            if apart < count
        )
        freedom = float(np.sum(self.degrees_of_freedom[lines])) / (1 + shared)
        return middle, float(np.mean(flat)), freedom

    def _columns(self) -> tuple[Column, ...]:
        low, high = self.confidence_interval()
        columns = (
            Column("frequency_hz", self.frequency_hz, "f / Hz", ".4g"),
            Column("frequency_density_per_hz", self.frequency_density, "S_y / 1/Hz", ".3e"),
            Column("low_95_per_hz", low, "95 % low", ".3e"),
            Column("high_95_per_hz", high, "95 % high", ".3e"),
            Column("phase_density_s2_per_hz", self.phase_density_s2_per_hz, "S_x / s²/Hz", ".3e"),
            Column("degrees_of_freedom", self.degrees_of_freedom),
        )
        if self.nominal_frequency_hz is None or not np.all(self.frequency_density > 0):
            return columns
        return (
            *columns,
            Column("phase_noise_dbc_per_hz", self.phase_noise_dbc_per_hz(), "L / dBc/Hz", ".1f"),
        )

    def _shown_rows(self, count: int) -> Iterable[int]:
        return np.unique(np.geomspace(1, count, min(count, LONGEST_TABLE)).round().astype(int)) - 1

    def _headline(self) -> str:
        of = f" of {self.record_name}" if self.record_name else ""
        return (
            f"Spectral density{of} from {self.frequency_hz[0]:.3g} Hz to {self.frequency_hz[-1]:.3g} Hz, "
            f"{self.segments} segments of {duration_text(self.segment_s)}"
        )


def spectrum(
    record: Record, *, segments: int = DEFAULT_SEGMENTS, bins_per_decade: int | None = None
) -> Spectrum:
    """Return the spectral densities S_y, S_x and L of a record, averaged over segments.

    Parameters
    ----------
    record
        Phase or frequency; flagged samples are left out, steps of known size are subtracted.
    segments
        Number of segments into which the longest stretch without gap is cut, overlapping by half. More
        of them make the values steadier and the lowest frequency higher.
    bins_per_decade
        Averages of neighbouring frequencies on a logarithmic scale; ``None`` keeps every line.

    Returns
    -------
    Spectrum
        Fourier frequencies in hertz, S_y in 1/Hz, S_x in s²/Hz, L in 1/Hz, with intervals.

    Raises
    ------
    InputError
        If ``segments`` or ``bins_per_decade`` is not a positive whole number.
    TooShortError
        If a segment would have fewer than 16 samples.

    Notes
    -----
    Welch (1967) with a Hann taper: without a taper the leakage of random-walk FM hides everything above
    the lowest frequency. Frequency is transformed, never phase, whose spectrum is steeper by f²: the line
    of the whole stretch is taken out, and the mean of each segment. Where white or flicker PM dominates the
    shortest times the density is divided by ``sinc²(f interval)``, which is what differencing sampled phase
    does beside (2πf)². ``S_x = S_y/(2πf)²``. Each value is distributed nearly as chi-squared with 2K degrees
    of freedom for K segments, less what their overlap shares. Nothing is interpolated: where there are gaps
    the stretches long enough for a segment are used.

    Not valid beyond about a fifth of the sampling rate for flicker and random-walk FM, which come out up to
    25 % low at half of it (averaging over the interval), nor for readings with dead time.

    Examples
    --------
    >>> import evenbeat as eb
    >>> noise = eb.NoiseLevels(white_fm=1e-20, random_walk_fm=1e-30)
    >>> record = eb.simulate_clock(600, interval_s=60, levels=noise, seed=1)
    >>> spectrum = eb.spectrum(record)
    >>> bool((spectrum.frequency_hz > 0).all())
    True

    References
    ----------
    Formula: S_x(f) = S_y(f)/(2πf)²; L(f) = 10 lg(S_φ/2)
    Source: IEEE Std 1139; Welch 1967 (averaged segments)
    Tests: tests/deviations/test_spectrum.py
    """
    check_record(record, grid_for="spectrum")
    if segments != int(segments) or segments < 1:
        msg = f"segments is {segments}; it must be a positive whole number"
        raise InputError(msg)
    values = np.asarray(record.usable_values(without_steps=True), dtype=float)
    rows = values if record.kind == "frequency" else np.diff(values) / record.interval_s
    # whether the shortest averaging times show phase noise: Allan variances, a factor of 4 apart for the same
    # mean square
    samples = samples_of(record, 1.0)
    one, two = (sum_of_squared_differences(samples, lag, 2) for lag in (1, 2))
    phase_noise = 4 * one.total * two.terms > PHASE_RATIO * two.total * one.terms
    sampled: Sampled = "phase" if phase_noise else "frequency"
    edges = np.flatnonzero(np.diff(~np.isnan(rows), prepend=False, append=False))
    stretches = [(int(start), int(stop)) for start, stop in edges.reshape(-1, 2)]
    segments = int(segments)
    longest = max((stop - start for start, stop in stretches), default=0)
    length = (2 * longest // (segments + 1) if segments > 1 else longest) // 2 * 2
    if length < FEWEST_PER_SEGMENT:
        needed = FEWEST_PER_SEGMENT * (segments + 1) // 2
        msg = (
            f"{segments} segments need a stretch of at least {needed} samples without gap; the longest has "
            f"{longest}; ask for fewer segments"
        )
        raise TooShortError(msg, needed=needed, available=longest)
    used = [(start, stop) for start, stop in stretches if stop - start >= length]
    frequency, density, count = _averaged(rows, used, length, record.interval_s)
    shared = sum(2 * (1 - 1 / c) * _OVERLAP_CORRELATION * c for c in count if c > 1) / sum(count)
    kept = slice(FIRST_LINE, -1)  # the line at half the sampling rate has half the degrees of freedom
    if sampled == "phase":
        density = density / np.sinc(frequency * record.interval_s) ** 2
    result = Spectrum(
        frequency_hz=frequency[kept],
        frequency_density=density[kept],
        degrees_of_freedom=np.full(len(frequency[kept]), 2 * sum(count) / (1 + shared)),
        sampled=sampled,
        segments=sum(count),
        segment_s=length * record.interval_s,
        interval_s=record.interval_s,
        nominal_frequency_hz=record.nominal_frequency_hz,
        record_name="" if record.source is None else record.source.name,
        findings=(*about_record(record), *_findings(rows, used, sampled, record)),
    )
    return result if bins_per_decade is None else result.binned(bins_per_decade)


def _averaged(
    values: FloatArray, stretches: list[tuple[int, int]], length: int, interval_s: float
) -> tuple[FloatArray, FloatArray, list[int]]:
    """Return frequencies, mean density over all segments, and how many segments each stretch gave."""
    from scipy import signal

    step = length // 2
    counts = [(stop - start - length) // step + 1 for start, stop in stretches]
    total = np.zeros(length // 2 + 1)
    for (start, stop), count in zip(stretches, counts, strict=True):
        stretch = signal.detrend(values[start:stop])
        scale = float(np.max(np.abs(stretch))) or 1.0
        frequency, density = signal.welch(
            stretch / scale,
            fs=1 / interval_s,
            window="hann",
            nperseg=length,
            noverlap=length // 2,
            detrend="constant",
        )
        total += count * density * scale**2
    return frequency, total / sum(counts), counts


def _findings(
    values: FloatArray, used: list[tuple[int, int]], sampled: Sampled, record: Record
) -> tuple[Finding, ...]:
    sentence = (
        "White or flicker PM dominates the shortest times: the densities are those of the sampled phase."
        if sampled == "phase"
        else "The densities are those of mean frequencies over the interval; beyond a fifth of the sampling "
        "rate folded noise and the averaging change steep noises by up to 25 %."
    )
    found = [note("SPECTRUM_OF", sentence, sampled=sampled)]
    if np.isnan(values).any():
        share = sum(stop - start for start, stop in used) / len(values)
        sentence = (
            f"Only the {len(used)} stretch(es) without gap that hold a whole segment were used, {share:.0%} "
            f"of the record of {duration_text(record.duration_s)}; nothing was filled in."
        )
        found.append(note("GAPS_SKIPPED", sentence, stretches=len(used), share=share))
    if not math.isfinite(float(np.nanmax(np.abs(values)))) or float(np.nanmax(np.abs(values))) == 0:
        sentence = "The readings do not vary, so that every density is zero."
        found.append(caution("NO_VARIATION", sentence))
    return tuple(found)
