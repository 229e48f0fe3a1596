"""The stability room: Record to StabilityCurve and TimeErrorCurve.

::

    samples.py      what a record gives: phase advances over any number of samples, gaps as NaN
    averaging.py    which averaging factors
    kernels.py      blocked sums of squared differences
    exact_sums.py   phase less a line, and its running sums, without a digit lost
    shared_blocks.py  the same at many averaging factors from one reading of each block
    lagged_products.py  the same at thousands of averaging factors by a Fourier transform
    gap_free.py     the same without gaps at all averaging factors, by the quickest way for each
    covariance.py   covariance of two differences under a power-law noise
    noise_type.py   which power law, per averaging time
    freedom.py      equivalent degrees of freedom
    freedom_between.py  the same at thousands of averaging times
    term_weights.py weights of the chi-squared variables that make up a mean of squared terms
    chi_squared_sums.py  quantiles of their sum, for the intervals
    in_turn.py      one averaging time after the other, on two threads, with progress
    estimators.py   the table of statistics, and stability()
    remarks.py      the findings of a curve
    curve.py        StabilityCurve
    extremes.py     the largest peak-to-peak value in any window, in little memory
    time_error.py   time_interval_error() and TimeErrorCurve
    spectrum.py     spectrum() and Spectrum: S_y, S_x, L
    dead_time.py    corrected_for_dead_time(), and the bias functions B2 and B3
    counter_weighting.py  how counters average within their gate
    moving.py       moving_stability(): in a window along the record, and whether the noise changed
    noise_changes.py  the comparison of windows
    extended/       the total family, Théo1 and its hybrid, parabolic
    levels/         fit_noise_levels(): all five noise levels at once
    separation/     separate_clocks(), without_reference()
    limits/         LimitLine, limit_lines(), compare_with_limit()

This file imports nothing: ``evenbeat`` loads it at once so that ``evenbeat.stability`` is always the
function (see ``evenbeat/__init__.py``). Therefore write ``from evenbeat.stability import kernels``, not
``import evenbeat.stability.kernels as kernels``, which looks for the file in the function.
"""
