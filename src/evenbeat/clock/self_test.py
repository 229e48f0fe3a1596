"""What a record says of its own forecasts: how many held, and by how much bands are widened for it.

Bands are never narrowed: a record too short to be tested, or a clock that happened to be quiet, earns no
sharper forecast. The factor is λ = max(1, √((5 + Σ w z²)/(5 + Σ w))) over all forecasts within the record,
with z the normal deviate of the outcome under the forecast (held within 6) and w the share of its time that
no neighbouring one covers: a prior worth five forecasts that came out as stated. Own derivation; measured
in ``tests/coverage/real_clocks.md``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special, stats

from evenbeat.findings import Finding
from evenbeat.plain import Plain
from evenbeat.quantities import DEFAULT_CONFIDENCE
from evenbeat.units import duration_text

HORIZONS = (0.25, 0.5, 1.0)
"""How far ahead, as shares of what lay before."""
WORTH = 5.0
FURTHEST = 6.0
FEWEST = 5.0
SURPRISING = 0.01
MOST_WIDENED = 2.0
"""Beyond this the model is not that of the clock, and nothing is recommended from it."""

SelfVerdict = Literal["consistent", "too narrow", "too wide", "too few"]


@dataclass(frozen=True, kw_only=True)
class Tried:
    """One forecast within the record: when and how far ahead in record lengths, and its transform."""

    origin: float
    ahead: float
    transform: float


@dataclass(frozen=True, kw_only=True)
class SelfTest(Plain):
    """Forecasts made within the record, and what came of them.

    Attributes
    ----------
    tests, independent_tests
        Forecasts, and how many that do not overlap they are worth.
    held
        How many of their 95 % bands held the outcome, before any widening.
    error_ratio
        Root mean square of the errors relative to what was stated; 1 is right, NaN without a test.
    widened_by
        Factor by which forecasts after the record and the aging rate are widened: at least 1.
    shortest_s, longest_s
        How far ahead was tested.
    verdict
        ``'consistent'``, ``'too narrow'``, ``'too wide'`` or ``'too few'``, of the bands before widening.
    """

    tests: int
    independent_tests: float
    held: int
    error_ratio: float
    widened_by: float
    shortest_s: float
    longest_s: float
    verdict: SelfVerdict

    @classmethod
    def of(cls, tried: Sequence[Tried], *, record_s: float, spacing: float) -> SelfTest:
        """Return the test that forecasts from origins so far apart make."""
        edge = float(special.ndtr(-FURTHEST))
        z = special.ndtri(np.clip([each.transform for each in tried], edge, 1 - edge))
        w = np.array([min(1.0, spacing / each.ahead) for each in tried])
        worth, squares = float(w.sum()), float(w @ z**2)
        reach = [each.ahead * record_s for each in tried] or [math.nan]
        return cls(
            tests=len(tried),
            independent_tests=worth,
            held=int(np.count_nonzero(np.abs(z) <= special.ndtri(0.5 * (1 + DEFAULT_CONFIDENCE)))),
            error_ratio=math.sqrt(squares / worth) if tried else math.nan,
            widened_by=max(1.0, math.sqrt((WORTH + squares) / (WORTH + worth))),
            shortest_s=min(reach),
            longest_s=max(reach),
            verdict=_verdict(squares, worth),
        )

    @property
    def failed(self) -> bool:
        """Whether bands were so much too narrow that nothing should be recommended."""
        return self.widened_by > MOST_WIDENED

    def finding(self) -> Finding:
        """Return the test in words."""
        values = {
            "tests": self.tests,
            "held": self.held,
            "independent_tests": self.independent_tests,
            "error_ratio": self.error_ratio,
            "widened_by": self.widened_by,
        }
        if not self.tests:
            sentence = "The record is too short to test a single forecast on its own past."
            return Finding(code="SELF_TEST_TOO_FEW", severity="caution", sentence=sentence)
        span = " to ".join(dict.fromkeys(duration_text(s) for s in (self.shortest_s, self.longest_s)))
        said = f"Tested {self.tests} times on its own past, {span} ahead: {self.held} of the 95 % bands held"
        wider = f", so that bands and aging rate are {self.widened_by:.2g} times wider than without the test"
        if self.failed:
            sentence = (
                f"{said}, and errors were {self.error_ratio:.2g} times what was stated: the model is not "
                "that of this clock, and no forecast from it should be trusted."
            )
            return Finding(code="SELF_TEST_FAILED", severity="caution", sentence=sentence, values=values)
        if self.verdict == "too few":
            sentence = (
                f"{said}; that is worth {self.independent_tests:.1f} independent tests, too few to confirm "
                f"or deny anything{wider if self.widened_by >= 1.05 else ''}."
            )
            return Finding(code="SELF_TEST_TOO_FEW", severity="note", sentence=sentence, values=values)
        if self.verdict == "too narrow":
            return Finding(
                code="SELF_TEST_TOO_NARROW", severity="caution", sentence=f"{said}{wider}.", values=values
            )
        if self.verdict == "too wide":
            sentence = f"{said}, and errors were only {self.error_ratio:.2g} times what was stated."
            return Finding(code="SELF_TEST_TOO_WIDE", severity="note", sentence=sentence, values=values)
        sentence = f"{said}{wider if self.widened_by >= 1.05 else ''}."
        return Finding(code="SELF_TEST_CONSISTENT", severity="good", sentence=sentence, values=values)


def _verdict(squares: float, worth: float) -> SelfVerdict:
    """Return the verdict on Σ w z², which is χ² with Σ w degrees of freedom if bands are right."""
    if worth < FEWEST:
        return "too few"
    if stats.chi2.sf(squares, worth) < SURPRISING:
        return "too narrow"
    return "too wide" if stats.chi2.cdf(squares, worth) < SURPRISING else "consistent"
