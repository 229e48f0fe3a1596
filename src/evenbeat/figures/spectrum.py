"""Spectral density of fractional frequency against Fourier frequency, with the slopes of the noises."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenbeat.deviations.levels import NoiseFit
from evenbeat.deviations.spectrum import Spectrum
from evenbeat.figures.axes import Label, fractional_text, log_decades, name_lines, note, power_text
from evenbeat.figures.style import BLUE, GREY, INK, RUST, WIDTH_IN, Keywords, drawing, stroke
from evenbeat.intake import check_positive
from evenbeat.powerlaw import NOISE_NAMES
from evenbeat.quantities import FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BINS_SHOWN = 10
"""Bins per decade of the strong line; the lines themselves are drawn pale behind it."""
_DENSE = 120
_FAN_IN = 0.55
"""Length of the lines that show the slopes, in inches."""
_LABEL_IN = 0.125
"""Least distance of one name from the next."""
_FAN_AT = (1.02, 0.5)


def spectrum_caption(result: Spectrum, *, carrier_hz: float | None = None) -> str:
    """Return the sentence above the figure: where the density is lowest, and how low."""
    shown = _shown(result)
    positive = np.flatnonzero(shown.frequency_density > 0)
    if not len(positive):
        return "The readings do not vary: every spectral density is zero."
    if carrier_hz is not None:
        level = shown.phase_noise_dbc_per_hz(carrier_hz)
        first, last = int(positive[0]), int(positive[-1])
        return (
            f"On a carrier of {_carrier(carrier_hz)} the phase noise is {_decibels(level[first])} at "
            f"{_hertz(shown.frequency_hz[first])} and {_decibels(level[last])} at "
            f"{_hertz(shown.frequency_hz[last])}."
        )
    lowest = int(positive[np.argmin(shown.frequency_density[positive])])
    low, high = shown.confidence_interval()
    return (
        f"The spectral density of fractional frequency is lowest at {_hertz(shown.frequency_hz[lowest])}: "
        f"{fractional_text(float(shown.frequency_density[lowest]))} per hertz (95 % interval "
        f"{fractional_text(float(low[lowest]))} to {fractional_text(float(high[lowest]))})."
    )


@drawing
def draw_spectrum(
    ax: Axes, result: Spectrum, *, fit: NoiseFit | None = None, carrier_hz: float | None = None
) -> None:
    """Draw S_y(f) or L(f) with its 95 % interval, and the slopes of the five noises beside it.

    Parameters
    ----------
    ax
        Where to draw.
    result
        The spectrum.
    fit
        Noise levels of the same record: each detected noise is drawn as its straight line, and their sum.
    carrier_hz
        Draw the phase noise L(f) of a carrier of this frequency, in dBc/Hz, instead of S_y(f).

    Raises
    ------
    InputError
        If the frequency of the carrier is not positive.

    Notes
    -----
    A spectrum of many lines is averaged to ten bins per decade for the strong line and the interval.
    """
    shown = _shown(result)
    scale = _Scale(carrier_hz=carrier_hz)
    positive = shown.frequency_density > 0
    frequency, density = shown.frequency_hz[positive], shown.frequency_density[positive]
    low, high = (limit[positive] for limit in shown.confidence_interval())
    ax.set_xscale("log")
    if carrier_hz is None:
        ax.set_yscale("log")
    else:
        check_positive(carrier_hz, "carrier_hz", optional=False)
    if shown is not result:
        every = result.frequency_density > 0
        lines = result.frequency_hz[every]
        values = scale.of(lines, result.frequency_density[every])
        ax.plot(lines, values, color=GREY, alpha=0.3, linewidth=0.5, label="lines")
    ax.fill_between(
        frequency, scale.of(frequency, low), scale.of(frequency, high), color=BLUE, alpha=0.22, linewidth=0
    )
    ax.plot(frequency, scale.of(frequency, density), color=BLUE, marker="o", label="spectral density")
    if len(density):
        ax.set_ylim(float(scale.of(frequency, low / 2).min()), float(scale.of(frequency, high * 2).max()))
    if carrier_hz is None:
        log_decades(ax)
    if fit is None:
        _draw_slopes(ax, scale)
    else:
        _draw_fit(ax, frequency, fit, scale)
    ax.set_xlabel(f"Fourier frequency f [Hz]; band: 95 % interval; {result.segments} segments, Hann taper")
    ax.set_ylabel(scale.title)


@dataclass(frozen=True, kw_only=True)
class _Scale:
    """What is drawn upwards: S_y(f), or L(f) of a carrier."""

    carrier_hz: float | None

    def of(self, frequency: FloatArray, density: FloatArray) -> FloatArray:
        """Return what is drawn for densities of fractional frequency."""
        if self.carrier_hz is None:
            return density
        return np.asarray(10 * np.log10(0.5 * density * (self.carrier_hz / frequency) ** 2))

    def slope(self, exponent: int) -> int:
        """Return the power of f that a noise follows."""
        return exponent if self.carrier_hz is None else exponent - 2

    @property
    def title(self) -> str:
        """Of the axis."""
        if self.carrier_hz is None:
            return r"$S_y(f)$ [1/Hz]"
        return rf"$\mathscr{{L}}(f)$ of {_carrier(self.carrier_hz)} [dBc/Hz]"


def _carrier(frequency_hz: float) -> str:
    for unit, size in (("GHz", 1e9), ("MHz", 1e6), ("kHz", 1e3)):
        if frequency_hz >= size:
            return f"{frequency_hz / size:g} {unit}"
    return f"{frequency_hz:g} Hz"


def _decibels(level: float) -> str:
    return f"{level:.0f} dBc/Hz".replace("-", "−")


def _shown(result: Spectrum) -> Spectrum:
    return result.binned(BINS_SHOWN) if len(result) > _DENSE else result


def _hertz(frequency: float) -> str:
    return f"{fractional_text(float(frequency))} Hz" if frequency < 0.01 else f"{frequency:.3g} Hz"


def _draw_slopes(ax: Axes, scale: _Scale) -> None:
    """Draw right of the axes one short line for each noise, with the slope it has in these axes.

    Call it last: it reads the limits of the axes.
    """
    figure = ax.get_figure(root=True)
    height = figure.get_figheight() if figure is not None else 3.0
    box = ax.get_position()
    left, right = np.log10(ax.get_xlim())
    decibels = scale.carrier_hz is not None
    bottom, top = np.array(ax.get_ylim()) / 10 if decibels else np.log10(ax.get_ylim())
    across, up = (
        box.width * WIDTH_IN / (right - left),
        box.height * height / (top - bottom),
    )  # inches a decade
    start_x, start_y = left + _FAN_AT[0] * (right - left), bottom + _FAN_AT[1] * (top - bottom)
    lowest = math.inf
    for exponent, name in NOISE_NAMES.items():
        slope = scale.slope(exponent)
        length = _FAN_IN / math.hypot(across, slope * up)
        heights = np.array([start_y, start_y + slope * length])
        rise = heights * 10 if decibels else 10**heights
        end = (10 ** (start_x + length), float(rise[1]))
        fixed: Keywords = {"clip_on": False, "scalex": False, "scaley": False}
        ax.plot([10**start_x, end[0]], rise, color=INK, linewidth=0.9, label="slope", **fixed)
        height_in = slope * length * up
        lowest = min(height_in, lowest - _LABEL_IN)
        look: Keywords = {"ha": "left", "va": "center", "fontsize": 7.2, "color": INK}
        moved = (4, 72 * (lowest - height_in))
        note(ax, f"{_law(slope)} {name}".strip(), end, offset=moved, annotation_clip=False, **look)


def _law(exponent: int) -> str:
    if exponent in (0, 1):
        return "f" if exponent else "f⁰"
    return f"f{power_text(exponent)[2:]}"


def _draw_fit(ax: Axes, frequency: FloatArray, fit: NoiseFit, scale: _Scale) -> None:
    """Draw the fitted noises within the axes, and their sum."""
    levels = {alpha: level for alpha, level in fit.levels.by_exponent.items() if level > 0}
    total = scale.of(frequency, np.sum([level * frequency**alpha for alpha, level in levels.items()], axis=0))
    ax.plot(frequency, total, color=RUST, linewidth=1.3, linestyle=(0, (5, 1.5)), label="sum of the fit")
    labels = [Label.at_end(frequency, total, "fit", RUST)]
    for number, (alpha, level) in enumerate(levels.items()):
        look = stroke(number + 2)
        values = scale.of(frequency, level * frequency**alpha)
        line: Keywords = {"color": look.colour, "linewidth": 0.9, "linestyle": look.line}
        ax.plot(frequency, values, label="fitted noise", **line)
        text = f"{NOISE_NAMES[alpha]}\n{_law(scale.slope(alpha))}"
        labels.append(Label.at_end(frequency, values, text, look.colour))
    name_lines(ax, labels)
