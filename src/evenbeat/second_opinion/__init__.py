"""A second opinion: results recomputed by independent libraries, with the largest relative difference.

::

    dispatch.py      crosscheck(): which check belongs to which result
    curves.py        stability and time-error curves by allantools
    models.py        clock models by scipy and statsmodels: what is compared, and the result
    dense.py         generalized least squares and prediction from covariances written down anew, with scipy
    state_space.py   the likelihood as that of a state-space model, with statsmodels
"""

from evenbeat.second_opinion.curves import Crosscheck as Crosscheck
from evenbeat.second_opinion.dispatch import crosscheck as crosscheck
from evenbeat.second_opinion.models import ModelCrosscheck as ModelCrosscheck
