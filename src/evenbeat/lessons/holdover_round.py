"""A round of predicting: the reference goes away; how wrong will the clock be."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from evenbeat.clock.fit import fit_clock
from evenbeat.holdover.forecast import HoldoverForecast, predict_holdover
from evenbeat.lessons.lesson import Lesson
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
from evenbeat.units import SECONDS_PER_DAY, time_text

SAMPLES, AHEAD = 80, 20
INTERVAL_S = 21600.0
OUTSIDE = 2 / 0.05
"""What every second outside a 95 % interval costs (Gneiting and Raftery 2007, eq. 43)."""


@dataclass(frozen=True, eq=False, kw_only=True)
class HoldoverRound:
    """One clock, the log until its reference was lost, and what it did afterwards.

    Attributes
    ----------
    record
        Twenty days, four averages a day.
    forecast
        What the library predicts for the five days after, at every average.
    truth_s
        Time error that really built up, at the times of the forecast, shape (m,).
    straight_s
        What the last day's frequency, kept for ever, would make of it, shape (m,).
    call
        Python that makes the same forecast.
    """

    number: int
    record: Record
    forecast: HoldoverForecast
    truth_s: FloatArray
    straight_s: FloatArray
    call: str

    @property
    def band(self) -> tuple[float, float]:
        """The library's 95 % interval at the end."""
        low, high = self.forecast.forecast.distribution.one(len(self.truth_s) - 1).interval(0.95)
        return float(low), float(high)

    @property
    def widest_s(self) -> float:
        """A round time that neither the truth nor any sensible guess exceeds."""
        largest = max(abs(self.straight_s[-1]), abs(self.truth_s[-1]), *(abs(edge) for edge in self.band))
        return float(2.0 ** np.ceil(np.log2(2 * largest / 1e-9)) * 1e-9)


@dataclass(frozen=True, eq=False, kw_only=True)
class HoldoverGuess(Lesson):
    """A guess in a round, judged once it is revealed.

    Attributes
    ----------
    cost_s, forecast_cost_s
        Width of the interval, plus :data:`OUTSIDE` times how far the truth lies outside; the smaller the
        better. Of the guess and of the library.
    points
        0 to 100; 50 is as good as the library.
    """

    game: HoldoverRound
    guess_s: float
    half_width_s: float
    revealed: bool
    cost_s: float
    forecast_cost_s: float
    points: int


@lru_cache(maxsize=4)
def holdover_round(number: int, *, seed: int = 1) -> HoldoverRound:
    """Return a round; every number is another clock, its noise and aging drawn at random.

    Parameters
    ----------
    number
        From 1 on.
    seed
        Another seed, other clocks.
    """
    generator = np.random.default_rng([seed, number])
    white, flicker, walk = 10 ** generator.uniform([-12.3, -12.7, -13.5], [-11.3, -11.7, -12])
    rate = float(generator.normal(0, 3e-12))
    levels = NoiseLevels.from_allan_deviations(
        INTERVAL_S, white_fm=float(white), flicker_fm=float(flicker), random_walk_fm=float(walk)
    )
    clock = simulate_clock(
        SAMPLES + AHEAD,
        interval_s=INTERVAL_S,
        levels=levels,
        seed=generator,
        aging=lambda t: rate * (t / SECONDS_PER_DAY - SAMPLES / 4),
        frequency_offset=float(generator.normal(0, 1e-11)),
    )
    record = clock.between(0, SAMPLES * INTERVAL_S)
    elapsed = np.arange(1, AHEAD + 1) * INTERVAL_S
    return HoldoverRound(
        number=number,
        record=record,
        forecast=predict_holdover(fit_clock(record, aging="linear"), elapsed, even_if_untested=True),
        truth_s=np.cumsum(clock.values[SAMPLES:]) * INTERVAL_S,
        straight_s=float(record.values[-4:].mean()) * elapsed,
        call=(
            "import numpy as np\nimport evenbeat as eb\n"
            "from evenbeat.lessons.holdover_round import holdover_round\n\n"
            f"game = holdover_round({number}, seed={seed})\n"
            'model = eb.fit_clock(game.record, aging="linear")\n'
            f"print(eb.predict_holdover(model, np.arange(1, {AHEAD + 1}) * {INTERVAL_S}))"
        ),
    )


def interval_cost(low: float, high: float, truth: float) -> float:
    """Return the interval score of a 95 % interval: its width, and a price for missing the truth.

    Notes
    -----
    Gneiting and Raftery, J. Am. Stat. Assoc. 102 (2007), eq. 43: honest intervals cost least on average,
    wide ones cost their width, bold ones are paid dearly when they miss.
    """
    outside = max(low - truth, truth - high, 0.0)
    return high - low + OUTSIDE * outside


def judge_guess(
    game: HoldoverRound, *, guess_s: float, half_width_s: float, revealed: bool = False
) -> HoldoverGuess:
    """Return what a guess of the time error after five days is worth."""
    truth = float(game.truth_s[-1])
    cost = interval_cost(guess_s - half_width_s, guess_s + half_width_s, truth)
    theirs = interval_cost(*game.band, truth)
    points = round(100 * theirs / (theirs + cost))
    sentence = (
        f"Clock {game.number}: at the line its reference is lost. How far off will it be five days later, "
        "and within what margin are you 95 % sure? "
        f"You say {time_text(guess_s)} ± {time_text(half_width_s)}; reveal when you are content."
    )
    if revealed:
        held = "holds" if abs(guess_s - truth) <= half_width_s else "misses"
        low, high = game.band
        theirs_held = "holds" if low <= truth <= high else "misses"
        sentence = (
            f"It was {time_text(truth)}. Your interval of {time_text(guess_s)} ± {time_text(half_width_s)} "
            f"{held} it; the forecast's, {time_text(low)} to {time_text(high)}, {theirs_held} it. "
            f"{points} points (50: as good as the forecast)."
        )
    return HoldoverGuess(
        game=game,
        guess_s=guess_s,
        half_width_s=half_width_s,
        revealed=revealed,
        cost_s=cost,
        forecast_cost_s=theirs,
        points=points,
        sentence=sentence,
        call=game.call,
    )
