"""Statistics that reach beyond differences of phase: the total family, Théo1, its hybrid, parabolic.

::

    total.py, subsequences.py, theo1.py, parabolic.py   their kernels
    quadratic.py   expectation and freedom of quadratic forms of phase under one noise
    dense.py       forms written out: expectation, scatter and weights under a mixture
    form.py        what a form must tell, and what follows for long records; stretch_form.py: modified and
                   Hadamard total
    forms.py       the table: variance, moments and weights of each
    measured_ratio.py   the bias of Théo1 measured in the record, and what that costs
    curves.py      from a record to their curve; hybrid.py joins Théo1 with the overlapping Allan deviation
"""
