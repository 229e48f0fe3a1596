"""The limits of ITU-T Recommendations: every piece, its ends, and allantools where it has them."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from allantools import mask

import evenbeat as eb

# SOURCE: the Recommendation named beside each limit, as quoted with clause or table; averaging time above, up
# to (s), limit in ns
PIECES: dict[str, tuple[str, list[tuple[float, float | None, str]]]] = {
    "G.811 PRC MTIE": (
        "ITU-T G.811 (09/97)+Amd.1(04/16) clause 6 wander",
        [(0.1, 1000.0, "0.275*tau+25"), (1000, None, "0.01*tau+290")],
    ),
    "G.811 PRC TDEV": (
        "ITU-T G.811 (09/97)+Amd.1",
        [(0.1, 100.0, "3"), (100, 1000.0, "0.03*tau"), (1000, 10000.0, "30")],
    ),
    "G.8272 PRTC-A MTIE": (
        "ITU-T G.8272 (11/18) Table 1",
        [(0.1, 273.0, "0.275*tau+25"), (273, None, "100")],
    ),
    "G.8272 PRTC-B MTIE": ("ITU-T G.8272 (11/18) Table 2", [(0.1, 54.5, "0.275*tau+25"), (54.5, None, "40")]),
    "G.8272 PRTC-A TDEV": (
        "ITU-T G.8272 (11/18) Table 3",
        [(0.1, 100.0, "3"), (100, 1000.0, "0.03*tau"), (1000, 10000.0, "30")],
    ),
    "G.8272 PRTC-B TDEV": (
        "ITU-T G.8272 (11/18) Table 4",
        [(0.1, 100.0, "1"), (100, 500.0, "0.01*tau"), (500, 100000.0, "5")],
    ),
    "G.8272.1 ePRTC MTIE": (
        "ITU-T G.8272.1 (2016) Amd.1 (08/17) Table 1",
        [
            (0.1, 1.0, "4"),
            (1, 100.0, "0.11114*tau+3.89"),
            (100, 400000.0, "0.0375e-3*tau+15"),
            (400000, None, "30"),
        ],
    ),
    "G.8272.1 ePRTC TDEV": (
        "ITU-T G.8272.1 Amd.1 (08/17) Table 2",
        [(0.1, 30000.0, "1"), (30000, 300000.0, "3.33333e-5*tau"), (300000, 1000000.0, "10")],
    ),
}
# SOURCE: the library allantools, module mask, in seconds; it has no ranges, so interior points only
THEIRS = {
    "G.811 PRC MTIE": mask.prc_mtie,
    "G.811 PRC TDEV": mask.prc_tdev,
    "G.8272 PRTC-A MTIE": mask.prtcA_mtie,
    "G.8272 PRTC-B MTIE": mask.prtcB_mtie,
    "G.8272 PRTC-A TDEV": mask.prtcA_tdev,
    "G.8272 PRTC-B TDEV": mask.prtcB_tdev,
    "G.8272.1 ePRTC MTIE": mask.eprtc_mtie,
    "G.8272.1 ePRTC TDEV": mask.eprtc_tdev,
}


def printed(text: str, tau: float) -> float:
    """Return a printed formula at an averaging time, in seconds."""
    return eval(text, {"__builtins__": {}}, {"tau": tau}) * 1e-9


def test_every_limit_is_there() -> None:
    """No more and no fewer than listed here, each with its source: none was recalled from memory."""
    lines = eb.limit_lines()

    assert set(lines) == set(PIECES)
    for name, (source, _) in PIECES.items():
        assert lines[name].source == source
        assert lines[name].statistic == ("mtie" if "MTIE" in name else "time")


@pytest.mark.parametrize("name", PIECES)
def test_every_piece_is_as_printed(name: str) -> None:
    """In the middle and at the upper end of each piece the limit is the printed formula."""
    line = eb.limit_lines()[name]

    for above, up_to, text in PIECES[name][1]:
        end = 1e7 if up_to is None else up_to
        for tau in (math.sqrt(above * end), end):
            assert float(line.at(tau)) == pytest.approx(printed(text, tau), rel=1e-12)


@pytest.mark.parametrize("name", PIECES)
def test_pieces_join_and_nothing_is_said_outside(name: str) -> None:
    """Neighbouring pieces meet within the rounding of print; outside there is no limit."""
    line = eb.limit_lines()[name]
    pieces = PIECES[name][1]

    for (_, up_to, left), (above, _, right) in itertools.pairwise(pieces):
        assert up_to == above
        assert printed(right, above) == pytest.approx(printed(left, above), rel=0.013)
    assert np.isnan(line.at([0.01, 0.1])).all()
    last = pieces[-1][1]
    assert np.isnan(line.at((last or math.inf) * 1.01)) == (last is not None)


@pytest.mark.parametrize("name", THEIRS)
def test_limits_agree_with_an_independent_library(name: str) -> None:
    """At interior points the library's masks are the same."""
    line = eb.limit_lines()[name]

    for above, up_to, _ in PIECES[name][1]:
        for share in (0.2, 0.5, 0.8):
            tau = above ** (1 - share) * (1e7 if up_to is None else up_to) ** share
            assert float(line.at(tau)) == pytest.approx(THEIRS[name](tau), rel=1e-12)
