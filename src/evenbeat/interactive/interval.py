"""The interval explorer: tolerance, reliability and setpoint to the date of the next calibration."""

from __future__ import annotations

import ipywidgets as widgets

from evenbeat.clock.model import ClockModel
from evenbeat.figures.lessons import CalibrationBoard
from evenbeat.interactive.controls import decades, slider, steps, tick
from evenbeat.interactive.panel import Panel
from evenbeat.lessons.next_calibration import (
    EXAMPLE_CALL,
    CalibrationLesson,
    example_model,
    next_calibration,
    remembered,
)
from evenbeat.quantities import Estimate

RELIABILITIES = [(f"{100 * p:g} %", p) for p in (0.5, 0.68, 0.8, 0.9, 0.95, 0.98, 0.99, 0.995)]


def interval_explorer(
    model: ClockModel | None = None, *, tolerance: float | None = None, seed: int = 1
) -> widgets.VBox:
    """Return a panel on the recalibration interval.

    Parameters
    ----------
    model
        A clock model; without one a simulated oscillator, logged for 120 days.
    tolerance
        Where the slider starts; by default about three times the offset at the end of the record.
    seed
        Of the simulated oscillator.
    """
    clock = remembered(example_model(seed) if model is None else model)
    now = abs(float(clock.blocks.frequency[-1]))
    start = tolerance if tolerance is not None else max(3 * now, 1e-12)
    preamble = EXAMPLE_CALL.format(seed=seed) if model is None else ""
    controls = {
        "tolerance": decades("tolerance ± [1]", min(max(start, 1e-13), 1e-5), -13, -5),
        "reliability": steps("reliability", RELIABILITIES, 0.95),
        "adjusted": tick("adjust it at the end of the record"),
        "setpoint": slider("adjusted to [% of tolerance]", 0.0, -90.0, 90.0, step=5.0),
        "reference": decades("reference known to [1]", 1e-12, -14, -8),
    }

    def answer(
        *, tolerance: float, reliability: float, adjusted: bool, setpoint: float, reference: float
    ) -> CalibrationLesson:
        left = Estimate.normal(setpoint / 100 * tolerance, reference) if adjusted else None
        return next_calibration(
            clock,
            tolerance=tolerance,
            reliability=reliability,
            as_left=left,
            reference_uncertainty=reference,
            preamble=preamble,
        )

    panel = Panel(
        "When to calibrate again?",
        controls,
        rows=[["tolerance", "reliability"], ["reference", "adjusted"], ["setpoint"]],
        answer=answer,
        picture=CalibrationBoard().png,
        description=CalibrationBoard.description,
    )
    panel.switched_on_by("setpoint", "adjusted")
    return panel
