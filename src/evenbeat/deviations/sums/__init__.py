"""Sums of squares of the terms of a statistic, at any averaging factors, gaps left out.

::

    samples.py   what a record gives: phase, or sums of frequency across gaps
    kernels.py   sums of squared differences, and of squared moving sums of differences, of partial averages
    _compiled.c  the loops of both and of MTIE, where a compiler was at hand; plain.py the same in numpy
    pairs.py     pairs of terms at every distance, where gaps leave some out
"""
