"""A log before and after conditioning: as it was logged with what was noticed, and what analyses use."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from evenbeat.conditioning.report import TITLES, ConditioningReport
from evenbeat.figures.record import draw_record
from evenbeat.figures.scales import plain
from evenbeat.figures.style import styled

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

_UPPER = (0.0, 0.54, 1.0, 0.41)
_LOWER = (0.0, 0.0, 1.0, 0.42)


def conditioning_caption(report: ConditioningReport) -> str:
    """Return the sentence above the figure: what was set aside, and by which checks."""
    record = report.record
    aside = [
        f"{TITLES.get(outcome.check, outcome.check)} {outcome.set_aside}"
        for outcome in report.checks
        if outcome.set_aside
    ]
    told = f" ({', '.join(aside)})" if aside else ""
    steps = len(record.steps)
    taken = f" and took out {steps} step{'s' * (steps > 1)}" if steps else ""
    aside_text = f"Conditioning set aside {record.excluded} of {len(record)} readings{told}"
    return plain(f"{aside_text}{taken}; nothing was deleted.")


@styled
def draw_conditioning(ax: Axes, report: ConditioningReport) -> None:
    """Draw the log as it was logged above what is used of it, each on its own scale."""
    record = report.record
    ax.set_axis_off()
    upper, lower = ax.inset_axes(_UPPER), ax.inset_axes(_LOWER)
    noticed = tuple(replace(flag, excluded=False) for flag in record.flags)
    draw_record(upper, replace(record, values=report.logged_values(), flags=noticed), whole=True)
    draw_record(
        lower, replace(record, values=report.used_values(), flags=(), removed_frequency=0.0), whole=True
    )
    for panel, text in ((upper, "as logged, every reading"), (lower, "as used")):
        panel.set_title(text, loc="left", fontsize=8, pad=3)
    ax.set(xlabel=lower.get_xlabel(), ylabel=lower.get_ylabel())  # hidden with the frame; read by its caption
    upper.set_xlabel("")
    upper.tick_params(labelbottom=False)
    handles, labels = _named(upper, lower)
    ax.legend(
        handles,
        labels,
        loc="upper left",
        bbox_to_anchor=(-0.01, -0.13),
        ncols=3,
        handletextpad=0.4,
        borderpad=0,
    )


def _named(*panels: Axes) -> tuple[list[Artist], list[str]]:
    """Return what the panels name, each name once, and take their own legends away."""
    named: dict[str, Artist] = {}
    for panel in panels:
        legend = panel.get_legend()
        if legend is not None:
            legend.remove()
        handles, labels = panel.get_legend_handles_labels()
        for handle, label in zip(handles, labels, strict=True):
            if panel is panels[0] or not label.startswith("gap"):
                named.setdefault(label, handle)
    return list(named.values()), list(named)
