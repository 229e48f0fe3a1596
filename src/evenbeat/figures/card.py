"""What a reading is worth as time goes by: one line for each frequency and gate."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenbeat.counter.card import TimebaseCard
from evenbeat.figures.labels import Label, name_lines
from evenbeat.figures.scales import percent_text, typeset
from evenbeat.figures.style import dressed, stroke, styled
from evenbeat.units import SECONDS_PER_DAY, duration_text, frequency_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MARKERS = "os^Dv"


def card_caption(card: TimebaseCard) -> str:
    """Return the sentence above the figure: the finest reading on the first and on the last day."""
    finest = card.half_width / card.frequency_hz[np.newaxis, :, np.newaxis]
    percent = percent_text(card.confidence)
    now, then = (typeset(f"{moment.min():.1e}") for moment in (finest[0], finest[-1]))
    return (
        f"Readings are right within ±{now} of themselves at best now, and within ±{then} after "
        f"{duration_text(float(card.elapsed_s[-1]))} ({percent})."
    )


@styled
def draw_card(ax: Axes, card: TimebaseCard) -> None:
    """Draw the relative half width against time: look and marker tell frequency and gate together."""
    dressed(ax)
    days = card.elapsed_s / SECONDS_PER_DAY
    ax.set_yscale("log")
    relative = card.half_width / card.frequency_hz[np.newaxis, :, np.newaxis]
    ax.set_ylim(0.6 * float(relative.min()), 1.6 * float(relative.max()))
    ax.set_xlabel("time since the record or calibration [d]")
    ax.set_ylabel("half width over reading")
    labels = []
    for number, (j, k) in enumerate(np.ndindex(len(card.frequency_hz), len(card.gate_s))):
        line = relative[:, j, k]
        look = stroke(number)
        ax.plot(
            days,
            line,
            color=look.colour,
            linestyle=look.line,
            marker=MARKERS[number % len(MARKERS)],
            markersize=4,
        )
        text = f"{frequency_text(float(card.frequency_hz[j]))},\ngate {card.gate_s[k]:g} s"
        labels.append(Label(x=float(days[-1]), y=float(line[-1]), text=text, colour=look.colour))
    name_lines(ax, labels)
