"""What a collection has brought: counts, the running stability, and what to know about it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from evenbeat.findings import Finding, caution
from evenbeat.instruments.progress import Progress
from evenbeat.plain import UNLISTED
from evenbeat.result import Column, Result


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Collected(Result):
    """What a collection has brought.

    Parameters
    ----------
    folder
        Where the parts of the log are.
    log
        The part that was written last.
    rows
        Rows of this run, those with a value and those without.
    missing, set_aside, skipped, reconnections, clock_steps
        Rows without a value, answers that were no number, queries left out because the instrument was
        slower than the interval, times the link was lost and found again, steps of the computer's clock.
    stability
        Running Allan deviation where asked for: averaging time in seconds, deviation, pairs.
    """

    folder: Path = field(metadata=UNLISTED)
    log: Path = field(metadata=UNLISTED)
    rows: int
    missing: int
    set_aside: int
    skipped: int
    reconnections: int
    clock_steps: int
    stability: tuple[tuple[float, float, int], ...] = field(default=(), metadata=UNLISTED)

    def _facts(self) -> Mapping[str, object]:
        return {"log": self.log.name, **super()._facts()}

    def _columns(self) -> tuple[Column, ...]:
        return (
            Column("averaging_time_s", [tau for tau, _, _ in self.stability], "averaging time / s", "g"),
            Column("allan_deviation", [sigma for _, sigma, _ in self.stability], "Allan deviation", ".3e"),
            Column("pairs", [pairs for _, _, pairs in self.stability], "pairs"),
        )

    def _headline(self) -> str:
        return f"{self.rows} rows collected; the last part of the log is {self.log}"


def run_findings(p: Progress) -> tuple[Finding, ...]:
    """Return what went wrong on the way, each kind with its count."""
    cases = (
        ("ANSWERS_SET_ASIDE", p.set_aside, "answers were no number; each stands in a comment of the log"),
        ("ROWS_WITHOUT_VALUE", p.missing, "rows have no value because the instrument had none"),
        (
            "QUERIES_SKIPPED",
            p.skipped,
            "queries were skipped because an answer took longer than the interval; choose a longer one",
        ),
        ("RECONNECTIONS", p.reconnections, "times the link was lost and found again; the log tells when"),
        ("CLOCK_STEPS", p.clock_steps, "times the computer's clock was stepped; the log tells when"),
    )
    return tuple(caution(code, f"{count} {words}.", count=count) for code, count, words in cases if count)
