"""A card for the bench: what a reading is worth on a date, and what a claimed uncertainty needs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from evenbeat.clock.model import ClockModel
from evenbeat.counter.reading import reading_uncertainty
from evenbeat.counter.resolution import CountLaw, Method
from evenbeat.counter.timebase import Timebase
from evenbeat.errors import InputError
from evenbeat.findings import merged
from evenbeat.quantities import DEFAULT_CONFIDENCE, FloatArray, checked_probability
from evenbeat.result import Column, Result, Table
from evenbeat.units import duration_text


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class TimebaseCard(Result):
    """What readings are worth, made by :func:`evenbeat.timebase_card`.

    Attributes
    ----------
    elapsed_s
        Shape (n,): time since the calibration, or the end of the model's record.
    offset
        Shape (n,): expected fractional frequency of the timebase then.
    frequency_hz, gate_s
        Shape (k,) and (m,).
    averaging_time_s
        The offset is the mean over so long; NaN where the timebase is no clock model.
    half_width
        Shape (n, k, m): readings are right within ± this, in hertz, with ``confidence``; about the
        reading corrected for ``offset`` where ``corrected``, else about the reading as it is.
    """

    elapsed_s: FloatArray
    offset: FloatArray
    frequency_hz: FloatArray
    gate_s: FloatArray
    half_width: FloatArray
    confidence: float
    corrected: bool
    averaging_time_s: float = math.nan

    _longest_table = 1000

    def _columns(self) -> tuple[Column, ...]:
        """Return one row per time, frequency and gate."""
        time, frequency, gate = np.meshgrid(
            np.arange(len(self.elapsed_s)), self.frequency_hz, self.gate_s, indexing="ij"
        )
        return (
            Column("elapsed_s", self.elapsed_s[time.ravel()]),
            Column("timebase_offset", self.offset[time.ravel()]),
            Column("frequency_hz", frequency.ravel()),
            Column("gate_s", gate.ravel()),
            Column("half_width_hz", self.half_width.ravel()),
        )

    def _table(self) -> Table | None:
        times, frequencies, gates = self.half_width.shape
        widths = self.half_width.reshape(-1, gates).T
        return self._table_of(
            (
                Column("", np.repeat(self.elapsed_s, frequencies), "after", _after),
                Column("", np.tile(self.frequency_hz, times), "reading", lambda f: f"{f:.7g} Hz"),
                *(Column("", w, f"gate {g:g} s", ".2g") for w, g in zip(widths, self.gate_s, strict=True)),
            )
        )

    def _headline(self) -> str:
        about = "corrected for the timebase's expected offset" if self.corrected else "as displayed"
        known = not math.isnan(self.averaging_time_s)
        over = f"; offset: mean over {duration_text(self.averaging_time_s)}" if known else ""
        return f"Readings {about} are right within ± ({100 * self.confidence:g} %), in hertz{over}"


def _after(seconds: float) -> str:
    return duration_text(seconds) if seconds > 0 else "now"


def timebase_card(
    timebase: ClockModel | Sequence[Timebase],
    *,
    elapsed_s: Sequence[float],
    frequency_hz: Sequence[float],
    gate_s: Sequence[float],
    method: Method = "direct",
    clock_tick_s: float | None = None,
    count_law: CountLaw = "triangular",
    corrected: bool = False,
    confidence: float = DEFAULT_CONFIDENCE,
    averaging_time_s: float | None = None,
) -> TimebaseCard:
    """Return what a reading of a frequency at a gate time is worth some time from now.

    Parameters
    ----------
    timebase
        A clock model, or one :class:`evenbeat.Timebase` for each of ``elapsed_s``.
    elapsed_s
        Times since the end of the model's record (or since the calibration), 0 or more, in seconds.
    frequency_hz, gate_s
        What is read, and for how long.
    method, clock_tick_s, count_law
        See :func:`evenbeat.reading_uncertainty`.
    corrected
        Whether the reader will correct for the expected offset; otherwise the offset widens the card.
    confidence
        Coverage probability.
    averaging_time_s
        Of a clock model: the offset of the timebase is its mean over so long, by default that of the model
        (:attr:`evenbeat.result.ClockModel.averaging_time_s`).

    Returns
    -------
    TimebaseCard
        Uncertainty for each elapsed time, frequency and gate, with what limits it.

    Raises
    ------
    InputError
        If a list is empty, a time negative, or the lengths differ; if an averaging time is given without a
        clock model.

    Notes
    -----
    Uncorrected, the half width is |offset| f + U (JCGM 100:2008, F.2.4.5: an offset that is not
    corrected is added to U, not mixed into it).

    Examples
    --------
    >>> import evenbeat as eb
    >>> noise = eb.NoiseLevels(white_fm=1e-20, random_walk_fm=1e-30)
    >>> record = eb.simulate_clock(600, interval_s=60, levels=noise, seed=1)
    >>> model = eb.fit_clock(record)
    >>> card = eb.timebase_card(model, elapsed_s=[86400.0], frequency_hz=[1e7], gate_s=[1.0])
    >>> len(card.to_frame())
    1

    References
    ----------
    Source: forecasts of fit_clock in hertz
    Tests: tests/counter/test_card.py
    """
    confidence = checked_probability(confidence, "confidence")
    times = np.asarray(list(elapsed_s), dtype=float)
    if not (len(times) and len(frequency_hz) and len(gate_s)) or np.any(~(times >= 0)):
        msg = "elapsed_s, frequency_hz and gate_s each need at least one value, times 0 or more"
        raise InputError(msg)
    if isinstance(timebase, ClockModel):
        end = timebase.record.duration_s
        over = timebase.averaging_time_s if averaging_time_s is None else averaging_time_s
        known = [Timebase.from_model(timebase, end + float(time), averaging_time_s=over) for time in times]
    elif averaging_time_s is not None:
        msg = "averaging_time_s is given, but only a clock model knows the noise of averages"
        raise InputError(msg)
    else:
        over = math.nan
        known = list(timebase)
    if len(known) != len(times):
        msg = f"{len(known)} timebases are given for {len(times)} times; give one for each"
        raise InputError(msg)
    how = {"method": method, "clock_tick_s": clock_tick_s, "count_law": count_law}

    def half_width(timebase: Timebase, hertz: float, gate: float) -> float:
        worth = reading_uncertainty("frequency", hertz, gate_s=gate, timebase=timebase, **how)  # type: ignore[arg-type]
        uncorrected = 0.0 if corrected else abs(timebase.offset) * hertz
        return worth.budget.expanded_uncertainty(confidence) + uncorrected

    half = [[[half_width(t, float(f), float(g)) for g in gate_s] for f in frequency_hz] for t in known]
    return TimebaseCard(
        elapsed_s=times,
        offset=np.array([one.offset for one in known]),
        frequency_hz=np.asarray(frequency_hz, dtype=float),
        gate_s=np.asarray(gate_s, dtype=float),
        half_width=np.array(half),
        confidence=confidence,
        corrected=corrected,
        averaging_time_s=over,
        findings=merged(*(one.findings for one in known)),
    )
