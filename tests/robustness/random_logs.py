"""Random clock logs: what they say, how it is written, and what must hold of every number made from them.

``python tests/robustness/random_logs.py FIRST COUNT`` runs some of the campaign and prints what failed.
"""

from __future__ import annotations

import gzip
import json
import lzma
import math
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

import evenbeat as eb
from evenbeat.quantities import Estimate

LONGEST_S = 20.0
FIRST_NS = 1_772_323_180_000_000_000
WAYS: dict[str, list[Any]] = {
    "separator": [",", ";", "\t", "|", " ", "   ", " ; ", "\t "],
    "decimal": [".", ","],
    "newline": ["\n", "\r\n"],
    "time": ["iso", "unix_ns", "unix_s", "elapsed", "none"],
    "covariate": [False, True],
    "comments": [[], ["# bench 3"], ["% second run", "// see the book"]],
    "blank_lines": [False, True],
    "bom": [False, True],
    "quotes": [False, True],
    "exponent": ["e", "E", "D"],
    "trailing": [False, True],
    "unit": ["_s", " [s]", " (s)"],
    "pack": [bytes, gzip.compress, lzma.compress],
}
"""How a log may be written: each way with all that it can be; :func:`written` leaves out what clashes."""


def stamp(form: object, ns: int) -> list[str]:
    """Return the time of a row, so many nanoseconds after the first."""
    return {
        "iso": [f"{np.datetime64(FIRST_NS + ns, 'ns').astype('datetime64[ms]')}Z"],
        "unix_ns": [str(FIRST_NS + ns)],
        "unix_s": [f"{(FIRST_NS + ns) / 1e9:.3f}".removesuffix(".000")],
        "elapsed": [f"{ns / 1e9:.3f}".removesuffix(".000")],
        "none": [],
    }[str(form)]


def written(
    cells: list[str], how: Mapping[str, Any], *, name: str = "phase", at_ns: list[int] | None = None
) -> bytes:
    """Return a log of readings that are text already, one a second unless their times are given."""
    separator, quote = str(how["separator"]), '"' if how["quotes"] else ""
    decimal = "." if "," in separator else str(how["decimal"])
    time_names = {
        "iso": ["utc"],
        "unix_ns": ["unix_ns"],
        "unix_s": ["unix_s"],
        "elapsed": ["elapsed_s"],
        "none": [],
    }
    names = [*time_names[str(how["time"])], f"{name}{how['unit']}", *["room_temp_c"] * how["covariate"]]
    if separator.isspace() and separator != "\t":
        names = [text.translate(str.maketrans(" ", "_", "[]()")) for text in names]
    trailing = separator.strip() if how["trailing"] and not separator.isspace() else ""
    lines = [*how["comments"], separator.join(quote + text + quote for text in names)]
    for k, cell in enumerate(cells):
        numbers = [cell.replace("e", how["exponent"]), *["21.5"] * how["covariate"]]
        times = stamp(how["time"], k * 10**9 if at_ns is None else at_ns[k])
        lines.append(separator.join(times + [number.replace(".", decimal) for number in numbers]) + trailing)
        if how["blank_lines"] and k % 3 == 1:
            lines.append("")
    content = (how["newline"].join(lines) + how["newline"]).encode()
    return how["pack"](b"\xef\xbb\xbf" * how["bom"] + content)


class RandomLog:
    """Log number ``seed`` of the campaign."""

    def __init__(self, seed: int) -> None:
        self.seed, rng = seed, np.random.default_rng([19, seed])
        self._rng = rng
        self.rows = int(10 ** rng.uniform(1, 2.48))
        self.interval_s = float(rng.choice([1e-3, 0.1, 1.0, 1.0, 10.0, 60.0, 3600.0, 86400.0]))
        self.kind = str(rng.choice(["phase", "frequency"]))
        self.unit = str(rng.choice({"phase": ["s", "ns", "us"], "frequency": ["Hz", "1", "ppb"]}[self.kind]))
        self.shape = str(
            rng.choice(["noise", "noise", "noise", "constant", "drift", "display", "huge", "tiny"])
        )
        self.readings = self._readings()
        self.kept = np.ones(self.rows, dtype=bool)
        if rng.random() < 0.3:  # gaps
            for begin in rng.integers(1, self.rows - 1, size=rng.integers(1, 4)):
                self.kept[begin : min(begin + rng.integers(1, 1 + self.rows // 4), self.rows - 1)] = False
        self.how = {way: each[rng.integers(len(each))] for way, each in WAYS.items()}
        self.tolerance = float(10 ** rng.uniform(-12, -4))

    def _readings(self) -> np.ndarray:
        """Return the readings in their unit."""
        rng, n = self._rng, self.rows
        scale = 10 ** rng.uniform(-14, -6)
        line = np.arange(n) / n
        if self.shape == "noise":
            kinds = [
                rng.standard_normal(n),
                np.cumsum(rng.standard_normal(n)),
                np.cumsum(np.cumsum(rng.standard_normal(n))),
            ]
            values = (
                scale * sum(10 ** rng.uniform(-3, 0) * one for one in kinds)
                + scale * rng.uniform(-99, 99) * line
            )
        elif self.shape == "constant":
            values = np.full(n, scale * rng.choice([0.0, 1.0, -1.0]))
        elif self.shape == "drift":  # exact
            values = scale * (
                rng.integers(-3, 4) + rng.integers(-3, 4) * line + rng.integers(-3, 4) * line**2
            )
        elif self.shape == "display":
            values = scale * np.round(
                rng.uniform(0.1, 3) * rng.standard_normal(n) + rng.uniform(-9, 9) * line
            )
        else:
            values = 10 ** (rng.uniform(0, 308) if self.shape == "huge" else rng.uniform(-308, -20)) * (
                rng.choice([0.0, 1.0]) + rng.choice([0.0, 1e-9, 1e-3, 1.0]) * rng.uniform(-1, 1, n)
            )
        if rng.random() < 0.3:  # steps
            for place in rng.integers(0, n, size=rng.integers(1, 4)):
                values[place:] += np.ptp(values) * rng.uniform(-10, 10) if np.ptp(values) < 1e300 else 0.0
        if rng.random() < 0.2:  # wild ones
            values[rng.integers(0, n, size=rng.integers(1, 4))] *= 10 ** rng.uniform(0, 6)
        if self.shape == "noise" and rng.random() < 0.1:
            values[rng.integers(n)] = rng.choice([1e308, 9.91e37, -1e200, 1e-300])
        with np.errstate(over="ignore"):
            values = values * {"s": 1.0, "ns": 1e9, "us": 1e6, "Hz": 1e7, "1": 1.0, "ppb": 1e9}[self.unit]
        return np.clip(values + 1e7 * (self.unit == "Hz"), -1.7e308, 1.7e308)

    def __str__(self) -> str:
        return f"log {self.seed}: {self.rows} rows {self.shape} in {self.unit} every {self.interval_s:g} s"

    def record(self, folder: Path) -> eb.Record:
        """Return the record, from memory or, written in its way, from a file."""
        nominal = 1e7 if self.unit == "Hz" else None
        kept = self.kept if self.how["time"] != "none" else np.ones(self.rows, dtype=bool)
        if self.seed % 3 == 0:
            values = np.where(self.kept, self.readings, math.nan)
            return eb.Record.from_readings(
                values, unit=self.unit, nominal_frequency_hz=nominal, interval_s=self.interval_s
            )
        name = {"phase": "phase", "frequency": "frequency" if self.unit == "Hz" else "fractional_frequency"}[
            self.kind
        ]
        how = self.how | {"unit": f"_{self.unit}" if self.unit != "1" else ""}
        moments = [round(k * self.interval_s * 1e9) for k in np.flatnonzero(kept).tolist()]
        digits = int(self._rng.integers(3, 17))
        cells = [
            f"{value:.{digits}e}" if self.unit != "Hz" else f"{value:.{digits % 7}f}"
            for value in self.readings[kept]
        ]
        path = folder / f"log-{self.seed}"
        path.write_bytes(written(cells, how, name=name, at_ns=moments))
        stated = (
            {"interval_s": self.interval_s} if self.how["time"] == "none" or self._rng.random() < 0.5 else {}
        )
        return eb.read_log(path, nominal_frequency_hz=nominal, bad_lines="reject", **stated)

    def results(self, folder: Path) -> Iterator[tuple[str, Any]]:
        """Yield what becomes of the log, stage by stage; a refusal of ours ends the branch it belongs to."""
        record = eb.condition(self.record(folder))
        yield "condition", record
        names = [
            "overlapping_allan",
            *self._rng.choice(["modified_allan", "overlapping_hadamard", "time", "total", "allan"], 2),
        ]
        for name in names:
            yield from _given(str(name), lambda name=name: eb.stability(record, str(name)))
        for name, model in _given("fit", lambda: eb.fit_clock(record)):
            yield name, model
            yield from _given("aging", model.aging_rate)
            yield from _given("interval", partial(eb.suggest_interval, model, tolerance=self.tolerance))
            yield from _given("holdover", partial(eb.predict_holdover, model))
        if self.seed % 10 == 0:
            yield from _given("assess", lambda: eb.assess(record, tolerance=self.tolerance))


def _given(name: str, make: Any) -> Iterator[tuple[str, Any]]:
    try:
        made = make()
    except eb.EvenbeatError:
        return
    yield name, made


def faults_of(name: str, result: Any) -> Iterator[str]:
    """Yield what is wrong with a result: limits, probabilities, numbers that nobody can read, texts."""
    known = bool(getattr(result, "findings", ()))
    for where, value in _parts(name, result):
        if isinstance(value, Estimate):
            low, high = value.interval()
            if not (math.isfinite(value.value) and math.isfinite(low) and math.isfinite(high)):
                if not known:
                    yield f"{where} is {value.value} ({low} to {high}) without a finding"
            elif not low <= value.value <= high:
                yield f"{where}: mean {value.value!r} is outside {low!r} to {high!r}"
        elif "probability" in where.rpartition(".")[2] and np.size(value):
            rows = np.asarray(value)
            if ((rows < 0) | (rows > 1)).any() or (np.isnan(rows).any() and not known):
                yield f"{where} is {value}"
        elif isinstance(value, float | np.floating) and math.isinf(value) and not known:
            yield f"{where} is {value} without a finding"
    if all(hasattr(result, each) for each in ("low", "high", "deviation")):
        low, middle, high = (np.asarray(getattr(result, each)) for each in ("low", "deviation", "high"))
        if ((low > middle) | (middle > high))[~np.isnan(low) & ~np.isnan(high)].any():
            yield f"{name}: {low} is not below {middle} below {high}"
        if not known and not np.isfinite(middle).all():
            yield f"{name} is {middle} without a finding"
    if hasattr(result, "to_dict"):
        json.dumps(result.to_dict(), allow_nan=False)
    str(result)
    repr(result)
    if hasattr(result, "_repr_html_"):
        result._repr_html_()


def _parts(where: str, thing: Any, depth: int = 0) -> Iterator[tuple[str, Any]]:
    """Yield every estimate, number and row of numbers in the declared fields of a result."""
    if isinstance(thing, Estimate | float | np.ndarray | np.floating):
        yield where, thing
    elif isinstance(thing, Mapping):
        for key, value in thing.items():
            yield from _parts(f"{where}.{key}", value, depth)
    elif isinstance(thing, tuple | list):
        for key, value in enumerate(thing[:50]):
            yield from _parts(f"{where}.{key}", value, depth)
    elif is_dataclass(thing) and depth < 4 and not isinstance(thing, eb.Record if depth else ()):
        for field in fields(thing):
            yield from _parts(f"{where}.{field.name}", getattr(thing, field.name), depth + 1)


def said_of(error: Exception) -> str:
    """Return what an exception says, and the last line of ours that led to it."""
    frames = traceback.extract_tb(error.__traceback__)
    frame = next((each for each in reversed(frames) if "evenbeat" in Path(each.filename).parts), frames[-1])
    where = f"{Path(frame.filename).name}:{frame.lineno} {frame.line}"
    return f"{type(error).__name__}: {str(error)[:200]} ({where})"


def run(seed: int, folder: Path) -> list[str]:
    """Return everything that failed with one log of the campaign."""
    log, failed, begun, name = RandomLog(seed), [], time.process_time(), "read"
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            for name, result in log.results(folder):
                failed += faults_of(name, result)
        except eb.EvenbeatError:
            pass  # refused in a sentence
        except Exception as error:
            failed.append(f"after {name}: {said_of(error)}")
    spent = time.process_time() - begun
    if spent > LONGEST_S:
        failed.append(f"took {spent:.0f} s")
    return [f"{log}: {fault}" for fault in failed]


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as kept:
        for number in range(int(sys.argv[1]), int(sys.argv[1]) + int(sys.argv[2])):
            for told in run(number, Path(kept)):
                print(told, flush=True)
