"""Decisions about calibration: how long, from what evidence, set to what, and judged by which rule.

::

    tolerance.py       Tolerance: limits of an offset, symmetric or not, and how long they are kept
    stated_drift.py    a drift that is stated, as any other clock.forecaster.Forecaster
    history.py         CalibrationHistory; history_model.py: fit_history(), its posterior and families in
                       history_posterior.py
    interval.py        suggest_interval(): how long, and what is missing for longer
    setpoint.py        suggest_setpoint(): what to leave an oscillator at
    methods.py         compare_methods(): other methods of intervals
    reliability.py     fit_reliability(): found states
    decision.py        decide(), global_risk(): decision rules
    specification.py   Specification; check_specification(), line by line
    back_cast.py       back_cast(): when it left, which results that touches
    experiment.py      plan_experiment(): how long to log, at which gate
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
