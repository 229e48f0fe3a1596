"""Figures: a result in, matplotlib axes out; nothing is computed here.

``dispatch`` holds ``plot``, which draws any result; ``style`` the look, and figures as SVG and PNG that are
the same bytes whenever the result is the same; ``axes`` units, scales and the words on axes. A file each for
what a reader looks for: ``record``, ``deviations``, ``separation``, ``spectrum``, ``limits``, ``clock``,
``holdover``, ``history``, ``interval``, ``counter``, ``due``; ``lessons`` on a ``board`` for panels.
"""
