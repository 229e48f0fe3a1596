"""Deviations of the time domain and their kin: Record to StabilityCurve and TimeErrorCurve.

::

    averaging.py    which averaging factors; names.py: abbreviations; drift.py: drift taken out
    sums/           sums of squares of differences of phase and of moving sums of them
    covariance.py   covariance of two differences under each power-law noise
    freedom.py      expectation, scatter and degrees of freedom under any mixture of noises
    noise_mixture.py    NoiseMixture: levels as surely as they are known, and how a statistic is distributed
    noise_search.py     the mixture of a record, found once from the record itself
    term_weights.py weights of the chi-squared variables that make up a mean of squared terms
    chi_squared_sums.py  quantiles of their sum, for the intervals
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
"""
