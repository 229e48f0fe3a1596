"""Aging laws: how the frequency of an undisturbed oscillator moves with time.

To add a law, write one :class:`AgingLaw` and put it into ``AGING_LAWS``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from evenbeat.errors import InputError
from evenbeat.quantities import FloatArray

Shape = Callable[[FloatArray, float], FloatArray]


@dataclass(frozen=True, kw_only=True)
class AgingLaw:
    """Frequency = constant + coefficient × shape(u, b), with u = time / record length.

    Parameters
    ----------
    name
        As given to ``fit_clock(aging=…)``.
    formula
        In words of the trade, for the report.
    shape
        The law at scaled time u (shape (n,)) and curvature b, or ``None`` for no aging at all.
    slope
        Its derivative with respect to u.
    curvatures
        Where the search for the one nonlinear parameter starts; ``(0.0,)`` where there is none.
    """

    name: str
    formula: str
    shape: Shape | None
    slope: Shape | None
    curvatures: tuple[float, ...] = (0.0,)

    @property
    def parameters(self) -> int:
        """Number of parameters besides the constant."""
        return (self.shape is not None) + (len(self.curvatures) > 1)

    def mean_over(self, start: FloatArray, stop: FloatArray, curvature: float) -> FloatArray:
        """Return the mean of the shape over scaled spans, shape (n, 1), or (n, 0) without aging.

        Simpson's rule is exact for the straight line and, for spans up to a twentieth of the record
        and the curvatures in use, within 1e-5 of the coefficient for the logarithm.
        """
        if self.shape is None:
            return np.empty((len(start), 0))
        pieces = 16
        width = (stop - start) / pieces
        total = np.zeros(len(start))
        for piece in range(pieces):
            left = start + piece * width
            middle = self.shape(left + 0.5 * width, curvature)
            total += self.shape(left, curvature) + 4 * middle + self.shape(left + width, curvature)
        return (total / (6 * pieces))[:, np.newaxis]

    def slope_at(self, scaled_time: FloatArray, curvature: float) -> FloatArray:
        """Return the derivative with respect to scaled time, shape (n, 1) or (n, 0)."""
        if self.slope is None:
            return np.empty((len(scaled_time), 0))
        return self.slope(scaled_time, curvature)[:, np.newaxis]


def _line(u: FloatArray, _curvature: float) -> FloatArray:
    return u


def _line_slope(u: FloatArray, _curvature: float) -> FloatArray:
    return np.ones_like(u)


def _logarithm(u: FloatArray, curvature: float) -> FloatArray:
    # divided by its value at the end of the record, so that all curvatures have coefficients alike
    return np.log1p(curvature * np.maximum(u, 0.0)) / np.log1p(curvature)


def _logarithm_slope(u: FloatArray, curvature: float) -> FloatArray:
    return curvature / (1 + curvature * np.maximum(u, 0.0)) / np.log1p(curvature)


AGING_LAWS: dict[str, AgingLaw] = {
    law.name: law
    for law in (
        AgingLaw(name="none", formula="y = C", shape=None, slope=None),
        AgingLaw(name="linear", formula="y = C + D t", shape=_line, slope=_line_slope),
        AgingLaw(
            name="logarithmic",
            # MIL-PRF-55310: f(t) = A ln(B t + 1) + f0
            formula="y = C + A ln(1 + B t)",
            shape=_logarithm,
            slope=_logarithm_slope,
            curvatures=(0.3, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0, 1000.0),
        ),
    )
}
AUTOMATIC_LAWS = ("linear", "logarithmic")


def chosen_laws(aging: str) -> tuple[AgingLaw, ...]:
    """Return the laws that ``aging`` stands for: one by name, or those that ``'auto'`` compares.

    Raises
    ------
    InputError
        If there is no such law.
    """
    if aging == "auto":
        return tuple(AGING_LAWS[name] for name in AUTOMATIC_LAWS)
    if aging not in AGING_LAWS:
        msg = f"aging is {aging!r}; it must be 'auto' or one of {', '.join(map(repr, AGING_LAWS))}"
        raise InputError(msg)
    return (AGING_LAWS[aging],)
