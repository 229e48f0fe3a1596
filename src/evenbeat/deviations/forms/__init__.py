"""What the statistics compute: a form each, and what follows for all of them.

::

    terms.py    means of squared terms linear in phase: the six of differences, parabolic
    whole.py    quadratic forms of a whole record, and those given by rows of weights
    total.py    total; stretches.py modified and Hadamard total; theo1.py
"""
