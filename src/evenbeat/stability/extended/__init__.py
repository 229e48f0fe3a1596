"""Statistics that reach beyond differences of phase: the total family, Théo1, its hybrid, parabolic.

::

    total.py, subsequences.py, theo1.py, parabolic.py   their kernels
    quadratic.py   expectation and freedom of quadratic forms of phase
    forms.py       the table: variance, bias, freedom of each
    curves.py      from a record to their curve; hybrid.py joins Théo1 with the overlapping Allan deviation
"""
