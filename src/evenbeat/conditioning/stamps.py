"""Time stamps beside the grid: rows stamped twice or backwards, and stamps that are unevenly spaced.

The readings of a counter follow each other evenly whatever the computer that logs them was doing; its
stamps tell where rows are missing, and how it was doing.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from evenbeat.conditioning.local_noise import running_median
from evenbeat.conditioning.places import counted, flagged_runs, places_text
from evenbeat.findings import Finding, Severity
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
from evenbeat.units import duration_text

ORDER = "stamp_order"
SPACING = "stamp_spacing"
NO_STAMPS = "no stamps, or exact ones"
REPEATED = 0.1
"""A stamp less than this share of an interval after the one before counts as the same (common practice)."""
UNEVEN = 0.1
_EARLIER_CODES = {"LATE_ROWS": "rows", "IRREGULAR_TIMES": "doubled_stamps"}
_WIDTH = 61


def stamp_times(record: Record) -> tuple[npt.NDArray[np.intp], FloatArray] | None:
    """Return the samples with a stamp and their stamps in seconds since the first place of the grid."""
    if record.stamp_offset_s is None:
        return None
    where = np.flatnonzero(~np.isnan(record.stamp_offset_s))
    if len(where) < 2:
        return None
    return where, where * record.interval_s + record.stamp_offset_s[where]


def with_stamp_order_reported(record: Record) -> Record:
    """Return the record with rows flagged whose stamp repeats or precedes the one before; none is left out.

    What the reader of the log already did about such rows is in the same outcome.
    """
    before = _already_reported(record)
    stamped = stamp_times(record)
    if stamped is None:
        looked_at = f"{before} at reading" if before else NO_STAMPS
        return record.checked(
            ORDER, looked_at, looked=bool(before), found=_count_before(record), advice=_order_advice(before)
        )
    where, seconds = stamped
    steps = np.diff(seconds)
    backward = where[1:][steps < -1e-9 * record.interval_s]
    repeated = where[1:][(steps >= -1e-9 * record.interval_s) & (steps <= REPEATED * record.interval_s)]
    flags = (
        *flagged_runs(
            repeated, cause="repeated_stamp", sentence="Stamped like the row before.", excluded=False
        ),
        *flagged_runs(
            backward, cause="backward_stamp", sentence="Stamped before the row before.", excluded=False
        ),
    )
    found = len(repeated) + len(backward)
    looked_at = counted(len(where), "stamp")
    late, told = _count_before(record, "LATE_ROWS"), _count_before(record, "IRREGULAR_TIMES")
    if not found and not late and not told:
        return record.checked(ORDER, looked_at)
    if len(backward) or (found and not told):
        record = record.with_findings(_order_finding(len(repeated), len(backward)))
    record = record.with_flags(*flags)
    return record.checked(
        ORDER,
        looked_at,
        found=max(found, told) + late,
        where=places_text(record, np.sort(np.concatenate([repeated, backward]))),
        advice=_order_advice(before),
    )


def _order_finding(repeated: int, backward: int) -> Finding:
    parts = [f"{counted(repeated, 'row repeats', 'rows repeat')} the stamp of the row before"] * bool(
        repeated
    )
    parts += [f"{counted(backward, 'row is', 'rows are')} stamped earlier than the row before"] * bool(
        backward
    )
    sentence = f"{' and '.join(parts)}; the readings were kept in their order, one per interval."
    values = {"repeated": repeated, "backward": backward}
    return Finding(
        code="STAMP_ORDER", severity="caution" if backward else "note", sentence=sentence, values=values
    )


def _count_before(record: Record, code: str | None = None) -> int:
    """Return how many rows the reader reported for the order of their stamps."""
    codes = _EARLIER_CODES if code is None else {code: _EARLIER_CODES[code]}
    return sum(int(f.values[codes[f.code]]) for f in record.findings if f.code in codes)


def _already_reported(record: Record) -> str:
    late = _count_before(record, "LATE_ROWS")
    spread = _count_before(record, "IRREGULAR_TIMES")
    parts = [f"{counted(late, 'late row')} rejected"] * bool(late)
    parts += [f"{counted(spread, 'repeated stamp')} spread over the grid"] * bool(spread)
    return " and ".join(parts)


def _order_advice(before: str) -> str:
    what = f"At reading: {before}. " if before else ""
    return f"{what}Nothing, if every row is a reading of its own; else remove the repeated rows."


def with_stamp_spacing_reported(record: Record) -> Record:
    """Return the record with a finding on how unevenly its stamps lie around the grid.

    Notes
    -----
    Distance of each stamp from the running median of its neighbours, so that a slow drift of the
    computer's clock does not count; the 95 % point is compared with a tenth of the interval (common
    practice).
    """
    stamped = stamp_times(record)
    if stamped is None:
        return record.checked(SPACING, NO_STAMPS, looked=False)
    where, seconds = stamped
    offset = seconds - where * record.interval_s
    jitter = np.abs(offset - running_median(offset, _WIDTH))
    usual, most = float(np.quantile(jitter, 0.95)), float(jitter.max())
    uneven = where[jitter > UNEVEN * record.interval_s]
    looked_at = counted(len(where), "stamp")
    values = {"within_95_percent_s": usual, "largest_s": most, "interval_s": record.interval_s}
    text = (
        f"95 % of the time stamps lie within {duration_text(usual)} of an even spacing, the farthest "
        f"{duration_text(most)} off"
    )
    if usual <= UNEVEN * record.interval_s:
        finding = Finding(code="EVEN_STAMPS", severity="good", sentence=f"{text}.", values=values)
        return record.with_findings(finding).checked(
            SPACING, looked_at, found=len(uneven), where=_farthest(record, where, jitter)
        )
    severity: Severity = "note" if usual <= 0.5 * record.interval_s else "caution"
    sentence = f"{text}; the readings were taken as evenly spaced {duration_text(record.interval_s)} apart."
    finding = Finding(code="UNEVEN_STAMPS", severity=severity, sentence=sentence, values=values)
    return record.with_findings(finding).checked(
        SPACING,
        looked_at,
        found=len(uneven),
        where=_farthest(record, where, jitter),
        advice="If the readings themselves came unevenly, short averaging times are not what they say.",
    )


def _farthest(record: Record, where: npt.NDArray[np.intp], jitter: FloatArray) -> str:
    worst = int(np.argmax(jitter))
    return f"farthest {duration_text(float(jitter[worst]))}: {places_text(record, where[worst : worst + 1])}"
