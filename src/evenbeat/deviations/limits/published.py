"""Limits of wander printed in ITU-T Recommendations: maximum time interval error and time deviation.

Only those seen quoted with their clause or table are here; any other is stated with
:meth:`LimitLine.from_table`. Temperature effects, transients and jitter have requirements of their own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType

from evenbeat.deviations.limits.line import LimitLine, LimitPiece

NANOSECOND = 1e-9
_Piece = tuple[float, float, list[tuple[float, float]]]
_Row = tuple[str, str, str, list[_Piece]]

# name, statistic, source, pieces: (above s, up to s, [(factor in ns, power of τ)])
_PUBLISHED: list[_Row] = [
    (
        "G.811 PRC MTIE",
        "mtie",
        "ITU-T G.811 (09/97)+Amd.1(04/16) clause 6 wander",
        [(0.1, 1000, [(0.275, 1), (25, 0)]), (1000, math.inf, [(0.01, 1), (290, 0)])],
    ),
    (
        "G.811 PRC TDEV",
        "time",
        "ITU-T G.811 (09/97)+Amd.1",
        [(0.1, 100, [(3, 0)]), (100, 1000, [(0.03, 1)]), (1000, 10000, [(30, 0)])],
    ),
    (
        "G.8272 PRTC-A MTIE",
        "mtie",
        "ITU-T G.8272 (11/18) Table 1",
        [(0.1, 273, [(0.275, 1), (25, 0)]), (273, math.inf, [(100, 0)])],
    ),
    (
        "G.8272 PRTC-B MTIE",
        "mtie",
        "ITU-T G.8272 (11/18) Table 2",
        [(0.1, 54.5, [(0.275, 1), (25, 0)]), (54.5, math.inf, [(40, 0)])],
    ),
    (
        "G.8272 PRTC-A TDEV",
        "time",
        "ITU-T G.8272 (11/18) Table 3",
        [(0.1, 100, [(3, 0)]), (100, 1000, [(0.03, 1)]), (1000, 10000, [(30, 0)])],
    ),
    (
        "G.8272 PRTC-B TDEV",
        "time",
        "ITU-T G.8272 (11/18) Table 4",
        [(0.1, 100, [(1, 0)]), (100, 500, [(0.01, 1)]), (500, 100000, [(5, 0)])],
    ),
    (
        "G.8272.1 ePRTC MTIE",
        "mtie",
        "ITU-T G.8272.1 (2016) Amd.1 (08/17) Table 1",
        [
            (0.1, 1, [(4, 0)]),
            (1, 100, [(0.11114, 1), (3.89, 0)]),
            (100, 400000, [(0.0375e-3, 1), (15, 0)]),
            (400000, math.inf, [(30, 0)]),
        ],
    ),
    (
        "G.8272.1 ePRTC TDEV",
        "time",
        "ITU-T G.8272.1 Amd.1 (08/17) Table 2",
        [(0.1, 30000, [(1, 0)]), (30000, 300000, [(3.33333e-5, 1)]), (300000, 1e06, [(10, 0)])],
    ),
]


def _limit(row: _Row) -> LimitLine:
    name, statistic, source, pieces = row
    return LimitLine(
        name=name,
        statistic=statistic,
        source=source,
        pieces=tuple(
            LimitPiece(
                above_s=above,
                up_to_s=up_to,
                terms=tuple((factor * NANOSECOND, power) for factor, power in terms),
            )
            for above, up_to, terms in pieces
        ),
    )


_BY_NAME: Mapping[str, LimitLine] = MappingProxyType({row[0]: _limit(row) for row in _PUBLISHED})


def limit_lines() -> Mapping[str, LimitLine]:
    """Return the published limits of time error by name, in seconds, read-only.

    Returns
    -------
    Mapping
        Name, such as ``"G.811 PRC MTIE"``, to :class:`LimitLine`.

    Notes
    -----
    Not valid outside the range of averaging times of each line. For another Recommendation state the limit
    from the document with :meth:`LimitLine.from_table`.

    References
    ----------
    Source: ITU-T G.811, G.8272 and G.8272.1, with the clause or table on each line
    Tests: tests/reference/test_published_limits.py
    """
    return _BY_NAME
