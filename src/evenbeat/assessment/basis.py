"""What was agreed before the data were looked at, and who decides.

Source: the decision rule is agreed before measuring, ISO/IEC 17025:2017, 7.1.3; guard bands, ILAC-G8:09/2019.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

from evenbeat.calibration.calendar import checked_date
from evenbeat.calibration.decision import DecisionRule, decision_rule
from evenbeat.calibration.tolerance import Tolerance
from evenbeat.errors import InputError
from evenbeat.findings import Finding, caution, good
from evenbeat.plain import Plain


@dataclass(frozen=True, kw_only=True)
class DecisionBasis(Plain):
    """The decision rule, since when it holds, and who decides; made by :meth:`of`.

    Attributes
    ----------
    rule
        By which values are accepted, and what it holds back from the tolerance of an interval.
    rule_chosen_on
        Day on which it was chosen; ``None`` where nobody says.
    decided_by, decided_on
        Who decides on the interval and when: empty fields to be filled in by hand.
    """

    rule: DecisionRule
    rule_chosen_on: dt.date | None = None
    decided_by: str = ""
    decided_on: dt.date | None = None

    @classmethod
    def of(
        cls,
        rule: str | DecisionRule = "simple_acceptance",
        *,
        rule_chosen_on: dt.date | str | None = None,
        decided_by: str = "",
        decided_on: dt.date | str | None = None,
    ) -> DecisionBasis:
        """Return the basis.

        Raises
        ------
        InputError
            If the rule is not known or a day is not an ISO date.
        """
        return cls(
            rule=decision_rule(rule),
            rule_chosen_on=_day(rule_chosen_on, "rule_chosen_on"),
            decided_by=decided_by.strip(),
            decided_on=_day(decided_on, "decided_on"),
        )

    def guard_band(self, tolerance: Tolerance, standard_uncertainty: float) -> float:
        """Return what the rule holds back from either limit, for U = 2 u of the next calibration.

        Raises
        ------
        InputError
            If nothing of the tolerance is left.
        """
        band = self.rule.guard_band(tolerance.half_width, 2 * standard_uncertainty)
        if not band < tolerance.half_width:
            msg = (
                f"the rule {self.rule.name} holds back {band:.3g}, which leaves nothing of the tolerance "
                f"{tolerance}; measure with less uncertainty or agree on another rule"
            )
            raise InputError(msg)
        return band

    def finding(self, first_used: dt.date | None) -> Finding:
        """Say whether the rule was chosen before the measurement that it judges."""
        if self.rule_chosen_on is None:
            sentence = (
                f"It is not stated when the decision rule ({self.rule.name}) was chosen; it must be agreed "
                "before the measurement that it judges."
            )
            return caution("RULE_NOT_DATED", sentence)
        if first_used is None:
            sentence = "The data have no dates, so it cannot be told whether the rule was chosen before them."
            return caution("RULE_NOT_COMPARED", sentence)
        if self.rule_chosen_on > first_used:
            sentence = (
                f"The decision rule ({self.rule.name}) was chosen on {self.rule_chosen_on}, after the "
                f"measurement of {first_used} that it judges."
            )
            return caution("RULE_AFTER_DATA", sentence)
        sentence = (
            f"The decision rule ({self.rule.name}) was chosen on {self.rule_chosen_on}, before the "
            f"measurement of {first_used} that it judges."
        )
        return good("RULE_BEFORE_DATA", sentence)

    def _facts(self) -> Mapping[str, object]:
        return {
            "rule": self.rule.name,
            "rule_says": self.rule.says,
            "rule_chosen_on": self.rule_chosen_on,
            "decided_by": self.decided_by or None,
            "decided_on": self.decided_on,
        }


def _day(day: dt.date | str | None, name: str) -> dt.date | None:
    try:
        return checked_date(day)
    except InputError as error:
        msg = f"{name} is {day!r}; an ISO date such as 2026-02-26 is needed"
        raise InputError(msg) from error
