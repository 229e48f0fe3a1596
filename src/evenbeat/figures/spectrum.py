"""Spectral density of fractional frequency against Fourier frequency, with the slopes of the noises."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.figures.labels import Label, name_lines
from evenbeat.figures.scales import fractional_text, log_decades, power_text
from evenbeat.figures.style import BLUE, GREY, INK, RUST, WIDTH_IN, dressed, stroke, styled
from evenbeat.powerlaw import NOISE_NAMES
from evenbeat.quantities import FloatArray
from evenbeat.stability.levels.noise_fit import NoiseFit
from evenbeat.stability.spectrum import Spectrum

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BINS_SHOWN = 10
"""Bins per decade of the strong line; the lines themselves are drawn pale behind it."""
_DENSE = 120
_FAN_IN = 0.55
"""Length of the lines that show the slopes, in inches."""
_FAN_AT = (1.02, 0.5)


def spectrum_caption(result: Spectrum) -> str:
    """Return the sentence above the figure: where the density is lowest, and how low."""
    shown = _shown(result)
    positive = np.flatnonzero(shown.frequency_density > 0)
    if not len(positive):
        return "The readings do not vary: every spectral density is zero."
    lowest = int(positive[np.argmin(shown.frequency_density[positive])])
    low, high = shown.confidence_interval()
    return (
        f"The spectral density of fractional frequency is lowest at {_hertz(shown.frequency_hz[lowest])}: "
        f"{fractional_text(float(shown.frequency_density[lowest]))} per hertz (95 % interval "
        f"{fractional_text(float(low[lowest]))} to {fractional_text(float(high[lowest]))})."
    )


@styled
def draw_spectrum(ax: Axes, result: Spectrum, *, fit: NoiseFit | None = None) -> None:
    """Draw S_y(f) with its 95 % interval, and the slopes of the five noises beside it.

    Parameters
    ----------
    ax
        Where to draw.
    result
        The spectrum.
    fit
        Noise levels of the same record: each detected noise is drawn as its straight line, and their sum.

    Notes
    -----
    A spectrum of many lines is averaged to ten bins per decade for the strong line and the interval.
    """
    dressed(ax)
    shown = _shown(result)
    positive = shown.frequency_density > 0
    frequency, density = shown.frequency_hz[positive], shown.frequency_density[positive]
    low, high = (limit[positive] for limit in shown.confidence_interval())
    ax.set_xscale("log")
    ax.set_yscale("log")
    if shown is not result:
        ax.plot(
            result.frequency_hz, result.frequency_density, color=GREY, alpha=0.3, linewidth=0.5, label="lines"
        )
    ax.fill_between(frequency, low, high, color=BLUE, alpha=0.22, linewidth=0)
    ax.plot(frequency, density, color=BLUE, marker="o", label="spectral density")
    if len(density):
        ax.set_ylim(float(low.min()) / 2, float(high.max()) * 2)
    log_decades(ax)
    if fit is None:
        _draw_slopes(ax)
    else:
        _draw_fit(ax, frequency, fit)
    ax.set_xlabel(f"Fourier frequency f [Hz]; band: 95 % interval; {result.segments} segments, Hann taper")
    ax.set_ylabel(r"$S_y(f)$ [1/Hz]")


def _shown(result: Spectrum) -> Spectrum:
    return result.binned(BINS_SHOWN) if len(result) > _DENSE else result


def _hertz(frequency: float) -> str:
    return f"{fractional_text(float(frequency))} Hz" if frequency < 0.01 else f"{frequency:.3g} Hz"


def _draw_slopes(ax: Axes) -> None:
    """Draw right of the axes one short line for each noise, with the slope it has in these axes.

    Call it last: it reads the limits of the axes.
    """
    figure = ax.get_figure(root=True)
    height = figure.get_figheight() if figure is not None else 3.0
    box = ax.get_position()
    left, right = np.log10(ax.get_xlim())
    bottom, top = np.log10(ax.get_ylim())
    across, up = (
        box.width * WIDTH_IN / (right - left),
        box.height * height / (top - bottom),
    )  # inches a decade
    start_x, start_y = left + _FAN_AT[0] * (right - left), bottom + _FAN_AT[1] * (top - bottom)
    for exponent, name in NOISE_NAMES.items():
        length = _FAN_IN / math.hypot(across, exponent * up)
        end = (10 ** (start_x + length), 10 ** (start_y + exponent * length))
        ax.plot(
            [10**start_x, end[0]],
            [10**start_y, end[1]],
            color=INK,
            linewidth=0.9,
            clip_on=False,
            label="slope",
            scalex=False,
            scaley=False,
        )
        ax.annotate(
            f"{_law(exponent)} {name}".strip(),
            xy=end,
            xytext=(4, 0),
            textcoords="offset points",
            ha="left",
            va="center",
            fontsize=7.2,
            color=INK,
            annotation_clip=False,
        )


def _law(exponent: int) -> str:
    if exponent in (0, 1):
        return "f" if exponent else "f⁰"
    return f"f{power_text(exponent)[2:]}"


def _draw_fit(ax: Axes, frequency: FloatArray, fit: NoiseFit) -> None:
    """Draw the fitted noises within the axes, and their sum."""
    levels = {alpha: level for alpha, level in fit.levels.by_exponent.items() if level > 0}
    total = np.sum([level * frequency**alpha for alpha, level in levels.items()], axis=0)
    ax.plot(frequency, total, color=RUST, linewidth=1.3, linestyle=(0, (5, 1.5)), label="sum of the fit")
    labels = [Label(x=float(frequency[-1]), y=float(total[-1]), text="fit", colour=RUST)]
    for number, (alpha, level) in enumerate(levels.items()):
        look = stroke(number + 2)
        values = level * frequency**alpha
        ax.plot(
            frequency, values, color=look.colour, linewidth=0.9, linestyle=look.line, label="fitted noise"
        )
        text = f"{NOISE_NAMES[alpha]}\n{_law(alpha)}"
        labels.append(Label(x=float(frequency[-1]), y=float(values[-1]), text=text, colour=look.colour))
    name_lines(ax, labels)
