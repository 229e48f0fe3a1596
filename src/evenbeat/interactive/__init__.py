"""Panels for notebooks: move a control and see what follows.

Each function returns an ipywidgets container that a notebook shows as the last line of a cell::

    from evenbeat import interactive

    interactive.noise_mixer()

Computation and drawing are ordinary functions of the rooms ``lessons`` and ``figures``; this room only wires
them to controls.
"""

from evenbeat.interactive.noise import noise_mixer as noise_mixer

__all__ = ["noise_mixer"]
