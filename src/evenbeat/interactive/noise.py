"""The noise mixer: five levels, and everything that moves with them."""

from __future__ import annotations

from dataclasses import replace

import ipywidgets as widgets

from evenbeat.figures.lessons import NoiseMixtureBoard
from evenbeat.interactive.controls import choice, decades, tick
from evenbeat.interactive.panel import Panel
from evenbeat.lessons.noise_mixture import FIELDS, SAMPLES, SLOPES, NoiseMixture, mix_noises
from evenbeat.powerlaw import NOISE_NAMES

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
        label = f"{NOISE_NAMES[exponent]} {SYMBOLS[exponent]}, σ_y(1 s)"
        controls[name] = decades(label, START[name], -14, -10)
    guesses = dict.fromkeys(SLOPES.values())
    options = [NO_PREDICTION, HIDDEN, *(f"at short times the slope is {slope}" for slope in guesses)]
    controls["prediction"] = choice("prediction", [(option, option) for option in options], NO_PREDICTION)

    def answer(prediction: str, **values: float) -> NoiseMixture:
        chosen = {name: values[name] if values[f"{name}_on"] else 0.0 for name in FIELDS.values()}
        mixture = mix_noises(chosen, samples=samples, interval_s=interval_s, seed=seed)
        return replace(mixture, sentence=judged(mixture, prediction))

    panel = Panel(
        "Noise mixer: what every noise does to a clock",
        controls,
        rows=[*([name, f"{name}_on"] for name in FIELDS.values()), ["prediction"]],
        answer=answer,
        picture=lambda mixture: board.png((mixture, controls["prediction"].value == HIDDEN)),
        description=NoiseMixtureBoard.description,
    )
    for name in FIELDS.values():
        panel.switched_on_by(name, f"{name}_on")
    return panel


def judged(mixture: NoiseMixture, prediction: str) -> str:
    """Return the sentence with what became of the prediction; the slope is kept back while it is hidden."""
    if prediction == HIDDEN:
        return "Which slope will the Allan deviation have at the shortest times? Look at x(t) and y(t)."
    if prediction == NO_PREDICTION:
        return mixture.sentence
    right = prediction.endswith(f" {mixture.first_slope}")
    verdict = "Right." if right else f"Not so: the slope is {mixture.first_slope}."
    return f"{verdict} {mixture.sentence}"
