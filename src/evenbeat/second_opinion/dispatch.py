"""The one question for a second opinion, whatever the result."""

from __future__ import annotations

from typing import TYPE_CHECKING, overload

from evenbeat.errors import InputError
from evenbeat.record import check_record
from evenbeat.second_opinion.curves import Crosscheck, check_curve
from evenbeat.second_opinion.models import ModelCrosscheck, check_model

if TYPE_CHECKING:
    from evenbeat.clock.model import ClockModel
    from evenbeat.deviations.curve import StabilityCurve
    from evenbeat.deviations.time_error import TimeErrorCurve
    from evenbeat.record import Record


@overload
def crosscheck(result: StabilityCurve | TimeErrorCurve, record: Record) -> Crosscheck: ...
@overload
def crosscheck(result: ClockModel, record: Record) -> ModelCrosscheck: ...
def crosscheck(result: object, record: Record) -> Crosscheck | ModelCrosscheck:
    """Return a result beside its recomputation by independent libraries, and the largest relative difference.

    Parameters
    ----------
    result
        A curve of :func:`evenbeat.stability` or :func:`evenbeat.time_interval_error`, recomputed by
        allantools; or a model of :func:`evenbeat.fit_clock`, recomputed by scipy and statsmodels.
    record
        The record the result was made from.

    Returns
    -------
    Crosscheck or ModelCrosscheck
        The sentence says what agrees and how closely, and what cannot be compared.

    Raises
    ------
    InputError
        If the result was not made from this record, or is of another kind.

    Notes
    -----
    See :func:`evenbeat.second_opinion.curves.check_curve` and
    :func:`evenbeat.second_opinion.models.check_model`.

    References
    ----------
    Formula: relative difference of two computations
    Source: allantools, scipy, statsmodels (independent libraries)
    Tests: tests/second_opinion/test_curves.py
    """
    check_record(record, grid_for="crosscheck")
    from evenbeat.deviations.curve import StabilityCurve
    from evenbeat.deviations.time_error import TimeErrorCurve

    if isinstance(result, StabilityCurve | TimeErrorCurve):
        return check_curve(result, record)
    from evenbeat.clock.model import ClockModel

    if isinstance(result, ClockModel):
        return check_model(result, record)
    msg = (
        f"crosscheck was given a {type(result).__name__}; give a curve of stability or "
        "time_interval_error, or a model of fit_clock"
    )
    raise InputError(msg)
