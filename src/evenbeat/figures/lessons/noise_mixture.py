"""Phase, frequency, deviations and spectrum of one clock, side by side."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.figures.board import Board
from evenbeat.figures.lessons.axes import log_axes, steady_limits
from evenbeat.figures.scales import fractional_unit, seconds_unit
from evenbeat.figures.style import BLUE, INK, Stroke, dressed, stroke
from evenbeat.lessons.noise_mixture import NoiseMixture
from evenbeat.powerlaw import NOISE_NAMES

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

NAMES = {"overlapping_allan": "Allan", "modified_allan": "modified Allan", "overlapping_hadamard": "Hadamard"}
DESCRIPTION = (
    "Four pictures of one simulated clock: time error and frequency against time; Allan, modified Allan and "
    "Hadamard deviation against averaging time; spectral density against Fourier frequency."
)
DEVIATIONS = (3e-15, 3e-9)
DENSITIES = (1e-28, 1e-16)
"""The axes stay where they are: a level that rises must be seen to rise."""
NOISE_STROKES: Mapping[int, Stroke] = {
    **{exponent: stroke(place) for exponent, place in ((2, 6), (1, 5), (0, 4), (-1, 3))},
    -2: Stroke(colour=INK, line=(0, (1.2, 1.2)), marker=""),
}


def noise_mixture_board() -> Board[tuple[NoiseMixture, bool]]:
    """Return the board; what it shows is a mixture and whether deviations and spectrum are hidden."""
    return Board(_arrange, _draw, size_in=(8.6, 6.0))


def _arrange(figure: Figure) -> Sequence[Axes]:
    axes = figure.subplots(2, 2).ravel()
    figure.subplots_adjust(left=0.085, right=0.985, top=0.95, bottom=0.085, wspace=0.24, hspace=0.34)
    phase, frequency, deviations, density = axes
    for ax, title in ((phase, "time error x(t)"), (frequency, "fractional frequency y(t), averages of 1 s")):
        dressed(ax).set_xlabel("time [s]")
        ax.set_title(title, loc="left")
    log_axes(deviations, r"averaging time $\tau$ [s]", "deviation of fractional frequency [1]")
    log_axes(density, "Fourier frequency f [Hz]", r"spectral density $S_y(f)$ [1/Hz]")
    deviations.set_ylim(*DEVIATIONS)
    density.set_ylim(*DENSITIES)
    deviations.set_title("deviations; thin: each noise alone", loc="left")
    density.set_title("spectrum; thin: each noise alone", loc="left")
    shown = {NAMES[name]: stroke(number) for number, name in enumerate(NAMES)}
    _name(deviations, shown, marked=True)
    _name(density, {NOISE_NAMES[exponent]: look for exponent, look in NOISE_STROKES.items()}, marked=False)
    return list(axes)


def _name(ax: Axes, strokes: Mapping[str, Stroke], *, marked: bool) -> None:
    """Put a legend that never changes above the lines."""
    handles = [
        ax.plot(
            [], [], color=look.colour, linestyle=look.line, marker=look.marker if marked else "", label=name
        )[0]
        for name, look in strokes.items()
    ]
    ax.legend(handles=handles, loc="upper center", ncols=3, handlelength=2.6, columnspacing=1.0)


def _draw(axes: Sequence[Axes], shown: tuple[NoiseMixture, bool]) -> None:
    mixture, hidden = shown
    _draw_series(axes[0], axes[1], mixture)
    for ax, draw in ((axes[2], _draw_deviations), (axes[3], _draw_density)):
        if hidden:
            ax.text(
                0.5,
                0.5,
                "hidden: predict the slope first",
                transform=ax.transAxes,
                ha="center",
                va="center",
                color=INK,
                fontsize=10,
            )
        else:
            draw(ax, mixture)


def _draw_series(phase_ax: Axes, frequency_ax: Axes, mixture: NoiseMixture) -> None:
    record = mixture.record
    phase = record.to_phase().values
    time = np.arange(len(phase)) * record.interval_s
    size, unit = seconds_unit(phase)
    phase_ax.plot(time, phase / size, color=BLUE, linewidth=0.9)
    phase_ax.set_ylabel(f"[{unit}]")
    steady_limits(phase_ax, phase / size, symmetric=True)
    size, unit = fractional_unit(record.values)
    frequency_ax.plot(time[:-1], record.values / size, color=BLUE, linewidth=0.5)
    frequency_ax.set_ylabel(f"[{unit}]")
    steady_limits(frequency_ax, record.values / size, symmetric=True)
    for ax in (phase_ax, frequency_ax):
        ax.set_xlim(0, float(time[-1]))


def _draw_deviations(ax: Axes, mixture: NoiseMixture) -> None:
    tau = mixture.averaging_time_s
    for exponent, expected in mixture.expected.items():
        look = NOISE_STROKES[exponent]
        ax.plot(tau, expected, color=look.colour, linestyle=look.line, linewidth=1.0)
    allan = mixture.curves["overlapping_allan"]
    ax.fill_between(tau, *allan.confidence_interval(), color=BLUE, alpha=0.18, linewidth=0)
    for number, curve in enumerate(mixture.curves.values()):
        look = stroke(number)
        ax.plot(
            curve.averaging_time_s,
            curve.deviation,
            color=look.colour,
            linestyle=look.line,
            marker=look.marker,
            linewidth=1.8 if curve is allan else 1.2,
        )
    ax.set_xlim(float(tau[0]) / 1.3, float(tau[-1]) * 1.3)


def _draw_density(ax: Axes, mixture: NoiseMixture) -> None:
    density = mixture.density
    f = density.frequency_hz
    for exponent, level in mixture.levels.by_exponent.items():
        if level > 0:
            look = NOISE_STROKES[exponent]
            ax.plot(f, level * f**exponent, color=look.colour, linestyle=look.line, linewidth=1.0)
    ax.fill_between(f, *density.confidence_interval(), color=BLUE, alpha=0.18, linewidth=0)
    ax.plot(f, density.frequency_density, color=BLUE, marker="o", linewidth=1.8)
    ax.set_xlim(float(f[0]) / 1.3, float(f[-1]) * 1.3)
