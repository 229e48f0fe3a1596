"""Holdover: how wrong the time becomes once a clock has lost its reference.

``forecast``: the budget of a fitted clock, and how long it stays within a limit; ``stated``: the same for
a clock that is only described; ``passage``: the chance of never having left the limit, by simulation;
``surroundings``: what the environment does meanwhile.
"""
