"""The options that say how values are judged and who decides."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from evenbeat.assessment.basis import DecisionBasis

RULES = (
    "simple_acceptance",
    "guard_band",
    "guard_band_0.83",
    "guard_band_1.5",
    "guard_band_3",
    "root_sum_of_squares",
    "non_binary",
)


def add_decision_options(group: argparse._ArgumentGroup) -> None:
    """Add the options."""
    group.add_argument("--decision-rule", choices=RULES, help="agreed before the data (simple_acceptance)")
    group.add_argument("--rule-chosen-on", metavar="DATE", help="when the rule was agreed, ISO")
    group.add_argument("--decided-by", metavar="NAME", help="who decides on the interval (default: a blank)")
    group.add_argument("--decided-on", metavar="DATE", help="when, ISO (default: a blank)")


def decision_basis(arguments: argparse.Namespace) -> DecisionBasis | None:
    """Return the basis that the arguments state; ``None`` where nothing of it is asked for."""
    stated = (
        arguments.decision_rule,
        arguments.rule_chosen_on,
        arguments.decided_by,
        arguments.decided_on,
    )
    if not (any(stated) or getattr(arguments, "file_record", False)):
        return None
    from evenbeat.assessment.basis import DecisionBasis

    return DecisionBasis.of(
        arguments.decision_rule or "simple_acceptance",
        rule_chosen_on=arguments.rule_chosen_on,
        decided_by=arguments.decided_by or "",
        decided_on=arguments.decided_on,
    )
