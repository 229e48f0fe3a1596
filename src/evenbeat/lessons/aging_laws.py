"""Aging laws with their band, and least squares beside them: who predicted the future better."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np

from evenbeat.clock.fit import fit_clock
from evenbeat.clock.forecaster import Forecast
from evenbeat.clock.model import ClockModel
from evenbeat.errors import InputError
from evenbeat.lessons.lesson import Code, Lesson, call_text
from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.quantities import FloatArray
from evenbeat.record import Record
from evenbeat.units import SECONDS_PER_DAY, percent

Course = Literal["steady", "slowing down", "none"]
NOISES = ("white_fm", "flicker_fm", "random_walk_fm")
LONGEST_DAYS = 120
SLOWING_DAYS = 20.0
"""Time constant of the logarithm in the course that slows down."""
COURSES: dict[str, str] = {
    "steady": "lambda t: {rate!r} * t / 86400.0",
    "slowing down": "lambda t: {rate!r} * 20.0 * np.log1p(t / 86400.0 / 20.0)",
    "none": "None",
}
POINTS = 10


@dataclass(frozen=True, eq=False, kw_only=True)
class AgingLesson(Lesson):
    """Daily averages, a clock model fitted to them, and what came afterwards.

    Attributes
    ----------
    record
        What the fit saw: one average a day.
    future
        The averages of as many days again, shape (n,), which it did not see.
    model
        The fit.
    within, ahead
        Forecast inside the record and as far again after it.
    band, line_band
        95 % limits at the times of ``ahead``: of the model, and of what a least-squares line predicts.
    revealed
        Whether the future is to be shown.
    """

    record: Record
    future: FloatArray
    model: ClockModel
    within: Forecast
    ahead: Forecast
    band: tuple[FloatArray, FloatArray]
    line_band: tuple[FloatArray, FloatArray]
    revealed: bool

    @property
    def held(self) -> tuple[float, float]:
        """Share of the coming days inside the 95 % band of the model and of the line."""
        days = self.record.duration_s + (np.arange(len(self.future)) + 0.5) * SECONDS_PER_DAY
        shares = []
        for low, high in (self.band, self.line_band):
            edges = [np.interp(days, self.ahead.times_s, edge) for edge in (low, high)]
            shares.append(float(np.mean((edges[0] <= self.future) & (self.future <= edges[1]))))
        return shares[0], shares[1]

    @property
    def times_narrower(self) -> float:
        """How many times narrower the least-squares interval of the aging rate is."""
        ours, plain = (
            np.ptp(rate.interval()) for rate in (self.model.aging_rate(), self.model.least_squares.rate)
        )
        return float(ours / plain)


def watch_aging(
    days: int = 60,
    *,
    noise: str = "flicker_fm",
    deviation: float = 2e-11,
    course: Course = "steady",
    rate_per_day: float = 5e-12,
    law: str = "linear",
    revealed: bool = False,
    seed: int = 1,
) -> AgingLesson:
    """Return a simulated clock that ages, its model, and least squares beside it.

    Parameters
    ----------
    days
        Length of the record, one average a day, 10 to 120.
    noise, deviation
        ``white_fm``, ``flicker_fm`` or ``random_walk_fm``, and its Allan deviation at one day.
    course, rate_per_day
        How the clock really ages: steadily, slowing down from this rate, or not at all.
    law
        What is fitted; see :func:`evenbeat.fit_clock`.
    revealed
        Whether the sentence may tell what came afterwards.

    Raises
    ------
    InputError
        If an argument cannot be used.
    """
    if not 10 <= days <= LONGEST_DAYS or noise not in NOISES or course not in COURSES:
        msg = (
            f"days={days}, noise={noise!r}, course={course!r}: days must lie between 10 and {LONGEST_DAYS}, "
            f"noise be one of {', '.join(NOISES)}, course one of {', '.join(COURSES)}"
        )
        raise InputError(msg)
    both = _clock(noise, deviation, course, rate_per_day, seed).between(0, 2 * days * SECONDS_PER_DAY)
    end = days * SECONDS_PER_DAY
    record = both.between(0, end)
    model = fit_clock(record, aging=law)
    within_s, ahead_s = np.linspace(0.5 * SECONDS_PER_DAY, end, 3 * POINTS), end + np.linspace(0, end, POINTS)
    # asked together, half the work
    both_ways = model.frequency_at(np.concatenate([within_s, ahead_s]), averaging_time_s=SECONDS_PER_DAY)
    within, ahead = _part(both_ways, slice(0, len(within_s))), _part(both_ways, slice(len(within_s), None))
    clock = call_text(
        "eb.simulate_clock",
        str(2 * LONGEST_DAYS),
        interval_s=SECONDS_PER_DAY,
        levels=Code("levels"),
        seed=seed,
        aging=Code(COURSES[course].format(rate=rate_per_day)),
    )
    lesson = AgingLesson(
        record=record,
        future=both.values[days:],
        model=model,
        within=within,
        ahead=ahead,
        band=ahead.interval(),
        line_band=model.least_squares.frequency_at(ahead_s).interval(),
        revealed=revealed,
        sentence="",
        call=(
            "import numpy as np\nimport evenbeat as eb\n\n"
            f"levels = eb.NoiseLevels.from_allan_deviations(86400.0, {noise}={deviation!r})\n"
            f"clock = {clock}\nrecord = clock.between(0, {end})\n"
            f'model = eb.fit_clock(record, aging="{law}")\n'
            "print(model.aging_rate().per_day, model.least_squares.rate.per_day)"
        ),
    )
    return replace(lesson, sentence=_sentence(lesson))


def _part(forecast: Forecast, places: slice) -> Forecast:
    return replace(
        forecast,
        times_s=forecast.times_s[places],
        horizon_s=forecast.horizon_s[places],
        distribution=forecast.distribution.at(np.arange(len(forecast))[places]),
        laws={law: mean[places] for law, mean in forecast.laws.items()},
    )


@lru_cache(maxsize=16)
def _clock(noise: str, deviation: float, course: str, rate_per_day: float, seed: int) -> Record:
    levels = NoiseLevels.from_allan_deviations(SECONDS_PER_DAY, **{noise: deviation})
    return simulate_clock(
        2 * LONGEST_DAYS,
        interval_s=SECONDS_PER_DAY,
        levels=levels,
        seed=seed,
        aging=_course(course, rate_per_day),
    )


def _course(course: str, rate_per_day: float) -> Callable[[FloatArray], FloatArray] | None:
    if course == "steady":
        return lambda t: rate_per_day * t / SECONDS_PER_DAY
    if course == "slowing down":
        return lambda t: rate_per_day * SLOWING_DAYS * np.log1p(t / SECONDS_PER_DAY / SLOWING_DAYS)
    return None


def _sentence(lesson: AgingLesson) -> str:
    rate, line = lesson.model.aging_rate().per_day, lesson.model.least_squares.rate.per_day
    times = lesson.times_narrower
    beside = f"claims an interval {times:.2g} times narrower" if times > 1.15 else "says much the same"
    text = f"The model says {rate} of aging at the end; least squares says {line} and {beside}."
    if not lesson.revealed:
        return f"{text} Which band will hold the days to come? Decide, then reveal them."
    ours, theirs = (percent(share) for share in lesson.held)
    return f"{text} Of the days that came, {ours} lie in the model's 95 % band, {theirs} in that of the line."
