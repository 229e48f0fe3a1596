"""The explorers: each wires a lesson and its picture to controls."""

from __future__ import annotations

import html
from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from typing import Any, get_args

import ipywidgets as widgets
import numpy as np

from evenbeat.clock.model import ClockModel
from evenbeat.figures.axes import seconds_unit
from evenbeat.figures.lessons import (
    AgingBoard,
    CalibrationBoard,
    CounterBoard,
    GapBoard,
    HoldoverBoard,
    MysteryBoard,
    NoiseMixtureBoard,
    SeenMixture,
)
from evenbeat.interactive.panel import (
    FONT,
    Panel,
    Shown,
    button,
    choice,
    decades,
    slider,
    steps,
    tick,
    whole_slider,
)
from evenbeat.lessons import aging_laws, record_length
from evenbeat.lessons.aging_laws import AgingLesson, watch_aging
from evenbeat.lessons.clock_detective import DIAGNOSES, Investigation, investigate, mystery
from evenbeat.lessons.counter_limits import limits_of_counter
from evenbeat.lessons.holdover_round import HoldoverGuess, holdover_round, judge_guess
from evenbeat.lessons.next_calibration import (
    EXAMPLE_CALL,
    CalibrationLesson,
    example_model,
    next_calibration,
    remembered,
)
from evenbeat.lessons.noise_mixture import FIELDS, SAMPLES, SLOPES, NoiseMixture, mix_noises
from evenbeat.lessons.record_length import look_through_gaps
from evenbeat.powerlaw import NOISE_NAMES
from evenbeat.quantities import Estimate
from evenbeat.units import counted, duration_text

START = {
    "white_pm": 1e-11,
    "flicker_pm": 1e-12,
    "white_fm": 3e-12,
    "flicker_fm": 3e-13,
    "random_walk_fm": 1e-13,
}
ON = ("white_fm", "random_walk_fm")
SYMBOLS = {2: "h₊₂", 1: "h₊₁", 0: "h₀", -1: "h₋₁", -2: "h₋₂"}
NO_PREDICTION, HIDDEN = "show everything", "hide: I predict first"
RECORD_LENGTHS = [(duration_text(2**k * record_length.INTERVAL_S), 2**k) for k in range(5, 14)]
SHARES = [(f"{percent} %", percent / 100) for percent in range(0, 65, 5)]
GAP_NOISES = [("white FM", 0), ("flicker FM", -1), ("random-walk FM", -2)]
STATISTICS = [
    ("overlapping Allan", "overlapping_allan"),
    ("modified Allan", "modified_allan"),
    ("overlapping Hadamard", "overlapping_hadamard"),
]
COVERAGES = [("all of its readings", 1.0), ("90 % of its readings", 0.9)]
RELIABILITIES = [(f"{100 * p:g} %", p) for p in (0.5, 0.68, 0.8, 0.9, 0.95, 0.98, 0.99, 0.995)]


def noise_mixer(*, samples: int = SAMPLES, interval_s: float = 1.0, seed: int = 1) -> widgets.VBox:
    """Return a panel that mixes five noises and shows phase, frequency, deviations and spectrum together.

    Parameters
    ----------
    samples, interval_s
        Length and spacing of the record.
    seed
        Same seed, same noises.
    """
    board = NoiseMixtureBoard()
    controls: dict[str, widgets.Widget] = {}
    for exponent, name in FIELDS.items():
        controls[f"{name}_on"] = tick("on", value=name in ON, width="4em")
        label = f"{NOISE_NAMES[exponent]} {SYMBOLS[exponent]}, σ_y({interval_s:g} s)"
        controls[name] = decades(label, START[name], -14, -10)
    guesses = dict.fromkeys(SLOPES.values())
    options = [NO_PREDICTION, HIDDEN, *(f"at short times the slope is {slope}" for slope in guesses)]
    controls["prediction"] = choice("prediction", [(option, option) for option in options], NO_PREDICTION)
    controls["slope_removed"] = tick("x(t) with its slope removed")

    def answer(prediction: str, slope_removed: bool, **values: float) -> NoiseMixture:  # noqa: ARG001, FBT001
        chosen = {name: values[name] if values[f"{name}_on"] else 0.0 for name in FIELDS.values()}
        mixture = mix_noises(chosen, samples=samples, interval_s=interval_s, seed=seed)
        return replace(mixture, sentence=judged(mixture, prediction))

    return Panel(
        "Noise mixer: what every noise does to a clock",
        controls,
        rows=[[f"{name}_on", name] for name in FIELDS.values()],
        answer=answer,
        picture=lambda mixture: board.png(
            SeenMixture(
                mixture,
                hidden=controls["prediction"].value == HIDDEN,
                slope_removed=controls["slope_removed"].value,
            )
        ),
        description=NoiseMixtureBoard.description,
        acts={name: partial(_is_on, f"{name}_on") for name in FIELDS.values()},
    )


def _is_on(switch: str, values: Mapping[str, Any]) -> bool:
    return bool(values[switch])


def judged(mixture: NoiseMixture, prediction: str) -> str:
    """Return the sentence with what became of the prediction; the slope is kept back while it is hidden."""
    if prediction == HIDDEN:
        return "Which slope will the Allan deviation have at the shortest times? Look at x(t) and y(t)."
    if prediction == NO_PREDICTION:
        return mixture.sentence
    right = prediction.endswith(f" {mixture.first_slope}")
    verdict = "Right." if right else f"Not so: the slope is {mixture.first_slope}."
    return f"{verdict} {mixture.sentence}"


def gap_explorer(*, seed: int = 1) -> widgets.VBox:
    """Return a panel on record length and gaps: what the deviation is worth at each averaging time.

    Parameters
    ----------
    seed
        Of the noise and of the readings that are missing.
    """
    controls = {
        "samples": steps("record length", RECORD_LENGTHS, 1024),
        "share": steps("missing readings", SHARES, 0.0),
        "pattern": choice(
            "where they are missing", [(p, p) for p in get_args(record_length.Pattern)], "single readings"
        ),
        "minimum_coverage": choice("an average needs", COVERAGES, 1.0),
        "exponent": choice("noise", GAP_NOISES, 0),
        "statistic": choice("deviation", STATISTICS, "overlapping_allan"),
    }
    return Panel(
        "Record length and gaps: what is a deviation worth?",
        controls,
        answer=lambda **values: look_through_gaps(**values, seed=seed),
        picture=GapBoard().png,
        description=GapBoard.description,
        acts=dict.fromkeys(("pattern", "minimum_coverage"), lambda values: values["share"] > 0),
    )


def aging_explorer(*, seed: int = 1) -> widgets.VBox:
    """Return a panel on aging: noise and true aging against the law that is fitted and least squares.

    Parameters
    ----------
    seed
        Of the noise.
    """
    laws = ("linear", "logarithmic", "exponential", "none")
    spoken = {"white_fm": "white FM", "flicker_fm": "flicker FM", "random_walk_fm": "random-walk FM"}
    controls = {
        "days": whole_slider("record length [d]", 60, 10, aging_laws.LONGEST_DAYS, step=5),
        "noise": choice("noise", [(spoken[name], name) for name in aging_laws.NOISES], "flicker_fm"),
        "deviation": decades("its Allan deviation at 1 d", 2e-11, -12, -10),
        "course": choice("the clock really ages", [(name, name) for name in aging_laws.COURSES], "steady"),
        "rate": slider("by [10⁻¹² per day]", 5.0, -20.0, 20.0, step=1.0),
        "law": choice("law that is fitted", [(law, law) for law in laws], "linear"),
        "another": whole_slider("which clock", 1, 1, 20),
        "revealed": tick("reveal the days to come"),
    }

    def answer(*, rate: float, another: int, **values: object) -> AgingLesson:
        return watch_aging(rate_per_day=rate * 1e-12, seed=seed + another - 1, **values)  # type: ignore[arg-type]

    return Panel(
        "Aging: which band holds the days to come?",
        controls,
        answer=answer,
        picture=AgingBoard().png,
        description=AgingBoard.description,
        acts={"rate": lambda values: values["course"] != "none"},
    )


class Game(Panel[Shown]):
    """A panel that keeps something back until the reader has committed, with the score of all rounds.

    Attributes
    ----------
    reveal, further
        The buttons.
    score
        Round to points, of those revealed; the first reveal of a round counts.
    """

    def __init__(
        self, title: str, controls: Mapping[str, widgets.ValueWidget], *, reveal: str, **wiring: Any
    ) -> None:
        self.score: dict[int, float] = {}
        self._revealed = False
        self._round = next(iter(controls))
        self.reveal = button(reveal, "show what it really was, and count the points")
        self.further = button(f"Next {self._round}", f"another {self._round}, another guess")
        self.tally = widgets.HTML()
        super().__init__(
            title, controls, below=[widgets.HBox([self.reveal, self.further]), self.tally], **wiring
        )
        self.reveal.on_click(self._reveal)
        self.further.on_click(self._further)

    def points(self, lesson: Shown) -> float:
        """Return what the revealed round was worth."""
        raise NotImplementedError

    def told(self) -> str:
        """Return the score of all rounds in words."""
        raise NotImplementedError

    def _changed(self, change: Any) -> None:
        if not self._held:
            self._revealed = False  # a new guess, or another round, hides the truth again
        super()._changed(change)

    def _reveal(self, _button: object) -> None:
        self._revealed = True
        self.refresh()
        if self.lesson is not None:
            self.score.setdefault(self.controls[self._round].value, self.points(self.lesson))
            self.tally.value = f'<div style="{FONT}">{html.escape(self.told())}</div>'

    def _further(self, _button: object) -> None:
        control = self.controls[self._round]
        control.value = min(control.value + 1, control.max)


class HoldoverGame(Game[HoldoverGuess]):
    """The reader predicts the time error of a clock, with a margin, against evenbeat's forecast."""

    def __init__(self, *, seed: int = 1) -> None:
        self._seed = seed
        self._unit_s = 1.0
        super().__init__(
            "Holdover: how wrong after five days without a reference?",
            {
                "clock": whole_slider("clock", 1, 1, 99),
                "guess": slider("time error after 5 d", 0.0, -1.0, 1.0, step=0.01),
                "half_width": slider("95 % sure within ±", 0.5, 0.01, 1.0, step=0.01),
            },
            reveal="Reveal",
            answer=self._judged,
            picture=HoldoverBoard().png,
            description=HoldoverBoard.description,
        )

    def points(self, lesson: HoldoverGuess) -> float:
        """Return the points of a guess: 50 is as good as the forecast."""
        return lesson.points

    def told(self) -> str:
        """Return how many rounds, and the mean of their points."""
        mean = sum(self.score.values()) / len(self.score)
        return f"{counted(len(self.score), 'round')}, {mean:.0f} points on average; a clock counts once."

    def _judged(self, *, clock: int, guess: float, half_width: float) -> HoldoverGuess:
        return judge_guess(
            holdover_round(clock, seed=self._seed),
            guess_s=guess * self._unit_s,
            half_width_s=half_width * self._unit_s,
            revealed=self._revealed,
        )

    def refresh(self) -> None:
        """Give the sliders the reach and the unit of the clock's axis, and show the round."""
        half = 0.5 * holdover_round(self.controls["clock"].value, seed=self._seed).widest_s
        self._unit_s, unit = seconds_unit(half)
        reach = half / self._unit_s
        with self._holding():
            for name, label, lowest, start in (
                ("guess", "time error after 5 d", -reach, 0.0),
                ("half_width", "95 % sure within ±", reach / 100, reach / 5),
            ):
                control, described = self.controls[name], f"{label} [{unit}]"
                if (control.description, control.max) != (described, reach):  # another clock, another axis
                    control.min, control.max = min(control.min, lowest), max(control.max, reach)
                    control.value = start
                    control.min, control.max, control.step = lowest, reach, reach / 100
                    control.description = described
        super().refresh()


def holdover_game(*, seed: int = 1) -> widgets.VBox:
    """Return a game: a log ends, the reader predicts the time error, and is judged beside the forecast.

    Parameters
    ----------
    seed
        Of the clocks.
    """
    return HoldoverGame(seed=seed)


class ClockDetective(Game[Investigation]):
    """Cases in which the reader commits to a diagnosis with a confidence."""

    def __init__(self, *, seed: int = 1) -> None:
        self._seed = seed
        self._said: dict[int, float] = {}
        super().__init__(
            "Clock detective: what is the matter with this log?",
            {
                "case": whole_slider("case", 1, 1, 99),
                "diagnosis": choice("diagnosis", [(each, each) for each in DIAGNOSES], DIAGNOSES[0]),
                "confidence": slider("how sure [%]", 50.0, 13.0, 99.0, step=1.0, form=".0f"),
            },
            reveal="Commit",
            answer=self._investigated,
            picture=MysteryBoard().png,
            description=MysteryBoard.description,
        )

    def points(self, lesson: Investigation) -> float:
        """Return the bits gained over a blind guess."""
        self._said.setdefault(lesson.mystery.number, self.controls["confidence"].value)
        return lesson.bits or 0.0

    def told(self) -> str:
        """Return how many cases, the bits gained, and how sure the reader was beside how often right."""
        cases, right = len(self.score), sum(bits > 0 for bits in self.score.values())
        sure = sum(self._said.values()) / cases
        return (
            f"{counted(cases, 'case')}, {sum(self.score.values()):+.1f} bits over blind guesses; "
            f"{sure:.0f} % sure on "
            f"average, right in {right} of {cases}. A case counts once."
        )

    def _investigated(self, *, case: int, diagnosis: str, confidence: float) -> Investigation:
        return investigate(
            mystery(case, seed=self._seed),
            diagnosis=diagnosis,
            confidence=confidence / 100,
            committed=self._revealed,
        )


def clock_detective(*, seed: int = 1) -> widgets.VBox:
    """Return a game: what is the matter with a log, if anything; a diagnosis counts by its confidence.

    Parameters
    ----------
    seed
        Of the cases; :func:`evenbeat.lessons.clock_detective.answer_key` gives a teacher the answers.
    """
    return ClockDetective(seed=seed)


def interval_explorer(
    model: ClockModel | None = None, *, tolerance: float | None = None, seed: int = 1
) -> widgets.VBox:
    """Return a panel on the recalibration interval.

    Parameters
    ----------
    model
        A clock model; without one a simulated oscillator, logged for 120 days.
    tolerance
        Where the slider starts; by default what the forecast's 95 % band reaches half a record ahead.
    seed
        Of the simulated oscillator.
    """
    clock = remembered(example_model(seed) if model is None else model)
    reached = np.abs(clock.frequency_at([1.5 * clock.record.duration_s]).interval())
    start = float(np.max(reached)) if tolerance is None else tolerance
    preamble = EXAMPLE_CALL.format(seed=seed) if model is None else ""
    controls = {
        "tolerance": decades("tolerance ± [1]", min(max(start, 1e-13), 1e-5), -13, -5),
        "reliability": steps("reliability", RELIABILITIES, 0.95),
        "adjusted": tick("adjust it at the end of the record"),
        "setpoint": slider("adjusted to [% of tolerance]", -50.0, -90.0, 90.0, step=5.0),
        "reference": decades("reference known to [1]", 1e-11, -14, -8),
    }

    def answer(
        *, tolerance: float, reliability: float, adjusted: bool, setpoint: float, reference: float
    ) -> CalibrationLesson:
        left = Estimate.normal(setpoint / 100 * tolerance, reference) if adjusted else None
        return next_calibration(
            clock,
            tolerance=tolerance,
            reliability=reliability,
            as_left=left,
            reference_uncertainty=reference,
            preamble=preamble,
        )

    return Panel(
        "When to calibrate again?",
        controls,
        answer=answer,
        picture=CalibrationBoard().png,
        description=CalibrationBoard.description,
        acts={"setpoint": partial(_is_on, "adjusted")},
    )


def counter_explorer(*, frequency_hz: float = 1e4, gate_s: float = 1.0) -> widgets.VBox:
    """Return a panel on what limits a frequency reading.

    Parameters
    ----------
    frequency_hz, gate_s
        Where the sliders start.
    """
    methods = [("count the input", "direct"), ("time whole periods", "reciprocal")]
    controls = {
        "frequency_hz": decades("input frequency [Hz]", frequency_hz, -1, 9),
        "gate_s": decades("gate time [s]", gate_s, -3, 3),
        "method": choice("the counter is made to", methods, "direct"),
        "clock_tick_s": decades("clock tick [s]", 1e-7, -10, -6),
        "noise_v": decades("noise at the input [V]", 1e-3, -5, -1),
        "timebase": decades("timebase known within ± [1]", 1e-7, -12, -5),
    }
    return Panel(
        "What limits a frequency reading?",
        controls,
        answer=limits_of_counter,
        picture=CounterBoard().png,
        description=CounterBoard.description,
        acts=dict.fromkeys(("clock_tick_s", "noise_v"), lambda values: values["method"] == "reciprocal"),
    )
