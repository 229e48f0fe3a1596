"""Figures: one file per figure, a result in, matplotlib axes out; nothing is computed here.

``plot`` draws any result; ``style`` holds the look; ``saving`` writes SVG and PNG that are the same bytes
whenever the result is the same.
"""
