"""Panels for notebooks: move a control and see what follows.

Each function returns an ipywidgets container that a notebook shows as the last line of a cell::

    from evenbeat import interactive

    interactive.noise_mixer()

- :func:`allan_ruler`: two windows slide over a clock, and its Allan deviation grows point by point
- :func:`interval_wall`: a hundred intervals, naive ones beside ours, and which of them miss the truth
- :func:`own_curve`: draw an Allan deviation, get the clock that has it and what it is good for
- :func:`noise_mixer`: five noises; phase, frequency, deviations and spectrum move together
- :func:`gap_explorer`: record length and gaps, and what a deviation is worth
- :func:`aging_explorer`: aging laws with their band, least squares beside them
- :func:`holdover_game`: predict, reveal, score
- :func:`clock_detective`: what is the matter with this log, and how sure are you?
- :func:`interval_explorer`: tolerance, reliability and setpoint to the date of the next calibration
- :func:`counter_explorer`: gate, frequency and mode, and what limits a reading
- :func:`log_panel`: a log of your own, assessed
- :func:`watch`: a log that is being collected, its curve, forecast and due date as rows arrive
- :func:`predict`: a question to be answered before what follows is shown
- :func:`exercises`: checks answers to the exercises of a notebook; :func:`score` sums up

Computation and drawing are ordinary functions of the rooms ``lessons`` and ``figures``; this room only wires
them to controls. The ruler, the wall and the drawn curve run in the browser alone (``client/``), also without
a kernel.
"""

from evenbeat.interactive.commitment import exercises as exercises
from evenbeat.interactive.commitment import predict as predict
from evenbeat.interactive.commitment import score as score
from evenbeat.interactive.components import allan_ruler as allan_ruler
from evenbeat.interactive.components import interval_wall as interval_wall
from evenbeat.interactive.components import own_curve as own_curve
from evenbeat.interactive.explorers import aging_explorer as aging_explorer
from evenbeat.interactive.explorers import clock_detective as clock_detective
from evenbeat.interactive.explorers import counter_explorer as counter_explorer
from evenbeat.interactive.explorers import gap_explorer as gap_explorer
from evenbeat.interactive.explorers import holdover_game as holdover_game
from evenbeat.interactive.explorers import interval_explorer as interval_explorer
from evenbeat.interactive.explorers import noise_mixer as noise_mixer
from evenbeat.interactive.log import log_panel as log_panel
from evenbeat.interactive.log import watch as watch

__all__ = [
    "aging_explorer",
    "allan_ruler",
    "clock_detective",
    "counter_explorer",
    "exercises",
    "gap_explorer",
    "holdover_game",
    "interval_explorer",
    "interval_wall",
    "log_panel",
    "noise_mixer",
    "own_curve",
    "predict",
    "score",
    "watch",
]
