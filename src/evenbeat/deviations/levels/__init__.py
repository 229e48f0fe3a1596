"""The levels of all five power-law noises of one record, fitted at once.

::

    variances.py   three variances of a record with their joint covariance
    fit.py         fit_noise_levels(); noise_fit.py: NoiseFit
"""
