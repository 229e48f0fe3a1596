"""The table of stability statistics: what each is called, and the form that computes it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from evenbeat.deviations.forms.stretches import StretchForm, hadamard_rows
from evenbeat.deviations.forms.terms import Differences, Form, ParabolicForm
from evenbeat.deviations.forms.theo1 import Theo1Form
from evenbeat.deviations.forms.total import TotalForm
from evenbeat.errors import InputError
from evenbeat.quantities import FloatArray


@dataclass(frozen=True, kw_only=True)
class Statistic:
    """One statistic, and what it is called.

    Attributes
    ----------
    name, title, symbol, unit
        How it is asked for and how it is written; the unit is ``"s"``, or empty for a fractional frequency.
    form
        What is computed.
    source
        Where it is defined.
    estimates
        The variance in proportion to which its bias is stated; empty where it has none.
    """

    name: str
    title: str
    symbol: str
    form: Form
    source: str
    estimates: str = ""
    unit: str = ""

    def deviation(self, variance: FloatArray, averaging_time_s: FloatArray, interval_s: float) -> FloatArray:
        """Return the deviation from the variance of phase in units of the sampling interval.

        The time deviation is ``τ/√3`` times the modified Allan deviation.
        """
        root = np.sqrt(variance) / interval_s
        return np.asarray(root * averaging_time_s / math.sqrt(3) if self.unit == "s" else root)


_HANDBOOK = "NIST SP 1065 (2008), 5.2"
STATISTICS: Mapping[str, Statistic] = MappingProxyType(
    {
        statistic.name: statistic
        for statistic in (
            Statistic(
                name="allan",
                title="Allan deviation",
                symbol="σ_y(τ)",
                form=Differences(order=2, overlapping=False),
                source=f"{_HANDBOOK}.2; IEEE Std 1139",
            ),
            Statistic(
                name="overlapping_allan",
                title="overlapping Allan deviation",
                symbol="σ_y(τ)",
                form=Differences(order=2),
                source=f"{_HANDBOOK}.4; ITU-T G.810 appendix II",
            ),
            Statistic(
                name="modified_allan",
                title="modified Allan deviation",
                symbol="Mod σ_y(τ)",
                form=Differences(order=2, averaged=True),
                source=f"{_HANDBOOK}.5; IEEE Std 1139",
            ),
            Statistic(
                name="time",
                title="time deviation",
                symbol="σ_x(τ)",
                form=Differences(order=2, averaged=True),
                unit="s",
                source=f"{_HANDBOOK}.6; ITU-T G.810 appendix II",
            ),
            Statistic(
                name="hadamard",
                title="Hadamard deviation",
                symbol="Hσ_y(τ)",
                form=Differences(order=3, overlapping=False),
                source=f"{_HANDBOOK}.8",
            ),
            Statistic(
                name="overlapping_hadamard",
                title="overlapping Hadamard deviation",
                symbol="Hσ_y(τ)",
                form=Differences(order=3),
                source=f"{_HANDBOOK}.9",
            ),
            Statistic(
                name="total",
                title="total deviation",
                symbol="σ_y,total(τ)",
                form=TotalForm(),
                estimates="Allan variance",
                source=f"{_HANDBOOK}.11; Greenhall, Howe and Percival, IEEE Trans. UFFC 46 (1999)",
            ),
            Statistic(
                name="modified_total",
                title="modified total deviation",
                symbol="Mod σ_y,total(τ)",
                form=StretchForm(),
                estimates="modified Allan variance",
                source=f"{_HANDBOOK}.12; Howe and Vernotte, 31st PTTI (1999)",
            ),
            Statistic(
                name="time_total",
                title="time total deviation",
                symbol="σ_x,total(τ)",
                form=StretchForm(),
                estimates="time variance",
                source=f"{_HANDBOOK}.13 (τ²/3, where the equation prints τ³/3)",
                unit="s",
            ),
            Statistic(
                name="hadamard_total",
                title="Hadamard total deviation",
                symbol="Hσ_y,total(τ)",
                form=StretchForm(hadamard_rows, order=3),
                estimates="Hadamard variance",
                source=f"{_HANDBOOK}.14; Howe, Beard, Greenhall and Riley, 32nd PTTI (2000)",
            ),
            Statistic(
                name="theo1",
                title="Théo1 deviation",
                symbol="σ_y,Théo1(0.75 mτ₀)",
                form=Theo1Form(),
                estimates="Allan variance",
                source=f"{_HANDBOOK}.15 with the divisor 0.75 of Howe and Tasset, 36th PTTI (2004)",
            ),
            Statistic(
                name="parabolic",
                title="parabolic deviation",
                symbol="Pσ_y(τ)",
                form=ParabolicForm(),
                source="Vernotte et al., IEEE Trans. UFFC 63 (2016), arXiv:1506.00687",
            ),
        )
    }
)
DIFFERENCES: Mapping[str, Differences] = MappingProxyType(
    {name: kind.form for name, kind in STATISTICS.items() if isinstance(kind.form, Differences)}
)
"""Those that are means of squared differences of phase."""
ABBREVIATIONS: Mapping[str, str] = MappingProxyType(
    {
        # SOURCE: ITU-T G.810 (1996), IEEE Std 1139, NIST SP 1065 (2008); o for overlapping: common practice
        "adev": "allan",
        "oadev": "overlapping_allan",
        "mdev": "modified_allan",
        "tdev": "time",
        "hdev": "hadamard",
        "ohdev": "overlapping_hadamard",
        "totdev": "total",
        "mtotdev": "modified_total",
        "ttotdev": "time_total",
        "htotdev": "hadamard_total",
        "theoh": "theo1_hybrid",
        "pdev": "parabolic",
        "tierms": "rms",
    }
)


def name_of(statistic: str) -> str:
    """Return the name of a statistic in full, given in full or by its abbreviation in letters of any size."""
    word = statistic.lower() if isinstance(statistic, str) else statistic
    return ABBREVIATIONS.get(word, word)


def statistic_of(statistic: str | Statistic, *, also: str) -> Statistic:
    """Return a statistic by its name in full, or one that is given as it is.

    Raises
    ------
    InputError
        For an unknown name; ``also`` is another one that would do.
    """
    if isinstance(statistic, Statistic):
        return statistic
    if statistic not in STATISTICS:
        msg = f"statistic is {statistic!r}; it must be one of {', '.join((*STATISTICS, also))}"
        raise InputError(msg)
    return STATISTICS[statistic]
