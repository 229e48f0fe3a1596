"""Sums of squares of the terms of a statistic, at one averaging factor or at all of them.

::

    samples.py      what a record gives: phase advances over any number of samples, gaps as NaN
    kernels.py      blocked sums of squared differences and of their means, with and without gaps
    moving_sums.py  moving sums of a row, made of each other
    exact_sums.py   phase less a line, and its running sums, without a digit lost
    shared_blocks.py  the sums at many averaging factors from one reading of each block
    lagged_products.py  sums from products of phase with itself, of a block or by a Fourier transform
    end_products.py  the products near the ends that these must leave out, for every factor at once
    pairs.py        pairs of terms at every distance, where gaps leave some out
    in_turn.py      one averaging time after the other, on two threads, with progress
    gap_free.py     all averaging factors of a record without gaps, by the quickest way for each
    few_gaps.py     the same of a record with few gaps, which are filled and the terms on them taken away
"""
