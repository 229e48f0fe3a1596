"""The loop closed: every offset found scores the promise that was made before it.

A promise is a kept assessment with a due day: within tolerance until then, with the reliability asked for.
The next calibration up to that day shows whether it was kept. How often it was, in each class and in all, is
the realised reliability of the method on the laboratory's own instruments.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from evenbeat.clock.tested import coverage_limits
from evenbeat.findings import Finding, Severity, caution, note
from evenbeat.plain import Plain
from evenbeat.register.facts import Calibration, Instrument, KeptAssessment
from evenbeat.register.register import Holdings, Register
from evenbeat.result import Column, Result
from evenbeat.units import counted

MARGIN = 0.05
"""A promise counts as held where the lower end of the band is no further below it."""
ALL = "all"
NO_CLASS = "not stated"

Verdict = Literal["kept", "below what was promised", "too few to say"]


@dataclass(frozen=True, kw_only=True)
class Promise(Plain):
    """One promise, made on a day and until another, and what the next calibration says of it.

    ``reliability`` is NaN where the assessment does not say it; ``within``: the calibration found the
    instrument within the tolerance that was promised. One that came ``late``, after the due day, says nothing
    of it.
    """

    instrument: str
    oscillator_class: str
    made: str
    due: str
    reliability: float
    calibrated: str
    within: bool
    late: bool


@dataclass(frozen=True, kw_only=True)
class Realised(Plain):
    """How often promises were kept in one class, or in all, of those that a calibration came in time for.

    Share with its 95 % interval (Clopper-Pearson), and mean of the reliabilities promised; NaN where there is
    none. ``below what was promised`` where the whole interval is; ``kept`` where its lower end is at most
    0.05 below; else ``too few to say``.
    """

    oscillator_class: str
    tested: int
    kept: int
    share: float
    low: float
    high: float
    promised: float
    verdict: Verdict


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class RealisedReliability(Result):
    """Promises and calibrations of a register set against each other, made by :func:`realised_reliability`.

    Attributes
    ----------
    classes
        One for each class of oscillators, and ``all``.
    promises
        Every promise that a calibration followed, in order of the calibrations.
    """

    classes: tuple[Realised, ...]
    promises: tuple[Promise, ...]

    _row_objects = "classes"

    @property
    def whole(self) -> Realised:
        """All classes together."""
        return self.classes[-1]

    def _columns(self) -> tuple[Column, ...]:
        return (
            Column("oscillator_class", heading="class", form=lambda name: name.replace("_", " ")),
            Column("tested", heading="tested"),
            Column("kept", heading="kept"),
            Column("share", heading="realised", form=".3f"),
            Column("low", heading="low 95 %", form=".3f"),
            Column("high", heading="high 95 %", form=".3f"),
            Column("promised", heading="promised", form=".3g"),
            Column("verdict", heading="verdict"),
        )

    def _headline(self) -> str:
        whole = self.whole
        if not whole.tested:
            return "No promise was put to the test yet: keep due lists, and calibrate by them"
        return (
            f"{whole.kept} of {whole.tested} promises were kept, realised reliability {whole.share:.3f} "
            f"({whole.low:.3f} to {whole.high:.3f}): {whole.verdict}"
        )


def realised_reliability(register: Register | Holdings) -> RealisedReliability:
    """Set the promises that a register keeps against what later calibrations found.

    For each calibration the promise is the last assessment with a due day between the calibration before and
    it. One that came after the due day does not count, in tolerance or out.

    Parameters
    ----------
    register
        The register, or what it holds.

    Returns
    -------
    RealisedReliability
        Shares of promises that were kept, with intervals.

    Examples
    --------
    >>> import evenbeat as eb, tempfile, pathlib
    >>> folder = tempfile.TemporaryDirectory()
    >>> register = eb.Register.create(pathlib.Path(folder.name) / "workshop.sqlite")
    >>> done = eb.register.import_table(register, eb.demo_data("fleet-history.csv"))
    >>> eb.register.realised_reliability(register)
    <No promise was put to the test yet: keep due lists, and calibrate by them>
    >>> folder.cleanup()

    References
    ----------
    Formula: Clopper-Pearson interval of a binomial share
    Source: scipy.stats.binomtest, proportion_ci(method='exact'), which the test asks
    Tests: tests/register/test_promises.py
    """
    held = register if isinstance(register, Holdings) else register.holdings()
    promises: list[Promise] = []
    for name, some in held.assessments.items():
        own = held.calibrations.get(name, [])
        for at, one in enumerate(own):
            since = own[at - 1].date[:10] if at else ""
            before = [each for each in some if each.due and since <= each.date[:10] < one.date[:10]]
            if before:
                promises += _scored(max(before, key=lambda each: each.date), one, held.instruments.get(name))
    promises.sort(key=lambda one: (one.calibrated, one.instrument))
    names = sorted({one.oscillator_class for one in promises})
    rows = [_row(name, [one for one in promises if one.oscillator_class == name]) for name in names]
    return RealisedReliability(
        classes=(*rows, _row(ALL, promises)),
        promises=tuple(promises),
        findings=tuple(_findings(rows, promises)),
    )


def _scored(kept: KeptAssessment, one: Calibration, about: Instrument | None) -> Iterator[Promise]:
    stated = kept.tolerance if kept.tolerance is not None else (about.tolerance if about else None)
    within = one.found_in(stated)
    if within is None:
        return
    due = str(kept.due)[:10]
    yield Promise(
        instrument=one.instrument,
        oscillator_class=(about.oscillator_class if about else None) or NO_CLASS,
        made=kept.date[:10],
        due=due,
        reliability=math.nan if kept.reliability is None else kept.reliability,
        calibrated=one.date[:10],
        within=within,
        late=one.date[:10] > due,
    )


def _row(name: str, promises: Sequence[Promise]) -> Realised:
    counted = [one for one in promises if not one.late]
    tested, kept = len(counted), sum(one.within for one in counted)
    low, high = coverage_limits(kept, tested) if tested else (math.nan, math.nan)
    said = [one.reliability for one in counted if not math.isnan(one.reliability)]
    promised = sum(said) / len(said) if said else math.nan
    verdict: Verdict = "too few to say"
    if high < promised:
        verdict = "below what was promised"
    elif low >= promised - MARGIN:
        verdict = "kept"
    return Realised(
        oscillator_class=name,
        tested=tested,
        kept=kept,
        share=kept / tested if tested else math.nan,
        low=low,
        high=high,
        promised=promised,
        verdict=verdict,
    )


def _findings(rows: Sequence[Realised], promises: Sequence[Promise]) -> Iterator[Finding]:
    for row in rows:
        if row.verdict == "below what was promised":
            sentence = (
                f"{row.oscillator_class.replace('_', ' ')}: {row.kept} of {row.tested} promises were kept, "
                f"fewer than {row.promised:.3g} allows; shorten intervals, state more uncertainty, or check "
                "the class."
            )
            yield caution("BELOW_PROMISE", sentence)
    missed = [one for one in promises if not one.within and not one.late]
    if missed:
        names = ", ".join(f"{one.instrument} ({one.calibrated})" for one in missed[:8])
        more = f" and {len(missed) - 8} more" if len(missed) > 8 else ""
        sentence = f"Out of tolerance before the due day: {names}{more}."
        yield note("PROMISES_BROKEN", sentence)
    late = sum(one.late for one in promises)
    if late:
        out = sum(one.late and not one.within for one in promises)
        severity: Severity = "caution" if out else "note"
        sentence = (
            f"{counted(late, 'calibration')} came after the due day and did not count; {out} found it out."
        )
        yield Finding(code="CAME_LATE", severity=severity, sentence=sentence)
