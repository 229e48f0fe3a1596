"""The figures of the lessons, each on a board whose axes stay."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from evenbeat.figures.axes import fractional_unit, seconds_unit, spread, typeset
from evenbeat.figures.board import Board, log_axes, plain_axes, steady_limits
from evenbeat.figures.style import BLUE, GREEN, GREY, INK, OCHRE, PALE, RUST, Keywords, Stroke, stroke
from evenbeat.lessons import holdover_round, record_length
from evenbeat.lessons.aging_laws import AgingLesson
from evenbeat.lessons.clock_detective import TEMPERATURE, Investigation
from evenbeat.lessons.counter_limits import CounterLesson
from evenbeat.lessons.holdover_round import HoldoverGuess
from evenbeat.lessons.live_log import LiveLog
from evenbeat.lessons.next_calibration import CalibrationLesson
from evenbeat.lessons.noise_mixture import NoiseMixture
from evenbeat.lessons.record_length import GapLesson
from evenbeat.powerlaw import NOISE_NAMES
from evenbeat.units import SECONDS_PER_DAY, SECONDS_PER_HOUR, duration_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

TAU = r"averaging time $\tau$ [s]"
STATISTICS = {
    "overlapping_allan": "Allan",
    "modified_allan": "modified Allan",
    "overlapping_hadamard": "Hadamard",
}
NOISE_STROKES: Mapping[int, Stroke] = {
    **{exponent: stroke(place) for exponent, place in ((2, 6), (1, 5), (0, 4), (-1, 3))},
    -2: Stroke(colour=INK, line=(0, (1.2, 1.2)), marker=""),
}


class SeenMixture(NamedTuple):
    """A mixture, whether deviations and spectrum are hidden, and whether the phase is drawn without slope."""

    mixture: NoiseMixture
    hidden: bool = False
    slope_removed: bool = False


class NoiseMixtureBoard(Board[SeenMixture]):
    """Phase, frequency, deviations and spectrum of one clock; deviations and spectrum may be hidden."""

    size_in = (7.2, 5.2)
    description = (
        "Four pictures of one simulated clock: time error and frequency against time; Allan, modified Allan "
        "and Hadamard deviation against averaging time; spectral density against Fourier frequency."
    )

    def arrange(self, figure: Figure) -> Sequence[Axes]:
        """Make four axes; those of deviations and spectrum stay where they are: a level is seen to rise."""
        axes = figure.subplots(2, 2).ravel()
        figure.subplots_adjust(left=0.1, right=0.985, top=0.945, bottom=0.095, wspace=0.3, hspace=0.46)
        phase, frequency, deviations, density = axes
        plain_axes(phase, "time error x(t): y(t) added up", "time [s]")
        plain_axes(frequency, "fractional frequency y(t)", "time [s]")
        title = "deviations; thin: each noise alone"
        log_axes(deviations, TAU, "deviation of y [1]", title)
        title = "spectrum; thin: each noise alone"
        log_axes(density, "Fourier frequency f [Hz]", r"spectral density $S_y(f)$ [1/Hz]", title)
        deviations.set_ylim(3e-15, 3e-9)
        density.set_ylim(1e-28, 1e-16)
        statistics = {name: stroke(number) for number, name in enumerate(STATISTICS.values())}
        noises = {NOISE_NAMES[exponent]: look for exponent, look in NOISE_STROKES.items()}
        for ax, strokes, marked in ((deviations, statistics, True), (density, noises, False)):
            for name, look in strokes.items():
                marker = look.marker if marked else ""
                ax.plot([], [], color=look.colour, linestyle=look.line, marker=marker, label=name)
            ax.legend(loc="upper right", ncols=2, handlelength=2.6, columnspacing=1.0)
        return list(axes)

    def draw(self, axes: Sequence[Axes], shown: SeenMixture) -> None:
        """Draw what is not hidden; the phase starts at zero and is the sum of the frequency beside it."""
        mixture, hidden, slope_removed = shown
        record = mixture.record
        phase = np.append(0.0, np.cumsum(record.values) * record.interval_s)
        if slope_removed:
            phase = phase - np.linspace(0.0, phase[-1], len(phase))
        axes[0].set_title(f"time error x(t){', its slope removed' if slope_removed else ': y(t) added up'}")
        time = np.arange(len(phase)) * record.interval_s
        for ax, values, (size, unit), width in (
            (axes[0], phase, seconds_unit(phase), 0.9),
            (axes[1], record.values, fractional_unit(record.values), 0.5),
        ):
            ax.plot(time[: len(values)], values / size, color=BLUE, linewidth=width)
            ax.set_ylabel(f"[{unit}]")
            steady_limits(ax, values / size, symmetric=True)
            ax.set_xlim(0, float(time[-1]))
        if hidden:
            centred: Keywords = {"ha": "center", "va": "center", "color": INK, "fontsize": 10}
            for ax in axes[2:]:
                ax.text(0.5, 0.5, "hidden: predict the slope first", transform=ax.transAxes, **centred)
            return
        tau, f, density = mixture.averaging_time_s, mixture.density.frequency_hz, mixture.density
        levels = mixture.levels.by_exponent
        theory = [(axes[2], tau, exponent, expected) for exponent, expected in mixture.expected.items()]
        theory += [(axes[3], f, exponent, h * f**exponent) for exponent, h in levels.items() if h > 0]
        for ax, x, exponent, expected in theory:
            look = NOISE_STROKES[exponent]
            ax.plot(x, expected, color=look.colour, linestyle=look.line, linewidth=1.0)
        allan = mixture.curves["overlapping_allan"]
        axes[2].fill_between(tau, *allan.confidence_interval(), color=BLUE, alpha=0.18, linewidth=0)
        axes[3].fill_between(f, *density.confidence_interval(), color=BLUE, alpha=0.18, linewidth=0)
        for number, curve in enumerate(mixture.curves.values()):
            look = stroke(number)
            axes[2].plot(
                curve.averaging_time_s,
                curve.deviation,
                color=look.colour,
                linestyle=look.line,
                marker=look.marker,
                linewidth=1.8 if curve is allan else 1.2,
            )
        axes[3].plot(f, density.frequency_density, color=BLUE, marker="o", linewidth=1.8)
        for ax, x in ((axes[2], tau), (axes[3], f)):
            ax.set_xlim(float(x[0]) / 1.3, float(x[-1]) * 1.3)


class GapBoard(Board[GapLesson]):
    """A record with holes, and its deviation beside what it really is."""

    size_in = (7.2, 5.2)
    description = (
        "Above, the record of fractional frequency against time, with gaps where readings are missing. "
        "Below, its deviation against averaging time with 95 % intervals, beside the deviation "
        "that was put in."
    )

    def arrange(self, figure: Figure) -> Sequence[Axes]:
        """Make the axes of the series and of its deviation."""
        series, deviations = figure.subplots(2, 1, height_ratios=[1, 1.9])
        figure.subplots_adjust(left=0.085, right=0.985, top=0.955, bottom=0.09, hspace=0.36)
        longest = record_length.LONGEST * record_length.INTERVAL_S
        plain_axes(series, "the record; shaded: readings are missing", "time [d]")
        series.set_xlim(0, longest / SECONDS_PER_DAY)
        log_axes(deviations, TAU, "deviation of fractional frequency [1]", "its deviation")
        deviations.set_xlim(record_length.INTERVAL_S / 1.4, longest / 1.8)
        deviations.set_ylim(1e-14, 1e-8)
        deviations.plot([], [], color=BLUE, marker="o", linewidth=1.8, label="estimated; band: 95 % interval")
        deviations.plot([], [], color=RUST, linestyle=(0, (5, 1.5)), label="what was put in")
        cross: Keywords = {"color": INK, "marker": "x", "linestyle": "none", "markersize": 6}
        deviations.plot([], [], label="interval misses what was put in", **cross)
        deviations.legend(loc="upper left", handlelength=3)
        return [series, deviations]

    def draw(self, axes: Sequence[Axes], lesson: GapLesson) -> None:
        """Draw the record with all that is missing, and curve, interval and truth."""
        from matplotlib.collections import PolyCollection

        series, deviations = axes
        record, curve = lesson.record, lesson.curve
        size, unit = fractional_unit(record.values)
        dots = "." if record.missing else ""
        time = record.elapsed_s / SECONDS_PER_DAY
        series.plot(time, record.values / size, color=BLUE, linewidth=0.5, marker=dots, markersize=2.0)
        steady_limits(series, record.values / size, symmetric=True)
        # all that is missing as one collection: thousands of holes one by one take too long
        gone = np.concatenate([[False], np.isnan(record.values), [False]]).astype(np.int8)
        edges = (np.flatnonzero(np.diff(gone)) - 0.5) * record.interval_s / SECONDS_PER_DAY
        first, last = edges[::2], edges[1::2]
        low, high = (np.full(len(first), limit) for limit in series.get_ylim())
        corners: Any = np.array([(first, low), (first, high), (last, high), (last, low)]).transpose(2, 0, 1)
        holes = PolyCollection(corners, facecolor=PALE, edgecolor=GREY, linewidth=0.3, zorder=0.5)
        series.add_collection(holes, autolim=False)
        series.set_ylabel(f"y(t) [{unit}]")
        tau = curve.averaging_time_s
        low, high = curve.confidence_interval()
        deviations.plot(tau, lesson.truth, color=RUST, linestyle=(0, (5, 1.5)))
        deviations.fill_between(tau, low, high, color=BLUE, alpha=0.2, linewidth=0)
        deviations.plot(tau, curve.deviation, color=BLUE, marker="o", linewidth=1.8)
        missed = (lesson.truth < low) | (lesson.truth > high)
        cross: Keywords = {"marker": "x", "markersize": 8, "markeredgewidth": 1.6, "linestyle": "none"}
        deviations.plot(tau[missed], curve.deviation[missed], color=INK, zorder=5, **cross)


class AgingBoard(Board[AgingLesson]):
    """Daily averages, the model's forecast with its band, and what a least-squares line predicts."""

    size_in = (7.2, 4.6)
    description = (
        "Daily averages of a clock that ages, the fitted model with its 95 % band within the record and as "
        "far again after it, and the band that a least-squares line claims for the same days."
    )

    def arrange(self, figure: Figure) -> Sequence[Axes]:
        """Make the axes, with the legend above them."""
        ax = plain_axes(figure.subplots(), x_label="time since the start of the record [d]")
        figure.subplots_adjust(left=0.1, right=0.985, top=0.86, bottom=0.11)
        dots: Keywords = {"linestyle": "none", "markersize": 5}
        ax.plot([], [], color=INK, marker=".", label="averages of a day, seen", **dots)
        ax.plot([], [], color=OCHRE, marker="x", label="days to come, unseen", **dots)
        ax.plot([], [], color=BLUE, linewidth=6, alpha=0.35, label="model and its 95 % band")
        ax.plot([], [], color=RUST, linestyle=(0, (4, 2)), label="least squares, 95 %")
        ax.legend(loc="lower left", bbox_to_anchor=(0, 1.01), ncols=2, handlelength=2, borderaxespad=0)
        return [ax]

    def draw(self, axes: Sequence[Axes], lesson: AgingLesson) -> None:
        """Draw the days seen, the forecasts, and the days to come once revealed."""
        ax = axes[0]
        bands = [*lesson.band, *lesson.line_band]
        size, unit = fractional_unit(lesson.record.values, *bands)
        days = len(lesson.record)
        ax.plot(lesson.within.times_s / SECONDS_PER_DAY, lesson.within.mean / size, color=BLUE, linewidth=1.5)
        time = lesson.ahead.times_s / SECONDS_PER_DAY
        low, high = lesson.band
        ax.fill_between(time, low / size, high / size, color=BLUE, alpha=0.3, linewidth=0)
        ax.plot(time, lesson.ahead.mean / size, color=BLUE, linewidth=1.5)
        for edge in lesson.line_band:
            ax.plot(time, edge / size, color=RUST, linestyle=(0, (4, 2)), linewidth=1.3)
        dots: Keywords = {"linestyle": "none", "markersize": 4}
        ax.plot(np.arange(days) + 0.5, lesson.record.values / size, color=INK, marker=".", **dots)
        ax.axvline(days, color=GREY, linewidth=0.9)
        if lesson.revealed:
            coming = days + np.arange(len(lesson.future)) + 0.5
            ax.plot(coming, lesson.future / size, color=OCHRE, marker="x", **dots)
        else:
            centred: Keywords = {"ha": "center", "color": GREY}
            ax.text(1.5 * days, 0.04, "not yet revealed", transform=ax.get_xaxis_transform(), **centred)
        # the future counts for the axis even while hidden: nothing moves when it is revealed
        steady_limits(ax, np.concatenate([lesson.record.values, lesson.future, *bands]) / size)
        ax.set_xlim(0, 2 * days)
        ax.set_ylabel(f"fractional frequency [{unit}]")


class HoldoverBoard(Board[HoldoverGuess]):
    """A round of predicting: frequency until the reference was lost, the guess, and what came."""

    size_in = (7.2, 5.2)
    description = (
        "Above, the clock's frequency against its reference until the reference was lost. Below, the time "
        "error from then on: your interval after five days and, once revealed, the forecast's band and the "
        "truth."
    )
    step_d = holdover_round.INTERVAL_S / SECONDS_PER_DAY

    def arrange(self, figure: Figure) -> Sequence[Axes]:
        """Make the axes of the time before and after the loss."""
        before, after = figure.subplots(2, 1, height_ratios=[1, 1.5])
        figure.subplots_adjust(left=0.085, right=0.97, top=0.955, bottom=0.095, hspace=0.44)
        title = "the log: averages of six hours against the reference"
        plain_axes(before, title, "time since the start of the log [d]")
        before.set_xlim(0, holdover_round.SAMPLES * self.step_d)
        plain_axes(after, "the time error from then on", "time since the reference was lost [d]")
        after.set_xlim(0, holdover_round.AHEAD * self.step_d + 0.25)
        after.plot([], [], color=RUST, marker="s", label="your guess")
        after.plot([], [], color=GREY, linestyle=(0, (5, 2)), label="last day's frequency kept")
        after.plot([], [], color=BLUE, linewidth=6, alpha=0.35, label="forecast, 95 %")
        after.plot([], [], color=INK, marker=".", label="what really came")
        after.legend(loc="upper left", ncols=2)
        return [before, after]

    def draw(self, axes: Sequence[Axes], judged: HoldoverGuess) -> None:
        """Draw the log and the guess, and forecast and truth once revealed."""
        before, after = axes
        game = judged.game
        size, unit = fractional_unit(game.record.values)
        time = (np.arange(holdover_round.SAMPLES) + 0.5) * self.step_d
        before.plot(time, game.record.values / size, color=INK, marker=".", linewidth=0.6)
        steady_limits(before, game.record.values / size)
        before.set_ylabel(f"y [{unit}]")
        size, unit = seconds_unit(game.widest_s / 2)
        time = np.arange(holdover_round.AHEAD + 1) * self.step_d
        after.plot(time, np.append(0, game.straight_s) / size, color=GREY, linestyle=(0, (5, 2)))
        # not errorbar: the axes would remember every container that was ever on them
        ends = np.array([-1, 0, 1]) * judged.half_width_s + judged.guess_s
        bar: Keywords = {"color": RUST, "zorder": 5}
        after.plot(np.full(3, time[-1]), ends / size, marker="_", markersize=12, linewidth=2, **bar)
        after.plot([time[-1]], [judged.guess_s / size], marker="s", markersize=6, **bar)
        if judged.revealed:
            low, high = (np.append(0, limit) / size for limit in game.forecast.forecast.interval())
            after.fill_between(time, low, high, color=BLUE, alpha=0.3, linewidth=0)
            after.plot(time, np.append(0, game.truth_s) / size, color=INK, marker=".", linewidth=1.6)
        after.axhline(0, color=GREEN if judged.revealed else OCHRE, linewidth=0.6)
        steady_limits(after, np.array([-0.6, 0.6]) * game.widest_s / size, symmetric=True)
        after.set_ylabel(f"time error [{unit}]")


class MysteryBoard(Board[Investigation]):
    """The log of a case from four sides; what is the matter is not marked."""

    size_in = (7.2, 5.2)
    description = (
        "Four pictures of one log: frequency around its mean and time error without its slope against time; "
        "the Allan deviation with its 95 % interval against averaging time; frequency against temperature."
    )

    def arrange(self, figure: Figure) -> Sequence[Axes]:
        """Make four axes; thin lines beside the deviation have the slopes of the noises."""
        axes = figure.subplots(2, 2).ravel()
        figure.subplots_adjust(left=0.1, right=0.985, top=0.945, bottom=0.095, wspace=0.3, hspace=0.46)
        plain_axes(axes[0], "frequency y(t)", "time [d]")
        plain_axes(axes[1], "time error x(t), its slope removed", "time [d]")
        log_axes(axes[2], TAU, "Allan deviation [1]", "stability; thin: slopes −1, −1/2, +1/2")
        plain_axes(axes[3], "frequency against temperature, hourly", "room temperature [°C]")
        return list(axes)

    def draw(self, axes: Sequence[Axes], investigation: Investigation) -> None:
        """Draw the log of the case."""
        series, phase, deviations, against = axes
        record, curve = investigation.mystery.record, investigation.mystery.curve
        mean = float(np.mean(record.values))
        y = record.values - mean
        hourly = record.averaged(6)
        time = record.elapsed_s / SECONDS_PER_DAY
        size, unit = fractional_unit(y)
        dots: Keywords = {"color": BLUE, "linestyle": "none", "marker": "."}
        series.plot(time, y / size, markersize=1.5, **dots)
        series.set_title(typeset(f"frequency y(t) around {mean:.3g}"), loc="left")
        against.plot(hourly.covariates[TEMPERATURE], (hourly.values - mean) / size, markersize=4, **dots)
        against.set_xlim(16, 26)
        for ax in (series, against):
            ax.set_ylabel(f"[{unit}]")
            steady_limits(ax, y / size, symmetric=True)
        x = np.cumsum(y) * record.interval_s
        size, unit = seconds_unit(x)
        phase.plot(time, x / size, color=BLUE, linewidth=0.9)
        phase.set_ylabel(f"[{unit}]")
        steady_limits(phase, x / size, symmetric=True)
        tau = curve.averaging_time_s
        deviations.fill_between(tau, *curve.confidence_interval(), color=BLUE, alpha=0.2, linewidth=0)
        deviations.plot(tau, curve.deviation, color=BLUE, marker="o", linewidth=1.8)
        first, low = (
            float(curve.deviation[0]),
            10 ** math.floor(math.log10(float(curve.deviation.min()) / 1.5)),
        )
        for slope in (-1, -0.5, 0.5):
            deviations.plot(tau, first * (tau / tau[0]) ** slope, color=GREY, linewidth=0.6)
        deviations.set_ylim(low, 10 ** math.ceil(math.log10(1.5 * float(curve.deviation.max()))))


class CalibrationBoard(Board[CalibrationLesson]):
    """The offset with its band between the limits, and the probability of being within them."""

    size_in = (7.2, 5.2)
    description = (
        "Above, the log and the predicted offset with its 95 % band between the limits of the tolerance. "
        "Below, the probability of being within them, with the reliability asked for and the suggested "
        "interval."
    )
    band_points = 8

    def arrange(self, figure: Figure) -> Sequence[Axes]:
        """Make the axes of offset and probability."""
        offset, probability = figure.subplots(2, 1, height_ratios=[1.5, 1], sharex=False)
        figure.subplots_adjust(left=0.085, right=0.985, top=0.955, bottom=0.09, hspace=0.34)
        plain_axes(offset, "offset: the log, and what is predicted")
        offset.plot([], [], color=INK, marker=".", linestyle="none", label="averages")
        offset.plot([], [], color=BLUE, linewidth=6, alpha=0.35, label="predicted, 95 %")
        offset.plot([], [], color=OCHRE, linestyle=(0, (8, 2)), label="limits")
        offset.plot([], [], color=RUST, marker="o", markerfacecolor="white", label="next calibration")
        offset.legend(loc="upper left", ncols=4)
        title, since = "probability of being within the limits", "time since the end of the record [d]"
        plain_axes(probability, title, since, "probability [1]")
        probability.set_ylim(0, 1.04)
        return [offset, probability]

    def draw(self, axes: Sequence[Axes], lesson: CalibrationLesson) -> None:
        """Draw log, forecast, limits and the suggested interval."""
        self.draw_on(axes, lesson)

    @classmethod
    def draw_on(cls, axes: Sequence[Axes], lesson: CalibrationLesson) -> None:
        """Draw the same on axes of another board."""
        offset, probability = axes
        suggestion, model = lesson.suggestion, lesson.model
        time = suggestion.elapsed_s / SECONDS_PER_DAY
        reach, limit = float(time[-1]), suggestion.limit
        size, unit = fractional_unit(limit.half_width)
        blocks = (model.blocks.spans.middle - model.record.duration_s) / SECONDS_PER_DAY
        dots: Keywords = {"marker": ".", "markersize": 3, "linestyle": "none"}
        offset.plot(blocks, model.blocks.frequency / size, color=INK, **dots)
        places = np.unique(np.linspace(0, len(time) - 1, cls.band_points).astype(int))
        low, high = suggestion.offset.at(places).interval()
        offset.fill_between(time[places], low / size, high / size, color=BLUE, alpha=0.3, linewidth=0)
        offset.plot(time[places], suggestion.offset.mean[places] / size, color=BLUE)
        for edge in (limit.lower, limit.upper):
            offset.axhline(edge / size, color=OCHRE, linestyle=(0, (8, 2)), linewidth=1.4)
        offset.axvline(0, color=GREY, linewidth=0.8)
        offset.set_xlim(-reach, reach)
        middle, half = 0.5 * (limit.lower + limit.upper) / size, limit.half_width / size
        offset.set_ylim(middle - 1.5 * half, middle + 1.9 * half)
        offset.set_ylabel(f"y [{unit}]")
        asked = suggestion.reliability
        probability.plot(time, suggestion.probability, color=BLUE, linewidth=1.8)
        probability.axhline(asked, color=OCHRE, linestyle=(0, (8, 2)), linewidth=1.4)
        probability.set_xlim(0, reach)
        if not math.isnan(suggestion.interval_s):
            at = suggestion.interval_s / SECONDS_PER_DAY
            offset.axvline(at, color=RUST, linewidth=1.2)
            probability.plot([at, at], [0, asked], color=RUST, linewidth=1.2)
            probability.plot([at], [asked], marker="o", markerfacecolor="white", color=RUST, clip_on=False)
            whole = "" if suggestion.rounded is None else f"\n rounded down: {suggestion.rounded} "
            told = f" {duration_text(suggestion.interval_s)} within {typeset(str(limit))} {whole}"
            probability.text(at, 0.06, told, ha="right" if at > 0.5 * reach else "left", color=INK)


class LiveBoard(Board[LiveLog]):
    """A log so far: its readings, its curve and, once there is one, its forecast with the due date."""

    size_in = (7.2, 5.2)
    description = (
        "Four pictures of a log that is being written: its readings; its Allan deviation with the 95 % "
        "interval; the predicted offset between the limits of the tolerance; the probability of staying so."
    )

    def arrange(self, figure: Figure) -> Sequence[Axes]:
        """Make four axes; the right ones are those of :class:`CalibrationBoard`."""
        (series, offset), (deviations, probability) = figure.subplots(2, 2)
        figure.subplots_adjust(left=0.09, right=0.985, top=0.945, bottom=0.095, wspace=0.26, hspace=0.42)
        plain_axes(series, "the log so far", "time since the start [h]")
        log_axes(deviations, TAU, "Allan deviation [1]", "its stability")
        plain_axes(offset, "averages, predicted offset (95 %), limits", "time from now on [d]")
        plain_axes(probability, "probability of being within the limits", "time from now on [d]")
        probability.set_ylim(0, 1.04)
        return [series, deviations, offset, probability]

    def draw(self, axes: Sequence[Axes], lesson: LiveLog) -> None:
        """Draw what there is so far."""
        series, deviations, *ahead = axes
        frequency = lesson.record.to_frequency()
        y = frequency.usable_values(without_steps=False)
        size, unit = fractional_unit(y)
        dots: Keywords = {"marker": ".", "markersize": 2, "linestyle": "none", "color": BLUE}
        series.plot(frequency.elapsed_s / SECONDS_PER_HOUR, y / size, **dots)
        steady_limits(series, y / size)
        series.set_xlim(0, max(lesson.record.duration_s / SECONDS_PER_HOUR, 1e-3))
        series.set_ylabel(f"y [{unit}]")
        if lesson.curve is not None:
            tau = lesson.curve.averaging_time_s
            low, high = lesson.curve.confidence_interval()
            deviations.fill_between(tau, low, high, color=BLUE, alpha=0.2, linewidth=0)
            deviations.plot(tau, lesson.curve.deviation, color=BLUE, marker="o", linewidth=1.8)
            deviations.set_xlim(tau[0] / 1.3, tau[-1] * 1.3)
            sigma = lesson.curve.deviation
            lowest, highest = np.nanmin(sigma) / 1.5, np.nanmax(sigma) * 1.5
            deviations.set_ylim(10 ** math.floor(math.log10(lowest)), 10 ** math.ceil(math.log10(highest)))
        if lesson.calibration is None:
            centred: Keywords = {"ha": "center", "va": "center", "color": INK, "fontsize": 10}
            for ax in ahead:
                ax.text(0.5, 0.5, "too early to tell", transform=ax.transAxes, **centred)
        else:
            CalibrationBoard.draw_on(ahead, lesson.calibration)


class CounterBoard(Board[CounterLesson]):
    """What limits a frequency reading, by gate time."""

    size_in = (8.6, 4.8)
    description = (
        "Relative standard uncertainty of a frequency reading against gate time: each cause alone, all "
        "together, and the gate that was chosen."
    )
    decades = (-14, 1)

    def arrange(self, figure: Figure) -> Sequence[Axes]:
        """Make the axes, with room for names beside them."""
        ax = log_axes(figure.subplots(), "gate time [s]", "relative standard uncertainty [1]")
        figure.subplots_adjust(left=0.085, right=0.76, top=0.96, bottom=0.11)
        ax.set_xlim(1e-3, 1e3)
        ax.set_ylim(*(10.0**decade for decade in self.decades))
        return [ax]

    def draw(self, axes: Sequence[Axes], lesson: CounterLesson) -> None:
        """Draw every cause, their sum and the chosen gate."""
        ax = axes[0]
        ends: list[tuple[float, str, str]] = []
        for number, (name, part) in enumerate(lesson.relative.items()):
            look = stroke((0, 2, 3, 4, 5)[number % 5])
            ax.plot(lesson.gate_s, part, color=look.colour, linestyle=look.line, linewidth=1.3)
            ends.append((float(part[-1]), name, look.colour))
        ax.plot(lesson.gate_s, lesson.total, color=INK, linewidth=2.4, alpha=0.85)
        ends.append((float(lesson.total[-1]), "all together", INK))
        gate, chosen = lesson.chosen_gate_s, lesson.reading.budget.relative_standard_uncertainty
        ax.axvline(gate, color=RUST, linewidth=1.0, linestyle=(0, (4, 2)))
        ax.plot([gate], [chosen], color=RUST, marker="o", markersize=9, markerfacecolor="white")
        low, high = self.decades
        heights = np.array([(max(math.log10(end), low) if end > 0 else low) - low for end, _, _ in ends])
        places = spread(heights / (high - low), np.full(len(ends), 0.055))
        for height, (_, name, colour) in zip(places, ends, strict=True):
            ax.text(1.02, height, name, transform=ax.transAxes, color=colour, va="center", fontsize=8.5)
