"""What the statistics compute: a form each, and what follows for all of them.

::

    form.py         what a form must tell, and what follows from its terms, its matrix or its rows of weights
    differences.py  the six means of squared differences; parabolic.py
    total.py        total; stretches.py modified and Hadamard total; theo1.py
"""
