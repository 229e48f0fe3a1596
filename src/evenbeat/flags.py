"""A flag: samples that something was noticed about. Flagged samples stay where they are."""

from __future__ import annotations

from dataclasses import dataclass, replace

from evenbeat.plain import Plain


@dataclass(frozen=True, kw_only=True)
class Flag(Plain):
    """Samples ``start`` to ``stop`` (exclusive) that something was noticed about.

    Parameters
    ----------
    cause
        ``outlier``, ``warm_up``, ``frequency_step``, ``phase_step`` …
    excluded
        Whether analyses leave these samples out. A step is not excluded: it is modelled.
    size
        Height of a step: dimensionless for a frequency step, seconds for a phase step.
    uncertainty
        Standard uncertainty of ``size``.
    put_back_s
        Seconds that were added to this sample and all later ones: whole periods of a wrap.
    """

    cause: str
    start: int
    stop: int
    excluded: bool
    sentence: str
    size: float | None = None
    uncertainty: float | None = None
    put_back_s: float | None = None

    def moved(self, offset: int, length: int) -> Flag | None:
        """Return the flag in a record that starts ``offset`` later, or ``None`` if it is outside."""
        start, stop = max(0, self.start - offset), min(length, self.stop - offset)
        if stop < start or start >= length or (stop == start and self.stop > self.start):
            return None
        if self.size is not None and self.start <= offset:  # a step before the cut is part of the start value
            return None
        return replace(self, start=start, stop=stop)

    def between_samples(self, length: int) -> Flag:
        """Return the flag of a phase record on the ``length`` frequencies between its samples."""
        if self.cause == "phase_step":
            sentence = f"{self.sentence} The frequency across it is left out."
            first = max(0, self.start - 1)
            return replace(
                self,
                start=first,
                stop=self.start,
                excluded=True,
                size=None,
                uncertainty=None,
                sentence=sentence,
            )
        first = max(0, self.start - 1) if self.excluded else self.start
        return replace(self, start=min(first, length), stop=min(self.stop, length))

    def thinned(self, factor: int) -> Flag:
        """Return the flag of a step where only every ``factor``-th sample or group is left."""
        # a phase step shows first in the next sample kept, a change of frequency at the nearest one
        start = -(-self.start // factor) if self.cause == "phase_step" else round(self.start / factor)
        return replace(self, start=start, stop=max(start, round(self.stop / factor)))
