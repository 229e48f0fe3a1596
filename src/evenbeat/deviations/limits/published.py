"""Limits of wander printed in ITU-T Recommendations: maximum time interval error and time deviation.

Those that were seen quoted with their clause count as published. Those recalled from memory are marked
and must be confirmed against the Recommendation before they decide anything. Temperature effects,
transients and jitter have requirements of their own that are not here.
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
_RECALLED: list[_Row] = [
    (
        "G.812 Type I MTIE (locked, const. temp.)",
        "mtie",
        "ITU-T G.812 noise generation",
        [(0.1, 9, [(24, 0)]), (9, 400, [(8, 0.5)]), (400, 10000, [(160, 0)])],
    ),
    (
        "G.812 Type I TDEV",
        "time",
        "ITU-T G.812 noise generation",
        [(0.1, 25, [(3, 0)]), (25, 100, [(0.12, 1)]), (100, 10000, [(12, 0)])],
    ),
    (
        "G.812 Type II/III TDEV",
        "time",
        "ITU-T G.812 noise generation",
        [(0.1, 2.5, [(3.2, -0.5)]), (2.5, 40, [(2, 0)]), (40, 1000, [(0.32, 0.5)]), (1000, 10000, [(10, 0)])],
    ),
    (
        "G.812 Type III MTIE",
        "mtie",
        "ITU-T G.812 noise generation",
        [(0.1, 1, [(40, 0)]), (1, 10, [(40, 0.4)]), (10, 1000, [(100, 0)])],
    ),
    (
        "G.813 opt 1 / G.8262 EEC-1 MTIE const. temp.",
        "mtie",
        "ITU-T G.813 (03/03) Table 1 / G.8262",
        [(0.1, 1, [(40, 0)]), (1, 100, [(40, 0.1)]), (100, 1000, [(25.25, 0.2)])],
    ),
    (
        "G.813 opt 1 / G.8262 EEC-1 TDEV",
        "time",
        "ITU-T G.813 / G.8262",
        [(0.1, 25, [(3.2, 0)]), (25, 100, [(0.64, 0.5)]), (100, 1000, [(6.4, 0)])],
    ),
    (
        "G.813 opt 2 / G.8262 EEC-2 MTIE",
        "mtie",
        "ITU-T G.813 / G.8262",
        [(0.1, 1, [(20, 0)]), (1, 10, [(20, 0.48)]), (10, 1000, [(60, 0)])],
    ),
    (
        "G.813 opt 2 / G.8262 EEC-2 TDEV",
        "time",
        "ITU-T G.813 / G.8262",
        [(0.1, 2.5, [(3.2, -0.5)]), (2.5, 40, [(2, 0)]), (40, 1000, [(0.32, 0.5)]), (1000, 10000, [(10, 0)])],
    ),
    (
        "G.8261/G.823 EEC/SEC network limit MTIE",
        "mtie",
        "ITU-T G.8261 / G.823 (SEC interface)",
        [
            (0.1, 2.5, [(250, 0)]),
            (2.5, 20, [(100, 1)]),
            (20, 2000, [(2000, 0)]),
            (2000, math.inf, [(433, 0.2), (0.01, 1)]),
        ],
    ),
    (
        "G.8261/G.823 EEC/SEC network limit TDEV",
        "time",
        "ITU-T G.8261 / G.823",
        [(0.1, 17.14, [(12, 0)]), (17.14, 100, [(0.7, 1)]), (100, 1e06, [(58, 0), (1.2, 0.5), (0.0003, 1)])],
    ),
    (
        "G.823 SSU network limit MTIE",
        "mtie",
        "ITU-T G.823 (SSU interface)",
        [
            (0.1, 2.5, [(25, 0)]),
            (2.5, 200, [(10, 1)]),
            (200, 2000, [(2000, 0)]),
            (2000, math.inf, [(433, 0.2), (0.01, 1)]),
        ],
    ),
    (
        "G.823 SSU network limit TDEV",
        "time",
        "ITU-T G.823",
        [(0.1, 4.3, [(3, 0)]), (4.3, 100, [(0.7, 1)]), (100, 1e06, [(58, 0), (1.2, 0.5), (0.0003, 1)])],
    ),
]
_NOTES = {
    "G.813 opt 1 / G.8262 EEC-1 MTIE const. temp.": "With varying temperature 0.5 ns per second of τ are "
    "added up to 100 s, and 50 ns beyond.",
}


def _limit(row: _Row, *, from_memory: bool) -> LimitLine:
    name, statistic, source, pieces = row
    return LimitLine(
        name=name,
        statistic=statistic,
        source=source,
        from_memory=from_memory,
        note=_NOTES.get(name, ""),
        pieces=tuple(
            LimitPiece(
                above_s=above,
                up_to_s=up_to,
                terms=tuple((factor * NANOSECOND, power) for factor, power in terms),
            )
            for above, up_to, terms in pieces
        ),
    )


_LINES = (
    *(_limit(row, from_memory=False) for row in _PUBLISHED),
    *(_limit(row, from_memory=True) for row in _RECALLED),
)
_BY_NAME: Mapping[str, LimitLine] = MappingProxyType({line.name: line for line in _LINES})


def limit_lines() -> Mapping[str, LimitLine]:
    """Return the published limits of time error by name, in seconds, read-only.

    Returns
    -------
    Mapping
        Name, such as ``"G.811 PRC MTIE"``, to :class:`LimitLine`. ``line.title`` says which were recalled
        from memory.

    Notes
    -----
    ITU-T G.811, G.8272, G.8272.1, G.812, G.813, G.8262, G.8261 and G.823, as each line's ``source`` says;
    estimators as in ITU-T G.810 appendix II. Not valid outside the range of averaging times of each line.

    References
    ----------
    Source: ITU-T G.811, G.812, G.813, G.8262, G.8272 (as marked on each line)
    Tests: tests/reference/test_published_limits.py
    """
    return _BY_NAME
