"""The stability room: Record to StabilityCurve and TimeErrorCurve.

::

    samples.py      what a record gives: phase advances over any number of samples, gaps as NaN
    averaging.py    which averaging factors
    kernels.py      blocked sums of squared differences
    covariance.py   covariance of two differences under a power-law noise
    noise_type.py   which power law, per averaging time
    freedom.py      equivalent degrees of freedom
    freedom_between.py  the same at thousands of averaging times
    in_turn.py      one averaging time after the other, on two threads, with progress
    total.py, subsequences.py, theo1.py, parabolic.py   kernels of the total family, Théo1, parabolic
    quadratic.py    their expectation and freedom: quadratic forms of phase
    forms.py        their table: variance, bias, freedom
    extended.py     their curves; hybrid.py joins Théo1 with the overlapping Allan deviation
    estimators.py   the table of statistics, and stability()
    remarks.py      the findings of a curve
    curve.py        StabilityCurve
    time_error.py   time_interval_error() and TimeErrorCurve
    level_fit.py    fit_noise_levels(): all five levels at once, from
      responses.py    exact expectations of sampled noises,
      variances.py    three variances of a record and their joint covariance;
      noise_fit.py    NoiseFit, with the remarks in level_remarks.py
    spectrum.py     spectrum() and Spectrum: S_y, S_x, L
    dead_time.py    corrected_for_dead_time(), and the bias functions B2 and B3
    counter_weighting.py  how counters average within their gate
    hats.py         separate_clocks(): three clocks from their differences (covariance_limits.py: intervals)
    reference.py    without_reference(): a known reference or floor taken out
    moving.py       moving_stability(): in a window along the record, and whether the noise changed
    limits.py       LimitLine and compare_with_limit() (published_limits.py: those of ITU-T)

This file imports nothing: ``evenbeat`` loads it at once so that ``evenbeat.stability`` is always the
function (see ``evenbeat/__init__.py``). Therefore write ``from evenbeat.stability import kernels``, not
``import evenbeat.stability.kernels as kernels``, which looks for the file in the function.
"""
