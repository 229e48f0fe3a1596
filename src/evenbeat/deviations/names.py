"""The abbreviations under which the trade asks for a statistic."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

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
