"""Whether a report follows from its inputs: same files, same question, every digit again."""

from __future__ import annotations

import json
import math
import re
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from evenbeat.assessment.asked import asked_of_log, assess_stated, treated_log
from evenbeat.assessment.case import DecisionBasis, software_versions
from evenbeat.assessment.history_case import assess_history
from evenbeat.bench import Stated
from evenbeat.calibration.history import CalibrationHistory
from evenbeat.errors import EvenbeatError, LogError
from evenbeat.findings import Finding, good, note
from evenbeat.plain import Plain
from evenbeat.record import Source
from evenbeat.register.facts import file_sha256
from evenbeat.register.register import Register
from evenbeat.register.store import is_database
from evenbeat.register.verification import opened_intact
from evenbeat.report.write import belongs_together
from evenbeat.result import Column, Result, fitting

ROUNDING = 1e-9
"""Numbers that differ by no more of themselves differ by rounding of another machine or version."""
NOT_COMPARED = ("software",)
ASKED = (
    *("reliability", "meaning", "guard_band", "policy_cap_s", "calendar_unit", "environment_uncertainty"),
    *("transport_uncertainty", "reference_uncertainty", "oscillator_class", "drift_law", "family", "methods"),
    *("date_order", "nominal_frequency_hz"),
)
SHOWN = 40


@dataclass(frozen=True, kw_only=True)
class Difference(Plain):
    """One place where record and recomputation differ, as JSON writes both.

    ``size`` of two numbers is relative to the larger; NaN of anything else.
    """

    where: str
    filed: str
    recomputed: str
    size: float


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Recomputed(Result):
    """What a recomputation of an audit record shows, made by :func:`verify_record`."""

    record: str
    compared: int
    differences: tuple[Difference, ...]

    _row_objects = "differences"
    _also = ("holds",)

    @property
    def holds(self) -> bool:
        """Whether nothing differs but by rounding."""
        return all(one.size <= ROUNDING for one in self.differences)

    def _columns(self) -> tuple[Column, ...]:
        return (
            Column("where", heading="where"),
            Column("filed", heading="filed", form=fitting(24)),
            Column("recomputed", heading="recomputed", form=fitting(24)),
        )

    def _shown_rows(self, count: int) -> range:
        return range(min(count, SHOWN))

    def _headline(self) -> str:
        state = "follows from its inputs" if self.holds else "does NOT follow from its inputs"
        return (
            f"{self.record} {state}: {len(self.differences)} of {self.compared} values differ from what was "
            "computed again"
        )


def verify_record(path: str | Path, inputs: Sequence[str | Path] = ()) -> Recomputed:
    """Compute a report's numbers again from inputs of the same hash, and name every value that differs.

    Parameters
    ----------
    path
        ``result.json`` of a report: on a history of calibrations, or of ``evenbeat assess`` on a log, which
        takes as long again as it took.
    inputs
        The log, the tables or the register it was made from, and its table of results; by default files of
        the same name in the folder of the record, the one above it, or the one you are in. A register may
        have grown since.

    References
    ----------
    Source: FIPS 180-4 (SHA-256)
    Tests: tests/report/test_recomputed.py
    """
    record = Path(path)
    try:
        filed = json.loads(record.read_text(encoding="utf-8"))
        mixed = belongs_together(record, filed)
        if mixed:
            raise LogError(mixed, path=record)
        found = _Inputs(record, [Path(one) for one in inputs])
        again = _log_again(filed, found) if "record" in filed else _history_again(filed, found)
    except (OSError, ValueError, LookupError, TypeError, AttributeError, RecursionError) as error:
        if isinstance(error, EvenbeatError):
            raise
        msg = f"this is not a result.json of 'evenbeat history -o' or 'evenbeat assess' ({error})"
        raise LogError(msg, path=record) from error
    made = json.loads(json.dumps(again.to_dict()))
    filed["settings"] = {name: value for name, value in filed["settings"].items() if name in made["settings"]}
    compared = 0
    differences = []
    for where, one, other in _leaves({name: filed.get(name) for name in made}, made):
        if where.split("/")[0] in NOT_COMPARED:
            continue
        compared += 1
        if one != other or type(one) is not type(other):
            differences.append(_difference(where, one, other))
    return Recomputed(
        record=record.name,
        compared=compared,
        differences=tuple(differences),
        findings=tuple(_findings(filed.get("software") or {}, differences)),
    )


def _log_again(filed: Mapping[str, Any], found: _Inputs) -> Result:
    """Assess the log of a record again, as its settings state."""
    settings, source = filed["settings"], filed["record"]["source"]
    if settings.get("command") != "assess" or source is None or source["parts"]:
        msg = (
            "it does not say how one log was read and what was asked; 'evenbeat assess LOG -o FOLDER' writes "
            "a record that does"
        )
        raise LogError(msg, path=found.record)
    stated = Stated.again("assess", settings)
    log = found.of_hash(source["sha256"], source["name"])
    if "history" in settings:
        table = found.of_hash(settings["history"]["sha256"], settings["history"]["name"])
        stated = replace(stated, values={**stated.values, "history": str(table)})
    return assess_stated(stated, treated_log(stated, str(log)), asked_of_log(stated))


def _history_again(filed: Mapping[str, Any], found: _Inputs) -> Result:
    """Assess the calibrations of an audit record again."""
    settings, case, sources = filed["settings"], filed["case"], filed["case"]["inputs"]
    wanted = settings["results_sha256"]
    if not sources or wanted == "in memory":
        msg = (
            "its inputs were given in memory, not as files: it cannot be computed again from the record alone"
        )
        raise LogError(msg, path=found.record)
    tables: list[Any] = []
    for source, name in zip(sources, settings["instruments"], strict=True):
        head = re.fullmatch(r"(.*) \(head (\d+)\)", source["name"])
        if head is None:
            tables.append(found.of_hash(source["sha256"], source["name"]))
        else:
            whose = name or filed["instrument"]
            tables.append(
                found.from_register(head[1], int(head[2]), source["sha256"], whose, filed["analysed_on"])
            )
    basis = case["decision_basis"]
    return assess_history(
        tables,
        instrument=settings["instruments"] if any(settings["instruments"]) else None,
        tolerance=(settings["tolerance"]["lower"], settings["tolerance"]["upper"]),
        results=() if wanted is None else found.of_hash(wanted, "the table of results"),
        basis=DecisionBasis.of(
            basis["rule"],
            rule_chosen_on=basis["rule_chosen_on"],
            decided_by=basis["decided_by"] or "",
            decided_on=basis["decided_on"],
        ),
        reference=filed["reference"] or "",
        reference_due=filed["reference_due"],
        analysed_on=filed["analysed_on"],
        inputs=tuple(
            Source(path=each["name"], **{name: each[name] for name in ("sha256", "size_bytes", "rows")})
            for each in sources
            if " (head " in each["name"]
        ),
        **{name: settings[name] for name in ASKED},
    )


@dataclass(frozen=True)
class _Inputs:
    """Where the inputs of a record may lie: as given, beside it, above it, or here."""

    record: Path
    given: Sequence[Path]

    def _places(self, name: str) -> list[Path]:
        folders = (self.record.parent, self.record.resolve().parent.parent, Path())
        return [*self.given, *(folder / name for folder in folders)]

    def of_hash(self, sha256: str, name: str) -> Path:
        """Return the file of a hash."""
        there = [place for place in self._places(name) if place.is_file()]
        found = next((place for place in there if file_sha256(place) == sha256), None)
        if found is None:
            seen = f"; {', '.join(map(str, there))} has another" if there else ""
            msg = f"{name} with the hash {sha256[:12]}… is not found{seen}; give the file with --input"
            raise LogError(msg, path=self.record)
        return found

    def from_register(
        self, file: str, number: int, sha256: str, instrument: str, on: str
    ) -> CalibrationHistory:
        """Return the history that a register held when entry ``number`` was its head."""
        for place in filter(is_database, self._places(file)):
            register = opened_intact(place)
            entries = register.entries()
            if len(entries) >= number and entries[number - 1].hash == sha256:
                with tempfile.TemporaryDirectory() as folder:
                    lines = register.to_lines(upto=number)
                    then = Register.from_lines(Path(folder) / place.name, lines)
                    return then.question(instrument, on=on)["table"]
        msg = f"no register with the head {number}:{sha256[:12]}… is found; give the file with --input"
        raise LogError(msg, path=self.record)


def _leaves(one: Any, other: Any, where: str = "") -> Iterator[tuple[str, Any, Any]]:
    """Yield place and both values of everything that is in either."""
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        for name in dict.fromkeys((*one, *other)):
            yield from _leaves(one.get(name), other.get(name), f"{where}/{name}".lstrip("/"))
    elif isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        for at, (left, right) in enumerate(zip(one, other, strict=True)):
            yield from _leaves(left, right, f"{where}/{at}")
    else:
        yield where, one, other


def _difference(where: str, one: Any, other: Any) -> Difference:
    numbers = all(isinstance(each, int | float) and not isinstance(each, bool) for each in (one, other))
    size = math.nan
    if numbers:
        try:
            size = 0.0 if one == other else abs(one - other) / max(abs(one), abs(other))  # 1 is 1.0
        except OverflowError:  # a whole number beyond every float
            size = math.inf
    return Difference(where=where, filed=_said(one), recomputed=_said(other), size=size)


def _said(value: Any) -> str:
    return "–" if value is None else json.dumps(value, ensure_ascii=False)


def _findings(software: Mapping[str, str], differences: Sequence[Difference]) -> Iterator[Finding]:
    now = software_versions()
    other = [f"{name} {version}" for name, version in software.items() if now.get(name) != version]
    if other:
        sentence = (
            f"The record was made with {', '.join(other)}; here are "
            f"{', '.join(f'{name} {now.get(name)}' for name in software)}: last digits may differ."
        )
        yield note("VERSIONS_DIFFER", sentence)
    if not differences:
        yield good("EVERY_DIGIT", "Every value is the same to the last digit.")
