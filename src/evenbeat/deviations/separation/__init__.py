"""Whose noise is it: clocks told apart from each other, from their reference and from the measuring floor.

::

    hats.py        separate_clocks(): three clocks from their differences
    separated_clocks.py    SeparatedClocks, their result, and intervals of a covariance
    reference.py   without_reference(): a known reference or floor taken out
"""
