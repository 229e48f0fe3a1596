"""Leap seconds of UTC: where they were, and what they do to times taken from time stamps."""

from __future__ import annotations

import numpy as np

from evenbeat.findings import Finding

LEAP_SECONDS = np.array(
    [
        "1972-07-01", "1973-01-01", "1974-01-01", "1975-01-01", "1976-01-01", "1977-01-01", "1978-01-01",
        "1979-01-01", "1980-01-01", "1981-07-01", "1982-07-01", "1983-07-01", "1985-07-01", "1988-01-01",
        "1990-01-01", "1991-01-01", "1992-07-01", "1993-07-01", "1994-07-01", "1996-01-01", "1997-07-01",
        "1999-01-01", "2006-01-01", "2009-01-01", "2012-07-01", "2015-07-01", "2017-01-01",
    ],
    dtype="datetime64[ns]",
)  # fmt: skip
"""UTC days that began after a leap second (IERS Bulletin C)."""


def leap_second_finding(start: np.datetime64 | None, duration_s: float) -> tuple[Finding, ...]:
    """Return a finding where a leap second lies within a log stamped in UTC."""
    if start is None or not duration_s < 9e9:
        return ()
    stop = start + np.timedelta64(round(duration_s * 1e9), "ns")
    within = LEAP_SECONDS[(start < LEAP_SECONDS) & (stop >= LEAP_SECONDS)]
    if not len(within):
        return ()
    days = ", ".join(str(moment.astype("datetime64[D]")) for moment in within)
    sentence = (
        f"{len(within)} leap second(s) lie within the log (before {days}); time stamps in UTC do not count "
        "them, so a time error measured by them would step by a second there, which was not corrected."
    )
    return (
        Finding(code="LEAP_SECOND", severity="note", sentence=sentence, values={"leap_seconds": len(within)}),
    )
