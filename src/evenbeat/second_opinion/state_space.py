"""The likelihood of white and random-walk FM with a trend as that of a state-space model, by statsmodels.

A mean over a span of length L is the walk at its start plus u, with ``Var u = qL/3``, and the walk moves by
a step with ``Var = qL``, ``Cov(u, step) = qL/2``; a gap of length G adds qG to the step. The coefficients of
the trend are states that never move, diffuse like the walk's start: the exact diffuse likelihood is then
the restricted one (Durbin & Koopman, Time Series Analysis by State Space Methods, 2nd ed., chapter 5).
"""

from __future__ import annotations

import numpy as np
from statsmodels.tsa.statespace.initialization import Initialization
from statsmodels.tsa.statespace.kalman_filter import KalmanFilter

from evenbeat.clock.covariance import Spans
from evenbeat.quantities import FloatArray


def diffuse_log_likelihood(
    frequency: FloatArray,
    design: FloatArray,
    spans: Spans,
    *,
    unit: float,
    level: float,
    walk_ratio: float,
) -> float:
    """Return the exact diffuse log likelihood of block averages.

    Parameters
    ----------
    frequency
        Shape (n,), in order of time.
    design
        Shape (n, p), without the constant.
    unit
        Span at which white FM has the Allan variance ``level`` and the walk ``walk_ratio`` times that.
    """
    n, p = design.shape
    length = spans.length
    steps = np.append(np.diff(spans.start), length[-1])
    q = 3 * walk_ratio * level / unit
    states = 3 + p
    filtered = KalmanFilter(k_endog=1, k_states=states, k_posdef=2)
    filtered.bind(np.ascontiguousarray(frequency[:, np.newaxis]))
    rows = np.zeros((1, states, n))
    rows[0, :2] = 1.0
    rows[0, 3:] = design.T
    filtered["design"] = rows
    transition = np.eye(states)
    transition[:3, :3] = [[1, 0, 1], [0, 0, 0], [0, 0, 0]]
    filtered["transition"] = transition
    selection = np.zeros((states, 2))
    selection[1, 0] = selection[2, 1] = 1.0
    filtered["selection"] = selection
    moves = q * np.array([[length / 3, length / 2], [length / 2, steps]])
    filtered["state_cov"] = np.roll(moves, -1, axis=2)  # what acts in the next span enters before it
    filtered["obs_cov"] = (level * unit / length)[np.newaxis, np.newaxis, :]
    start = Initialization(states)
    start.set(0, "diffuse")
    start.set((1, 3), "known", constant=np.zeros(2), stationary_cov=np.ascontiguousarray(moves[:, :, 0]))
    for k in range(p):
        start.set(3 + k, "diffuse")
    filtered.initialize(start)
    return float(filtered.loglike())
