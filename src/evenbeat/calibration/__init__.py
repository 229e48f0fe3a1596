"""Decisions about calibration: how long, from what evidence, set to what, and judged by which rule.

::

    interval.py        suggest_interval(): from a clock model
    history.py         CalibrationHistory: as found and as left; history_model.py: fit_history()
    stated_drift.py    StatedDrift: a drift that is stated, not fitted
    setpoint.py        suggest_setpoint(): what to leave an oscillator at
    reliability.py     fit_reliability(): found states (reliability_models.py: the families)
    reaction.py        staircase, control chart, what few found states show
    decision.py        decide(), global_risk(): decision rules
"""
