"""The limits of ITU-T Recommendations: every piece, its ends, and allantools where it has them."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from allantools import mask

import evenbeat as eb

# SOURCE: the Recommendation named beside each limit, as quoted with clause or table (False) or from memory
# (True); averaging time above, up to (s), limit in ns
PIECES: dict[str, tuple[str, bool, list[tuple[float, float | None, str]]]] = {
    "G.811 PRC MTIE": (
        "ITU-T G.811 (09/97)+Amd.1(04/16) clause 6 wander",
        False,
        [(0.1, 1000.0, "0.275*tau+25"), (1000, None, "0.01*tau+290")],
    ),
    "G.811 PRC TDEV": (
        "ITU-T G.811 (09/97)+Amd.1",
        False,
        [(0.1, 100.0, "3"), (100, 1000.0, "0.03*tau"), (1000, 10000.0, "30")],
    ),
    "G.8272 PRTC-A MTIE": (
        "ITU-T G.8272 (11/18) Table 1",
        False,
        [(0.1, 273.0, "0.275*tau+25"), (273, None, "100")],
    ),
    "G.8272 PRTC-B MTIE": (
        "ITU-T G.8272 (11/18) Table 2",
        False,
        [(0.1, 54.5, "0.275*tau+25"), (54.5, None, "40")],
    ),
    "G.8272 PRTC-A TDEV": (
        "ITU-T G.8272 (11/18) Table 3",
        False,
        [(0.1, 100.0, "3"), (100, 1000.0, "0.03*tau"), (1000, 10000.0, "30")],
    ),
    "G.8272 PRTC-B TDEV": (
        "ITU-T G.8272 (11/18) Table 4",
        False,
        [(0.1, 100.0, "1"), (100, 500.0, "0.01*tau"), (500, 100000.0, "5")],
    ),
    "G.8272.1 ePRTC MTIE": (
        "ITU-T G.8272.1 (2016) Amd.1 (08/17) Table 1",
        False,
        [
            (0.1, 1.0, "4"),
            (1, 100.0, "0.11114*tau+3.89"),
            (100, 400000.0, "0.0375e-3*tau+15"),
            (400000, None, "30"),
        ],
    ),
    "G.8272.1 ePRTC TDEV": (
        "ITU-T G.8272.1 Amd.1 (08/17) Table 2",
        False,
        [(0.1, 30000.0, "1"), (30000, 300000.0, "3.33333e-5*tau"), (300000, 1000000.0, "10")],
    ),
    "G.812 Type I MTIE (locked, const. temp.)": (
        "ITU-T G.812 noise generation",
        True,
        [(0.1, 9.0, "24"), (9, 400.0, "8*tau**0.5"), (400, 10000.0, "160")],
    ),
    "G.812 Type I TDEV": (
        "ITU-T G.812 noise generation",
        True,
        [(0.1, 25.0, "3"), (25, 100.0, "0.12*tau"), (100, 10000.0, "12")],
    ),
    "G.812 Type II/III TDEV": (
        "ITU-T G.812 noise generation",
        True,
        [(0.1, 2.5, "3.2*tau**-0.5"), (2.5, 40.0, "2"), (40, 1000.0, "0.32*tau**0.5"), (1000, 10000.0, "10")],
    ),
    "G.812 Type III MTIE": (
        "ITU-T G.812 noise generation",
        True,
        [(0.1, 1.0, "40"), (1, 10.0, "40*tau**0.4"), (10, 1000.0, "100")],
    ),
    "G.813 opt 1 / G.8262 EEC-1 MTIE const. temp.": (
        "ITU-T G.813 (03/03) Table 1 / G.8262",
        True,
        [(0.1, 1.0, "40"), (1, 100.0, "40*tau**0.1"), (100, 1000.0, "25.25*tau**0.2")],
    ),
    "G.813 opt 1 / G.8262 EEC-1 TDEV": (
        "ITU-T G.813 / G.8262",
        True,
        [(0.1, 25.0, "3.2"), (25, 100.0, "0.64*tau**0.5"), (100, 1000.0, "6.4")],
    ),
    "G.813 opt 2 / G.8262 EEC-2 MTIE": (
        "ITU-T G.813 / G.8262",
        True,
        [(0.1, 1.0, "20"), (1, 10.0, "20*tau**0.48"), (10, 1000.0, "60")],
    ),
    "G.813 opt 2 / G.8262 EEC-2 TDEV": (
        "ITU-T G.813 / G.8262",
        True,
        [(0.1, 2.5, "3.2*tau**-0.5"), (2.5, 40.0, "2"), (40, 1000.0, "0.32*tau**0.5"), (1000, 10000.0, "10")],
    ),
    "G.8261/G.823 EEC/SEC network limit MTIE": (
        "ITU-T G.8261 / G.823 (SEC interface)",
        True,
        [
            (0.1, 2.5, "250"),
            (2.5, 20.0, "100*tau"),
            (20, 2000.0, "2000"),
            (2000, None, "433*tau**0.2+0.01*tau"),
        ],
    ),
    "G.8261/G.823 EEC/SEC network limit TDEV": (
        "ITU-T G.8261 / G.823",
        True,
        [(0.1, 17.14, "12"), (17.14, 100.0, "0.7*tau"), (100, 1000000.0, "58+1.2*tau**0.5+0.0003*tau")],
    ),
    "G.823 SSU network limit MTIE": (
        "ITU-T G.823 (SSU interface)",
        True,
        [
            (0.1, 2.5, "25"),
            (2.5, 200.0, "10*tau"),
            (200, 2000.0, "2000"),
            (2000, None, "433*tau**0.2+0.01*tau"),
        ],
    ),
    "G.823 SSU network limit TDEV": (
        "ITU-T G.823",
        True,
        [(0.1, 4.3, "3"), (4.3, 100.0, "0.7*tau"), (100, 1000000.0, "58+1.2*tau**0.5+0.0003*tau")],
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
    """No more and no fewer than listed here, each with its source and whether it was recalled."""
    lines = eb.limit_lines()

    assert set(lines) == set(PIECES)
    for name, (source, recalled, _) in PIECES.items():
        assert lines[name].source == source
        assert lines[name].from_memory is recalled
        assert ("from memory: confirm against the Recommendation" in lines[name].title) is recalled
        assert lines[name].statistic == ("mtie" if "MTIE" in name else "time")


@pytest.mark.parametrize("name", PIECES)
def test_every_piece_is_as_printed(name: str) -> None:
    """In the middle and at the upper end of each piece the limit is the printed formula."""
    line = eb.limit_lines()[name]

    for above, up_to, text in PIECES[name][2]:
        end = 1e7 if up_to is None else up_to
        for tau in (math.sqrt(above * end), end):
            assert float(line.at(tau)) == pytest.approx(printed(text, tau), rel=1e-12)


@pytest.mark.parametrize("name", PIECES)
def test_pieces_join_and_nothing_is_said_outside(name: str) -> None:
    """Neighbouring pieces meet within the rounding of print; outside there is no limit."""
    line = eb.limit_lines()[name]
    pieces = PIECES[name][2]

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

    for above, up_to, _ in PIECES[name][2]:
        for share in (0.2, 0.5, 0.8):
            tau = above ** (1 - share) * (1e7 if up_to is None else up_to) ** share
            assert float(line.at(tau)) == pytest.approx(THEIRS[name](tau), rel=1e-12)
