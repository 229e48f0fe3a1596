"""The best uncertainty a counter can reach over frequency and gate time."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from evenbeat.counter.resolution import CountLaw, count_error
from evenbeat.counter.timebase import Timebase
from evenbeat.errors import InputError
from evenbeat.findings import caution
from evenbeat.quantities import FloatArray
from evenbeat.result import Column, Result, Table
from evenbeat.units import duration_text

LIMITS = ("count", "clock tick", "trigger", "timebase")


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Reach(Result):
    """Relative standard uncertainties, each of shape (frequencies, gates).

    Attributes
    ----------
    frequency_hz, gate_s
        Shape (n,) and (m,).
    direct, reciprocal
        Of counting events, and of timing whole periods (NaN without clock tick).
    best
        The smaller of the two.
    limit
        Index into :data:`LIMITS` of the largest contribution to ``best``.
    """

    frequency_hz: FloatArray
    gate_s: FloatArray
    direct: FloatArray
    reciprocal: FloatArray
    best: FloatArray
    limit: npt.NDArray[np.intp]

    _longest_table = 9

    def _columns(self) -> tuple[Column, ...]:
        """Return one row per pair of frequency and gate time."""
        frequency, gate = np.meshgrid(self.frequency_hz, self.gate_s, indexing="ij")
        return (
            Column("frequency_hz", frequency.ravel()),
            Column("gate_s", gate.ravel()),
            Column("direct", self.direct.ravel()),
            Column("reciprocal", self.reciprocal.ravel()),
            Column("best", self.best.ravel()),
            Column("limited_by", [LIMITS[i] for i in self.limit.ravel()]),
        )

    def _table(self) -> Table | None:
        gates = np.unique(np.linspace(0, len(self.gate_s) - 1, 5).round().astype(int))
        return self._table_of(
            (
                Column("", self.frequency_hz, "frequency", lambda f: f"{f:.4g} Hz"),
                *(Column("", self.best[:, j], duration_text(float(self.gate_s[j])), ".2e") for j in gates),
            )
        )

    def _headline(self) -> str:
        return (
            f"Relative standard uncertainty {self.best.min():.2g} to {self.best.max():.2g} from "
            f"{self.frequency_hz[0]:g} to {self.frequency_hz[-1]:g} Hz"
        )


def best_uncertainty(
    frequency_hz: npt.ArrayLike,
    gate_s: npt.ArrayLike,
    *,
    clock_tick_s: float | None = None,
    level_v: float | None = None,
    noise_v: float = 0.0,
    timebase: Timebase | float | None = None,
    count_law: CountLaw = "triangular",
) -> Reach:
    """Return the relative standard uncertainty of a frequency reading over frequency and gate time.

    Parameters
    ----------
    frequency_hz, gate_s
        Rising positive numbers, shapes (n,) and (m,).
    clock_tick_s
        Of the clock that times whole periods; without it only counting is offered.
    level_v, noise_v
        Sine level (root mean square) and noise at the input, for the trigger.
    timebase
        :class:`evenbeat.Timebase`, or a relative limit ±.
    count_law
        See :func:`evenbeat.reading_uncertainty`.

    Returns
    -------
    Reach
        Table of frequencies by gate times, with what limits each cell.

    Raises
    ------
    InputError
        If an axis is empty, not rising or not positive.

    Notes
    -----
    Timing needs at least one whole period, so below ``1 / gate`` the measuring time is one period.

    Examples
    --------
    >>> import evenbeat as eb
    >>> reach = eb.best_uncertainty([1e3, 1e7], [1.0, 10.0], clock_tick_s=1e-8, timebase=1e-9)
    >>> reach.best.shape
    (2, 2)

    References
    ----------
    Formula: u = 1/(√6 f T), t_c/(√6 T), √2 σ_t/T, and the timebase
    Source: JCGM 100:2008 (GUM)
    Tests: tests/counter/test_reading.py
    """
    f, gate = (np.atleast_1d(np.asarray(axis, dtype=float)) for axis in (frequency_hz, gate_s))
    for name, axis in {"frequency_hz": f, "gate_s": gate}.items():
        if axis.ndim != 1 or not len(axis) or not np.all(np.isfinite(axis) & (axis > 0)):
            msg = f"{name} must hold positive numbers"
            raise InputError(msg)
        if np.any(np.diff(axis) <= 0):
            msg = f"{name} must rise"
            raise InputError(msg)
    law = count_error(count_law)[0]
    stated = Timebase.from_specification(timebase) if isinstance(timebase, float | int) else timebase
    fixed = np.full((len(f), len(gate)), 0.0 if stated is None else stated.standard_uncertainty)
    count = law / np.multiply.outer(f, gate)
    span = np.maximum(gate[np.newaxis, :], 1 / f[:, np.newaxis])
    tick = np.full_like(span, np.nan) if clock_tick_s is None else clock_tick_s * law / span
    jitter = np.zeros_like(f) if level_v is None else noise_v / (2 * math.pi * f * math.sqrt(2) * level_v)
    trigger = math.sqrt(2) * jitter[:, np.newaxis] / span
    direct = np.hypot(count, fixed)
    reciprocal = np.sqrt(tick**2 + trigger**2 + fixed**2)
    timed = np.nan_to_num(reciprocal, nan=np.inf) < direct
    parts = np.stack(
        [np.where(timed, 0, count), np.where(timed, tick, 0), np.where(timed, trigger, 0), fixed]
    )
    missing = "No timebase is stated, so its error is missing from these uncertainties."
    return Reach(
        frequency_hz=f,
        gate_s=gate,
        direct=direct,
        reciprocal=reciprocal,
        best=np.where(timed, reciprocal, direct),
        limit=np.argmax(parts, axis=0),
        findings=() if stated is not None else (caution("TIMEBASE_NOT_STATED", missing),),
    )
