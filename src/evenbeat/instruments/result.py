"""What a collection has brought: counts, the running stability, and what to know about it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from evenbeat.findings import Finding
from evenbeat.instruments.progress import Progress
from evenbeat.results import Result, Table


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

    folder: Path
    log: Path
    rows: int
    missing: int
    set_aside: int
    skipped: int
    reconnections: int
    clock_steps: int
    stability: tuple[tuple[float, float, int], ...] = ()
    findings: tuple[Finding, ...] = ()

    def to_dict(self) -> dict[str, object]:
        """Return plain values, ready for JSON."""
        return {
            "log": self.log.name,
            "rows": self.rows,
            "missing": self.missing,
            "set_aside": self.set_aside,
            "skipped": self.skipped,
            "reconnections": self.reconnections,
            "clock_steps": self.clock_steps,
            "stability": [
                {"averaging_time_s": tau, "allan_deviation": deviation, "pairs": pairs}
                for tau, deviation, pairs in self.stability
            ],
            "findings": [finding.to_dict() for finding in self.findings],
        }

    def to_frame(self) -> object:
        """Return the running Allan deviation as a pandas table."""
        import pandas as pd

        return pd.DataFrame(self.stability, columns=["averaging_time_s", "allan_deviation", "pairs"])

    def _headline(self) -> str:
        return f"{self.rows} rows collected; the last part of the log is {self.log}"

    def _table(self) -> Table | None:
        if not self.stability:
            return None
        return Table(
            columns=("averaging time / s", "Allan deviation", "pairs"),
            rows=tuple(
                (f"{tau:g}", f"{deviation:.3e}", str(pairs)) for tau, deviation, pairs in self.stability
            ),
        )


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
    return tuple(
        Finding(code=code, severity="caution", sentence=f"{count} {words}.", values={"count": count})
        for code, count, words in cases
        if count
    )
