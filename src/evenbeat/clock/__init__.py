"""The clock model: noise levels, aging, temperature, and prediction with its uncertainty.

One idea: average the record into a few hundred blocks (``blocks``), write the exact covariance of
any two averages under white PM, white FM, flicker FM and random-walk FM or a drift that wanders
(``covariance``), keep the whole posterior of the noise levels on a grid (``noise_grid``), and answer
every question (aging rate, frequency or time error at any time) as a mixture over that grid
(``prediction``, ``model``).

Steps, aging and environment enter as columns (``design``); which of them can be told apart is one decision
(``regression``), and what cannot is left out and said.

Around it: forecasts made within the record widen what is said of times after it (``origins``); calibrations
and the reference enter the same posterior (``calibration_points``, ``fusion``), and forecasts are held
against what the record then showed (``backtest``, ``tested``).
"""
