"""All checks of a record, in the order in which they must come."""

from __future__ import annotations

from evenbeat.conditioning.gaps import with_gaps_reported
from evenbeat.conditioning.outliers import with_outliers_flagged
from evenbeat.conditioning.resolution import with_resolution_reported
from evenbeat.conditioning.steps import with_steps_flagged
from evenbeat.conditioning.warmup import with_warm_up_flagged
from evenbeat.conditioning.wraps import with_wraps_repaired
from evenbeat.record import Record


def condition(
    record: Record,
    *,
    outliers: bool = True,
    steps: bool = True,
    wraps: bool = True,
    warm_up: bool = True,
    wrap_period_s: float | None = None,
    outlier_threshold: float = 5.0,
) -> Record:
    """Return the record with doubtful samples flagged and a finding for every check.

    Parameters
    ----------
    outliers, steps, wraps, warm_up
        Which checks to make; gaps and the display step are always reported.
    wrap_period_s
        Period of a wrapped phase log in seconds, where known.
    outlier_threshold
        In robust standard deviations.

    Returns
    -------
    Record
        The same samples (whole wrap periods excepted) with flags, findings and history.

    Raises
    ------
    InputError
        If the threshold or the period is not positive.

    Notes
    -----
    Wraps come first because they look like steps, warm-up before outliers because its slope would be
    taken for them, outliers before steps because one of them shifts a mean.
    """
    record = with_gaps_reported(record)
    if wraps:
        record = with_wraps_repaired(record, period_s=wrap_period_s)
    if warm_up:
        record = with_warm_up_flagged(record)
    if outliers:
        record = with_outliers_flagged(record, threshold=outlier_threshold)
    record = with_resolution_reported(record)
    if steps:
        record = with_steps_flagged(record)
    return record.treated("condition", outliers=outliers, steps=steps, wraps=wraps, warm_up=warm_up)
