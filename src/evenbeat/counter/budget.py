"""Contributions to the uncertainty of one number, and how they combine.

Sources: combination, degrees of freedom and coverage factor, JCGM 100:2008 (GUM), 5.1 and G.4; where
a bounded contribution dominates, the distributions are convolved (own derivation; tests/counter/).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from scipy import integrate, optimize, special

from evenbeat.errors import InputError
from evenbeat.findings import Finding, note
from evenbeat.plain import UNLISTED
from evenbeat.quantities import (
    DEFAULT_CONFIDENCE,
    Estimate,
    FloatArray,
    StudentMixture,
    checked_probability,
    number_text,
)
from evenbeat.result import Column, Result, Table

Distribution = Literal["normal", "rectangular", "triangular", "arcsine"]
DIVISORS: dict[str, float] = {
    "normal": 1.0,
    "rectangular": math.sqrt(3),
    "triangular": math.sqrt(6),
    "arcsine": math.sqrt(2),
}
"""Half width over standard uncertainty (JCGM 100:2008, 4.3.7 and 4.3.9; JCGM 101:2008, table 1)."""
QUANTILES: dict[str, Callable[[FloatArray], FloatArray]] = {
    "rectangular": lambda p: 2 * p - 1,
    "triangular": lambda p: np.where(p < 0.5, np.sqrt(2 * p) - 1, 1 - np.sqrt(2 * (1 - p))),
    "arcsine": lambda p: np.sin(math.pi * (p - 0.5)),
}
"""Of each bounded distribution on ±1."""
BOUNDED_NODES = 200
"""Normal components that stand for a bounded distribution."""
DOMINANT_SHARE = 0.9
"""Share of the variance from which one bounded contribution decides the coverage factor."""


@dataclass(frozen=True, kw_only=True)
class Contribution:
    """One source of uncertainty, in the unit of the result.

    Attributes
    ----------
    name
        What it comes from.
    standard_uncertainty
        Its effect on the result as a standard deviation, in the unit of the result.
    degrees_of_freedom
        ``inf`` for what was not estimated from readings.
    distribution
        ``normal``, ``rectangular``, ``triangular`` or ``arcsine``.
    """

    name: str
    standard_uncertainty: float
    degrees_of_freedom: float = math.inf
    distribution: Distribution = "normal"

    def __post_init__(self) -> None:
        if not (self.standard_uncertainty >= 0 and math.isfinite(self.standard_uncertainty)):
            msg = f"the uncertainty '{self.name}' is {self.standard_uncertainty}; it must be 0 or positive"
            raise InputError(msg)
        if not self.degrees_of_freedom > 0:
            found = self.degrees_of_freedom
            msg = f"the degrees of freedom of '{self.name}' are {found}; they must be positive"
            raise InputError(msg)

    @classmethod
    def within(cls, name: str, half_width: float, distribution: Distribution = "rectangular") -> Contribution:
        """Return the contribution of something known to lie within ± ``half_width``."""
        if distribution not in DIVISORS:
            msg = f"distribution is {distribution!r}; it must be one of {', '.join(DIVISORS)}"
            raise InputError(msg)
        return cls(
            name=name, standard_uncertainty=half_width / DIVISORS[distribution], distribution=distribution
        )

    def scaled(self, factor: float) -> Contribution:
        """Return its effect on ``factor`` times the quantity."""
        return replace(self, standard_uncertainty=self.standard_uncertainty * abs(factor))

    @property
    def half_width(self) -> float:
        """Largest effect of a bounded contribution; ``inf`` for a normal one."""
        if self.distribution == "normal":
            return math.inf
        return self.standard_uncertainty * DIVISORS[self.distribution]


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class UncertaintyBudget(Result):
    """A value with all that makes it uncertain.

    Attributes
    ----------
    value, unit
        The result.
    contributions
        Uncorrelated, in the unit of the result.
    """

    value: float
    unit: str
    contributions: tuple[Contribution, ...] = field(metadata=UNLISTED)

    _also = ("standard_uncertainty", "effective_degrees_of_freedom", "limited_by")

    @property
    def standard_uncertainty(self) -> float:
        """Root of the sum of squares."""
        return math.hypot(*(c.standard_uncertainty for c in self.contributions))

    @property
    def relative_standard_uncertainty(self) -> float:
        """Over the magnitude of the value; NaN for a value of zero."""
        return self.standard_uncertainty / abs(self.value) if self.value else math.nan

    @property
    def effective_degrees_of_freedom(self) -> float:
        """Welch-Satterthwaite formula, JCGM 100:2008, G.4.1; ``inf`` if nothing was estimated."""
        total = self.standard_uncertainty or math.inf
        parts = ((c.standard_uncertainty / total) ** 4 / c.degrees_of_freedom for c in self.contributions)
        inverse = math.fsum(parts)
        return 1 / inverse if inverse > 0 else math.inf

    @property
    def shares(self) -> tuple[float, ...]:
        """Share of each contribution in the variance."""
        total = self.standard_uncertainty**2
        return tuple(c.standard_uncertainty**2 / total if total else 0.0 for c in self.contributions)

    @property
    def limited_by(self) -> str:
        """Name of the largest contribution; empty where nothing contributes."""
        if self.standard_uncertainty == 0:
            return ""
        return max(self.contributions, key=lambda c: c.standard_uncertainty).name

    @property
    def dominant_bounded(self) -> Contribution | None:
        """The bounded contribution that holds over nine tenths of the variance, if there is one."""
        for contribution, share in zip(self.contributions, self.shares, strict=True):
            if share > DOMINANT_SHARE and contribution.distribution != "normal":
                return contribution
        return None

    def coverage_factor(self, confidence: float = DEFAULT_CONFIDENCE) -> float:
        """Return k such that value ± k u holds the true value with this probability.

        Student's t at the effective degrees of freedom. Where one bounded contribution dominates, the
        convolution of its distribution with a normal one for the rest.
        """
        confidence = checked_probability(confidence, "confidence")
        dominant = self.dominant_bounded
        if dominant is not None:
            rest = math.sqrt(max(self.standard_uncertainty**2 - dominant.standard_uncertainty**2, 0.0))
            return _convolved_half_width(dominant, rest, confidence) / self.standard_uncertainty
        freedom = self.effective_degrees_of_freedom
        tail = 0.5 * (1 + confidence)
        return float(special.ndtri(tail) if math.isinf(freedom) else special.stdtrit(freedom, tail))

    def expanded_uncertainty(self, confidence: float = DEFAULT_CONFIDENCE) -> float:
        """Return U = k u."""
        return self.coverage_factor(confidence) * self.standard_uncertainty

    @property
    def estimate(self) -> Estimate:
        """The value with its distribution: Student's t at the effective degrees of freedom.

        Where one bounded contribution dominates, its own distribution, widened by the rest: beyond its half
        width there is next to nothing. ``standard_uncertainty`` is u_c either way.
        """
        total, dominant = self.standard_uncertainty, self.dominant_bounded
        if dominant is None:
            made = StudentMixture.student(self.value, total, self.effective_degrees_of_freedom)
        else:
            share = (np.arange(BOUNDED_NODES) + 0.5) / BOUNDED_NODES
            nodes = dominant.half_width * QUANTILES[dominant.distribution](share)
            # what the nodes lack of the variance: the rest, and their spacing
            rest = math.sqrt(max(total**2 - float(np.mean(nodes**2)), 0.0))
            made = StudentMixture(
                weights=np.full(BOUNDED_NODES, 1 / BOUNDED_NODES),
                locations=self.value + nodes,
                scales=np.full(BOUNDED_NODES, rest),
                degrees_of_freedom=np.full(BOUNDED_NODES, math.inf),
            )
        return Estimate(distribution=made, unit=self.unit, combined_uncertainty=total)

    def _facts(self) -> Mapping[str, object]:
        return {
            **super()._facts(),
            "confidence": DEFAULT_CONFIDENCE,
            "coverage_factor": self.coverage_factor(),
            "expanded_uncertainty": self.expanded_uncertainty(),
        }

    def _columns(self) -> tuple[Column, ...]:
        """Return one row per contribution, the largest first."""
        pairs = zip(self.contributions, self.shares, strict=True)
        ranked = sorted(pairs, key=lambda pair: -pair[1])
        sizes = [c.standard_uncertainty for c, _ in ranked]
        return (
            Column("source", [c.name for c, _ in ranked], "source"),
            Column("contribution", sizes, f"u / {self.unit or '1'}", ".4g"),
            Column("distribution", [c.distribution for c, _ in ranked], "distribution"),
            Column("degrees_of_freedom", [c.degrees_of_freedom for c, _ in ranked], "ν", _freedom_text),
            Column("share", [share for _, share in ranked], "share", ".1%"),
        )

    def _table(self) -> Table | None:
        combined = ("combined", self.standard_uncertainty, "", self.effective_degrees_of_freedom, 1.0)
        return self._table_of(
            replace(column, cells=[*self._cells(column), last])
            for column, last in zip(self._columns(), combined, strict=True)
        )

    def _headline(self) -> str:
        shown = f"{number_text(self.value, self.standard_uncertainty)} {self.unit}".strip()
        if self.standard_uncertainty == 0:
            return f"{shown}, no uncertainty stated"
        return f"{shown}, U = {self.expanded_uncertainty():.3g} (95 %), limited by {self.limited_by}"


def _freedom_text(degrees: float) -> str:
    return "∞" if math.isinf(degrees) else f"{degrees:.4g}"


def budget(
    value: float, unit: str, contributions: Sequence[Contribution], findings: Sequence[Finding] = ()
) -> UncertaintyBudget:
    """Return the budget, saying so where one bounded contribution decides the coverage factor."""
    made = UncertaintyBudget(value=value, unit=unit, contributions=tuple(contributions))
    dominant = made.dominant_bounded
    found = list(findings)
    if dominant is not None:
        sentence = (
            f"'{dominant.name}' dominates and is bounded, so the coverage factor is that of its "
            f"{dominant.distribution} distribution ({made.coverage_factor():.3f} at 95 %), not a normal one."
        )
        found.append(note("BOUNDED_DOMINATES", sentence))
    return replace(made, findings=tuple(found))


def _convolved_half_width(bounded: Contribution, normal: float, confidence: float) -> float:
    """Return the half width that holds the sum of a bounded and a normal contribution."""
    quantile, spread = QUANTILES[bounded.distribution], normal / bounded.half_width
    if spread == 0:
        return bounded.half_width * float(quantile(np.array(0.5 * (1 + confidence))))

    def held(half: float) -> float:
        """Return P(|bounded + normal| <= half): by parts, or x = sin(angle) takes the poles away."""
        if bounded.distribution == "arcsine":
            edge = math.asin(min(half, 1.0))  # a small spread makes a step there
            ends = -math.pi / 2, math.pi / 2
            return float(integrate.quad(within, *ends, args=(half,), points=(-edge, edge))[0]) / math.pi
        z = (half + np.array([-1.0, 0.0, 1.0])) / spread
        density = np.exp(-0.5 * z**2) / math.sqrt(2 * math.pi)
        if bounded.distribution == "rectangular":
            once = spread * (z * special.ndtr(z) + density)
            return float(once[2] - once[0]) - 1
        twice = 0.5 * spread**2 * ((z**2 + 1) * special.ndtr(z) + z * density)
        return 2 * float(twice[0] - 2 * twice[1] + twice[2]) - 1

    def within(angle: float, half: float) -> float:
        at = math.sin(angle)
        return float(special.ndtr((half - at) / spread) - special.ndtr((-half - at) / spread))

    return bounded.half_width * float(
        optimize.brentq(lambda half: held(half) - confidence, 1e-9, 1 + 10 * spread, xtol=1e-12)
    )
