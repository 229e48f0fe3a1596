"""The function that computes stability deviations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import get_args

from evenbeat.deviations.averaging import Averaging, asked_factors
from evenbeat.deviations.curve import StabilityCurve
from evenbeat.deviations.hybrid import HYBRID, hybrid_curve
from evenbeat.deviations.points import LAW, Bias, curve_of, without_drift
from evenbeat.deviations.statistics import Statistic, name_of, statistic_of
from evenbeat.deviations.sums.kernels import Progress, one_thread
from evenbeat.errors import InputError
from evenbeat.powerlaw import NoiseLevels
from evenbeat.record import Record, check_record


def stability(
    record: Record,
    statistic: str | Statistic = "overlapping_allan",
    *,
    averaging: Averaging = "ten_per_decade",
    averaging_time_s: Sequence[float] | float | None = None,
    minimum_coverage: float = 1.0,
    bias: Bias = "exact",
    noise: NoiseLevels | str | None = None,
    remove_drift: bool = False,
    progress: Progress | None = None,
) -> StabilityCurve:
    """Return a stability deviation of a record against averaging time, with intervals.

    Parameters
    ----------
    record
        Phase or frequency; flagged samples are left out, steps of known size are subtracted.
    statistic
        ``allan``, ``overlapping_allan``, ``modified_allan``, ``time``, ``hadamard``,
        ``overlapping_hadamard``, ``total``, ``modified_total``, ``time_total``, ``hadamard_total``,
        ``theo1``, ``theo1_hybrid`` or ``parabolic``; or, in the trade's abbreviations, ``adev``, ``oadev``,
        ``mdev``, ``tdev``, ``hdev``, ``ohdev``, ``totdev``, ``mtotdev``, ``ttotdev``, ``htotdev``, ``theoh``
        or ``pdev``. The total family and Théo1 need a record without gaps. Also one of your own, a
        :class:`evenbeat.deviations.statistics.Statistic` given by its rows of weights.
    averaging
        Averaging factors: ``ten_per_decade``, ``doublings``, ``every`` (at most 500, thinned to equal
        proportions), or whole numbers (computed in rising order, each once; those beyond the record are
        returned as a finding).
    averaging_time_s
        In place of ``averaging`` the averaging times in seconds, multiples of the interval.
    minimum_coverage
        Share of the samples that an average of a frequency record with gaps (and a mean of the
        modified statistics) must rest on. With 1 one missing sample ends every average that holds it,
        with 0.9 an occasional gap does not end the long averaging times. Below 1 white and flicker PM
        come out too large, because the ends of an average no longer cancel; the finding
        ``PARTIAL_AVERAGES`` says so.
    bias
        What is done about the bias of the total family and of Théo1 against the variance they estimate:
        ``exact`` divides by the exact ratio of expectations under the record's mixture of noises,
        ``published`` by the published factor (so that the tables of the handbook come out; for the modified
        total it is up to 6 % in variance away from the exact one, at factor 1 by 46 %), ``none`` leaves it
        in. Without effect on the others. For ``theo1_hybrid`` ``published`` is the ratio measured where both
        parts exist; its intervals are then too short.
    noise
        The noise behind the intervals and the bias, taken as given: levels, or the name of one noise, such as
        ``"white FM"``. Unless given the mixture of noises is found from the record, with what is not known of
        it, and never from the averaging times asked for.
    remove_drift
        Whether a linear drift of frequency, fitted by least squares, is taken out first. Title and findings
        say so; beyond about a tenth of the record the deviations then come out low.
    progress
        Called after each averaging time with how many are done and how many there are; of averaging times
        worked on together so many count as done as is their share of the work.

    Returns
    -------
    StabilityCurve
        In seconds for ``time``, otherwise a fractional frequency.

    Raises
    ------
    InputError
        For an unknown statistic or impossible averaging factors.
    TooShortError
        If the record is too short for the statistic.

    Notes
    -----
    Definitions as in :data:`evenbeat.deviations.statistics.STATISTICS`. Averaging factors of ``theo1`` are
    even spans of ten samples and more, its averaging times 0.75 of them. A phase record of any length needs
    constant extra memory (it may be memory-mapped), with gaps an eighth of its own; a frequency record is
    integrated once, which takes the memory of another record. Not valid for the noise alone where the record
    drifts and the statistic is not blind to drift: drift D gives ``D τ/√2``.

    References
    ----------
    Formula: σ_y²(τ) = ⟨(ȳ₂ - ȳ₁)²⟩/2 (Allan); the others as in the table of statistics
    Source: NIST SP 1065 (2008), 5.2; IEEE Std 1139; Greenhall and Riley 2003 (degrees of freedom)
    Tests: tests/reference/test_published_stability.py

    Examples
    --------
    >>> from evenbeat import NoiseLevels, simulate_clock
    >>> record = simulate_clock(1000, interval_s=1.0, levels=NoiseLevels(white_fm=2e-22), seed=1)
    >>> curve = stability(record, averaging=[1, 10, 100])
    >>> bool(abs(curve.deviation[0] / 1e-11 - 1) < 0.1)
    True
    """
    check_record(record, grid_for="stability")
    if bias not in get_args(Bias):
        msg = f"bias is {bias!r}; it must be 'exact', 'published' or 'none'"
        raise InputError(msg)
    named = statistic if isinstance(statistic, Statistic) else name_of(statistic)
    if named in ("mtie", "rms"):
        msg = f"the statistic {named!r} is one of time error: time_interval_error(record, {named!r})"
        raise InputError(msg)
    given = record
    if remove_drift:
        record, removed = without_drift(record)
    kind = None if named == HYBRID else statistic_of(named, also=HYBRID)
    averaging = asked_factors(
        averaging,
        averaging_time_s,
        interval_s=record.interval_s,
        share=kind.form.effective_share if kind else 1.0,
        step=kind.form.step if kind else 1,
    )
    compute = hybrid_curve if kind is None else partial(curve_of, kind=kind)
    with one_thread():  # the matrices are too small for two threads
        curve = compute(
            record,
            averaging=averaging,
            minimum_coverage=minimum_coverage,
            bias=bias,
            noise=noise,
            progress=progress,
        )
    again = partial(
        stability,
        statistic=named,
        averaging=curve.averaging_factor.tolist(),
        minimum_coverage=minimum_coverage,
        bias=bias,
        noise=noise,
        remove_drift=remove_drift,
    )
    curve = replace(curve, record=given, again=again)
    if not remove_drift:
        return curve
    return replace(curve, title=f"{curve.title}, {LAW} removed", findings=(removed, *curve.findings))
