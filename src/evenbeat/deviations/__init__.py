"""Deviations of the time domain and their kin: Record to StabilityCurve and TimeErrorCurve.

::

    estimators.py   stability()
    statistics.py   the table of statistics, their names and abbreviations
    forms/          what each of them computes, and what follows for all
    points.py       from a record to the curve of one statistic; hybrid.py: Théo1 with the Allan deviation
    averaging.py    which averaging factors
    sums/           sums of squares of differences of phase and of moving sums of them
    covariance.py   covariance of two terms under each power-law noise, and its spectrum
    freedom.py      expectation, scatter and weights of a mean of squared terms under any mixture of noises
    noise_mixture.py    the mixture of a record, found once, and how a statistic is distributed under it
    chi_squared_sums.py  quantiles of sums of chi-squared variables, for the intervals
    curve.py        StabilityCurve, and the self-check that simulates its record
    time_error.py   time_interval_error() and TimeErrorCurve
    spectrum.py     spectrum() and Spectrum: S_y, S_x, L
    dead_time.py    StabilityCurve.without_dead_time(), and the bias functions B2 and B3
    counter_weighting.py  how counters average within their gate
    moving.py       moving_stability(): in a window along the record, and whether the noise changed
    levels.py       fit_noise_levels(): all five noise levels at once
    separation.py   separate_clocks(), without_reference()
    limits.py       LimitLine, limit_lines(), compare_with_limit()
"""
