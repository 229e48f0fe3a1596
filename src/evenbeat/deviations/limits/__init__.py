"""Limits against averaging time, and whether a curve keeps them.

::

    line.py         LimitLine: pieces of power laws, or a user's table
    published.py    limit_lines(): those printed in ITU-T Recommendations
    comparison.py   compare_with_limit() and LimitVerdict
"""
