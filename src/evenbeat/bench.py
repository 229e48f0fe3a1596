"""Bench files, and every key that may stand in one: what is known of an instrument, its log and its use.

Each option of the command is declared here once, as a :class:`Key`. The declaration gives the keyword of the
library, the key of a bench file and of ``--set``, the option on the command line, and the help. A bench file
is TOML: a key on each line, the tables ``[columns]`` and ``[rows]`` for how a log is written, and
``[beside]`` for what is logged beside the counter.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from evenbeat.errors import InputError, LogError
from evenbeat.toml_text import toml_of, toml_pairs
from evenbeat.units import (
    duration_text,
    parse_duration,
    parse_fraction,
    parse_frequency,
    parse_limits,
    parse_time,
    parse_uncertain,
)

FILE_VERSION = 1


@dataclass(frozen=True)
class Kind:
    """How a value is typed, and what the library gets.

    Parameters
    ----------
    metavar
        In the help.
    accepts
        What is accepted, for the help and for complaints.
    parse
        From what is typed to what the library gets; raises ``InputError``.
    toml
        Types that a TOML file may use beside text.
    write
        From what the library gets to a value of a TOML file that reads as exactly the same.
    """

    metavar: str
    accepts: str
    parse: Callable[[str], Any]
    toml: tuple[type, ...] = ()
    write: Callable[[Any], object] = lambda value: value

    def text(self, value: Any) -> str:
        """Return a value as people say it."""
        if isinstance(value, bool):
            return "yes" if value else "no"
        return duration_text(value) if self in (DURATION, DURATION_OR_ZERO) else f"{self.write(value)}"

    def read(self, value: object) -> Any:
        """Return what the library gets from a value in a TOML file.

        Raises
        ------
        InputError
            If the value has another type, or its text cannot be used.
        """
        if type(value) not in (str, *self.toml):
            shown = str(value).lower() if isinstance(value, bool) else repr(value)
            msg = f"{shown} has the wrong type; give {self.accepts}"
            raise InputError(msg)
        if isinstance(value, list):
            return self.parse((":" if self is LIMITS else ",").join(map(str, value)))
        if isinstance(value, Mapping):
            return dict(value)
        return self.parse("yes" if value is True else "no" if value is False else str(value))


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError as error:
        msg = f"{text!r} is not a number such as 1e-8"
        raise InputError(msg) from error


def _whole(text: str) -> int:
    if not (text.strip().isascii() and text.strip().isdigit()):
        msg = f"'{text}' is not a whole number such as 2"
        raise InputError(msg)
    return int(text)


def _count(text: str) -> int:
    if not (text.strip().isascii() and text.strip().isdigit() and int(text) > 0):
        msg = f"'{text}' is not a positive whole number"
        raise InputError(msg)
    return int(text)


def _answer(text: str) -> bool:
    known = {"yes": True, "true": True, "no": False, "false": False}
    if text.strip().lower() not in known:
        msg = f"'{text}' is neither yes nor no"
        raise InputError(msg)
    return known[text.strip().lower()]


def _signed_time(text: str) -> float:
    """Return seconds from ``'2 s'``, ``'-1.5 min'`` or ``'0'``."""
    try:
        return _number(text)
    except InputError:
        bare = text.strip()
        return -parse_duration(bare[1:]) if bare.startswith("-") else parse_duration(bare)


def _duration_or_zero(text: str) -> float:
    return 0.0 if re.fullmatch(r"0+(\.0*)?\s*[a-z]*", text.strip()) else parse_duration(text)


def _moment(text: str) -> float | str:
    """Return seconds since the start of a log from ``'10 d'`` or a number; a moment in UTC as it stands."""
    try:
        return _duration_or_zero(text)
    except InputError:
        if re.match(r"\d{4}-?\d\d", text.strip()):
            return text.strip()
    msg = (
        f"{text!r} is neither a moment in UTC such as 2026-03-01T00:00:00Z nor a time since the start of the "
        "log such as '10 d'"
    )
    raise InputError(msg)


def _range(text: str) -> tuple[float, float]:
    low, _, high = re.sub(r"\s+(?:to|…)\s+|\s*\.\.+\s*", ":", text.strip()).partition(":")
    if not (low and high):
        msg = f"'{text}' is not a range such as '10 Hz to 100 MHz'"
        raise InputError(msg)
    ends = parse_frequency(low), parse_frequency(high)
    if not ends[0] < ends[1]:
        msg = f"'{text}' does not rise; give the lower frequency first, as in '10 Hz to 100 MHz'"
        raise InputError(msg)
    return ends


def _words(text: str) -> tuple[str, ...]:
    return tuple(word.strip() for word in text.split(",") if word.strip())


def _pair(text: str) -> dict[str, str | int]:
    """Return columns from ``WHAT=NAME``, several separated by commas."""
    columns: dict[str, str | int] = {}
    for part in text.split(","):
        what, _, name = part.partition("=")
        if not (what and name):
            msg = f"{text!r} does not have the form WHAT=NAME, such as value=frequency_hz"
            raise InputError(msg)
        columns[what.strip()] = int(name) if name.isdigit() else name
    return columns


def _sources(text: str) -> dict[str, str]:
    """Return sources from ``NAME=DESCRIPTION@ADDRESS``."""
    name, _, rest = text.partition("=")
    description, _, address = rest.partition("@")
    if not (name and description and address):
        msg = f"'{text}' does not have the form NAME=DESCRIPTION@ADDRESS"
        raise InputError(msg)
    return {name: rest}


def _choice(*words: str) -> Kind:
    def chosen(text: str) -> str:
        if text not in words:
            msg = f"'{text}' is not one of {', '.join(words)}"
            raise InputError(msg)
        return text

    return Kind("|".join(words) if len(words) < 4 else "WORD", f"one of {', '.join(words)}", chosen)


def _exactly(unit: str) -> Callable[[Any], object]:
    return lambda value: f"{value:g} {unit}" if float(f"{value:g}") == value else f"{value!r} {unit}"


def _frequency(value: float) -> str:
    """Return a frequency in words that parse to exactly it."""
    for size, unit in ((1e9, "GHz"), (1e6, "MHz"), (1e3, "kHz")):
        text = f"{value / size:.12g} {unit}"
        if value >= size and parse_frequency(text) == value:
            return text
    return str(_exactly("Hz")(value))


_NUMBERS = (int, float)
TEXT = Kind("TEXT", "text", str)
NAME = Kind("NAME", "a name", str)
FILE = Kind("FILE", "the name of a file", str)
DATE = Kind("DATE", "a date such as 2026-02-26", str, toml=(dt.date,))
NUMBER = Kind("N", "a number", _number, toml=_NUMBERS)
WHOLE = Kind("N", "a whole number", _whole, toml=(int,))
COUNT = Kind("N", "a positive whole number", _count, toml=(int,))
YES_NO = Kind("yes|no", "yes or no (true or false)", _answer, toml=(bool,))
NAMES = Kind("NAME", "names, separated by commas", _words, toml=(list,), write=list)
DURATION = Kind("T", "a duration such as '10 s' or '3 months'", parse_duration, _NUMBERS, _exactly("s"))
DURATION_OR_ZERO = Kind("T", "a duration such as '10 s', or 0", _duration_or_zero, _NUMBERS, _exactly("s"))
SIGNED_TIME = Kind("T", "a time such as '2 s' or '-1.5 s'", _signed_time, _NUMBERS, _exactly("s"))
TIME = Kind("T", "a time such as '1.5 us'", parse_time, _NUMBERS, _exactly("s"))
FREQUENCY = Kind("F", "a frequency such as '10 MHz'", parse_frequency, _NUMBERS, _frequency)
RANGE = Kind("F", "a range such as '10 Hz to 100 MHz'", _range)
FRACTION = Kind("Y", "a fraction such as 1e-9 or '2 ppb'", parse_fraction, _NUMBERS)
LIMITS = Kind(
    "Y", "1e-8 (for ±1e-8), '10 ppb' or two limits such as -5e-9:1e-8", parse_limits, (*_NUMBERS, list)
)
UNCERTAIN = Kind(
    "Y±U", "a value with its standard uncertainty such as 1e-9±2e-10 or 1.0(2)e-9", parse_uncertain
)
MOMENT = Kind(
    "MOMENT",
    "UTC such as 2026-03-01T00:00:00Z, or a time since the start of the log such as '10 d'",
    _moment,
    (*_NUMBERS, dt.datetime, dt.date),
)
COLUMNS = Kind("WHAT=NAME", "a table [columns] such as value = 'frequency_hz'", _pair, (dict,), dict)
SOURCES = Kind("NAME=DESCRIPTION@ADDRESS", "a table [beside]", _sources, (dict,), dict)

QUANTITIES = (
    "frequency",
    "fractional_frequency",
    "frequency_ratio",
    "frequency_difference",
    "period",
    "phase",
    "time_interval",
    "interval_error",
    "count",
)
TIME_UNITS = ("ns", "us", "ms", "s", "min", "h", "d")
CLASSES = ("uncompensated", "temperature_compensated", "oven", "rubidium", "caesium")
RULES = (
    "simple_acceptance",
    "guard_band",
    "guard_band_0.83",
    "guard_band_1.5",
    "guard_band_3",
    "root_sum_of_squares",
    "non_binary",
)

LOGS = ("assess", "compare", "inspect", "convert", "fleet")
VERDICTS = ("assess", "compare")
TYPED_LOGS = ("assess", "compare", "inspect", "convert")
TREATED = ("assess", "compare", "inspect")
DECIDED = ("assess", "compare", "history", "fleet")
ADDED, IMPORTED = "register add-instrument", "register import"

GROUPS = {
    "question": "what is asked",
    "instrument": "the instrument",
    "log": "what the log holds, where it does not say so itself",
    "conditioning": "how the log is conditioned",
    "comparing": "how several logs are brought together",
    "table": "calibrations",
    "reference": "the reference and what use adds",
    "decision": "who decides, and by which rule",
    "counter": "the counter under test, where its sheet does not say so itself",
    "collecting": "how a live instrument is logged",
    "output": "what is written",
}


@dataclass(frozen=True, kw_only=True)
class Key:
    """One option.

    Parameters
    ----------
    name
        In a bench file and after ``--set``.
    used_by
        Commands that use it; the others pass over it.
    typed_by
        Commands that have it as an option of their own; ``option`` is that.
    keyword
        Of the library.
    default
        What holds where nothing is stated.
    """

    name: str
    kind: Kind
    help: str
    group: str
    used_by: tuple[str, ...]
    typed_by: tuple[str, ...] = ()
    keyword: str = ""
    default: Any = None
    flag: str = ""

    @property
    def option(self) -> str:
        """How it is typed by the commands that have it as an option."""
        return self.flag or f"--{self.name.replace('_', '-')}"


def _key(name: str, kind: Kind, says: str, group: str, used_by: tuple[str, ...], **more: Any) -> Key:
    return Key(name=name, kind=kind, help=says, group=group, used_by=used_by, **{"keyword": name, **more})


_DECLARED = (
    # what is asked
    _key(
        "tolerance",
        LIMITS,
        "limit of the fractional offset",
        "question",
        (*DECIDED, ADDED),
        typed_by=(*DECIDED, ADDED),
    ),
    _key(
        "reliability",
        FRACTION,
        "probability of staying within tolerance",
        "question",
        DECIDED,
        typed_by=("history", "fleet"),
        default=0.95,
    ),
    _key("guard_band", FRACTION, "held back from either limit", "question", (*VERDICTS, "history")),
    _key(
        "from",
        MOMENT,
        "assess the log from here on",
        "question",
        VERDICTS,
        typed_by=VERDICTS,
        keyword="start",
    ),
    _key(
        "until",
        MOMENT,
        "assess the log until before this",
        "question",
        VERDICTS,
        typed_by=VERDICTS,
        keyword="stop",
    ),
    _key("as_left", UNCERTAIN, "offset after an adjustment at the end of the log", "question", VERDICTS),
    _key(
        "time_error_limit",
        TIME,
        "ask how long the time error stays within this",
        "question",
        VERDICTS,
        keyword="time_error_limit_s",
    ),
    _key(
        "aging",
        _choice("auto", "none", "linear", "logarithmic"),
        "aging law",
        "question",
        VERDICTS,
        default="auto",
    ),
    _key(
        "environment",
        NAMES,
        "covariates to model, NAME or NAME:ORDER of its curve (1 to 3), or 'none'; default every temperature",
        "question",
        VERDICTS,
    ),
    _key(
        "on_grid",
        DURATION,
        "put readings at times of their own on a grid of this spacing first",
        "question",
        VERDICTS,
    ),
    _key(
        "meaning",
        _choice("end_of_period", "average_over_period", "never_left"),
        "what the reliability is the probability of",
        "question",
        ("history",),
        default="end_of_period",
    ),
    _key(
        "calendar_unit",
        _choice("day", "week", "month", "quarter", "year"),
        "unit to round the interval down to",
        "question",
        ("history",),
    ),
    _key(
        "longest_interval",
        DURATION,
        "longest interval that policy allows",
        "question",
        ("history", "fleet"),
        keyword="longest_interval_s",
    ),
    _key(
        "first_interval",
        DURATION,
        "longest interval after a single calibration",
        "question",
        ("fleet",),
        keyword="first_interval_s",
        default=365.25 * 86400,
    ),
    _key(
        "soon",
        DURATION,
        "how long before its day an instrument is 'due soon'",
        "question",
        ("fleet",),
        typed_by=("fleet",),
        keyword="soon_s",
        default=30 * 86400.0,
    ),
    # the instrument
    _key(
        "oscillator_class",
        _choice(*CLASSES),
        "what is usual for it helps where data are few; inferred from calibrations",
        "instrument",
        (*VERDICTS, "history", ADDED),
        typed_by=("history", ADDED),
    ),
    _key(
        "instrument",
        NAMES,
        "whose rows, where a table holds several instruments",
        "instrument",
        (*VERDICTS, "history"),
        typed_by=("history",),
    ),
    # what the log holds
    _key("quantity", _choice(*QUANTITIES), "what the values are", "log", LOGS, typed_by=TYPED_LOGS),
    _key("unit", TEXT, "unit of the values: Hz, MHz, s, ns, ppm, ppb, 1 …", "log", LOGS, typed_by=TYPED_LOGS),
    _key(
        "nominal_frequency",
        FREQUENCY,
        "nominal frequency, '10 MHz'",
        "log",
        (*LOGS, "history", ADDED, IMPORTED, "collect"),
        typed_by=(*TYPED_LOGS, "history", ADDED, IMPORTED, "collect"),
        keyword="nominal_frequency_hz",
    ),
    _key(
        "interval",
        DURATION,
        "from one reading to the next, '10 s'",
        "log",
        (*LOGS, "collect"),
        typed_by=(*TYPED_LOGS, "collect"),
        keyword="interval_s",
    ),
    _key("gate", DURATION, "length of a gate, '10 s'", "log", (*LOGS, "collect"), keyword="gate_s"),
    _key(
        "columns",
        COLUMNS,
        "column by name or position from 0: value=…, time=…, oven_temperature_c=…",
        "log",
        LOGS,
        typed_by=TYPED_LOGS,
        flag="--column",
    ),
    _key(
        "reading_of",
        _choice("device", "reference"),
        "what was read: the device under test, or the reference by the device's own timebase",
        "log",
        LOGS,
    ),
    _key("time_zone", TEXT, "zone of times without one, 'Europe/Lisbon'", "log", LOGS),
    _key("time_unit", _choice(*TIME_UNITS), "unit of a time column of numbers", "log", LOGS),
    _key(
        "date_order",
        _choice("day-first", "month-first"),
        "for dates such as 03/04/2026",
        "log",
        (*LOGS, "history", IMPORTED),
    ),
    _key("clock", NAME, "clock in a file of several, such as a RINEX clock file", "log", LOGS),
    _key("signal", NAME, "signal of a CGGTTS file that holds several, such as L3P", "log", LOGS),
    _key(
        "counter_weighting",
        _choice("plain", "triangular", "regression"),
        "how the counter averages over its gate",
        "log",
        LOGS,
    ),
    _key(
        "bad_lines",
        _choice("refuse", "reject"),
        "refuse a log with a line that cannot be read, or reject such lines and count them",
        "log",
        LOGS,
        default="refuse",
    ),
    _key(
        "partial",
        YES_NO,
        "read the complete lines of a file cut off or still written",
        "log",
        LOGS,
        default=False,
    ),
    _key("select", TEXT, "read the rows with this label, of several oscillators in one log", "log", LOGS),
    _key(
        "every",
        COUNT,
        "read every N-th row, of N oscillators logged in turn (1: all rows are of one)",
        "log",
        LOGS,
    ),
    _key(
        "row_offset",
        WHOLE,
        "with every: from this row on, counted from 0",
        "log",
        LOGS,
        keyword="offset",
        default=0,
    ),
    # conditioning
    _key(
        "skip_checks",
        NAMES,
        "checks not to make: outliers, steps, warm_up, wraps, pulses, bit_errors …",
        "conditioning",
        TREATED,
        default=(),
    ),
    _key(
        "wrap_period",
        TIME,
        "period of a wrapped phase log, '100 ns'",
        "conditioning",
        TREATED,
        keyword="wrap_period_s",
    ),
    _key(
        "pulse_period",
        DURATION,
        "period of the pulses of a phase log (1 s for intervals of whole seconds)",
        "conditioning",
        TREATED,
        keyword="pulse_period_s",
    ),
    _key(
        "sawtooth",
        TEXT,
        "column of a GNSS receiver's correction, to be subtracted (-NAME adds it)",
        "conditioning",
        TREATED,
    ),
    _key(
        "sawtooth_rows",
        WHOLE,
        "how many rows later than its correction a pulse is logged",
        "conditioning",
        TREATED,
        default=0,
    ),
    _key(
        "outlier_threshold",
        NUMBER,
        "robust standard deviations from which a reading is an outlier",
        "conditioning",
        TREATED,
        default=5.0,
    ),
    # calibrations
    _key("history", FILE, "calibrations of the same clock beside the log", "table", VERDICTS),
    _key("history_from", DATE, "only calibrations from this day on", "table", VERDICTS),
    _key(
        "drift_law",
        _choice("auto", "constant", "logarithmic", "wandering"),
        "auto: all of them, by how well they predict the history",
        "table",
        ("history",),
        default="auto",
    ),
    _key(
        "family",
        _choice("related", "identical"),
        "how several tables belong together",
        "table",
        ("history",),
        default="related",
    ),
    _key(
        "results",
        FILE,
        "dated results (date, tolerance, name) to be judged if it was out",
        "table",
        ("history",),
        typed_by=("history",),
    ),
    # the reference
    _key("reference", TEXT, "what it is compared with", "reference", ("history", "collect")),
    _key(
        "reference_due",
        DATE,
        "until when the reference's own calibration is valid",
        "reference",
        ("history",),
    ),
    _key(
        "reference_uncertainty",
        FRACTION,
        "of the reference's frequency, k = 1 (0: it counts as exact)",
        "reference",
        (*DECIDED, "readings"),
        default=0.0,
    ),
    _key(
        "environment_uncertainty",
        FRACTION,
        "what use elsewhere may add: temperature, orientation, supply; k = 1",
        "reference",
        ("history", "fleet"),
        default=0.0,
    ),
    _key(
        "transport_uncertainty",
        FRACTION,
        "what the way there may add: shock, power off and on; k = 1",
        "reference",
        ("history", "fleet"),
        default=0.0,
    ),
    # who decides
    _key(
        "decision_rule",
        _choice(*RULES),
        "agreed before the data",
        "decision",
        (*VERDICTS, "history", "readings"),
        typed_by=("readings",),
    ),
    _key("rule_chosen_on", DATE, "when the rule was agreed", "decision", (*VERDICTS, "history")),
    _key(
        "decided_by",
        TEXT,
        "who decides on the interval (a blank if not stated)",
        "decision",
        (*VERDICTS, "history"),
    ),
    _key("decided_on", DATE, "when (a blank if not stated)", "decision", (*VERDICTS, "history")),
    _key("analysed_on", DATE, "day of the analysis (today, UTC)", "decision", ("history",)),
    # the counter under test
    _key(
        "permitted",
        FRACTION,
        "permitted part of the reading, 1e-6 or '1 ppm'",
        "counter",
        ("readings",),
        typed_by=("readings",),
        keyword="permitted_relative",
    ),
    _key(
        "least_digits",
        NUMBER,
        "permitted least digits besides",
        "counter",
        ("readings",),
        typed_by=("readings",),
        keyword="permitted_digits",
    ),
    _key(
        "clock_tick",
        TIME,
        "period of its clock, '100 ns'",
        "counter",
        ("readings",),
        typed_by=("readings",),
        keyword="clock_tick_s",
    ),
    _key("input_noise", NUMBER, "volts, root mean square", "counter", ("readings",), keyword="input_noise_v"),
    _key(
        "count_law",
        _choice("triangular", "rectangular", "bound", "in_step"),
        "how the gate counts",
        "counter",
        ("readings",),
    ),
    _key(
        "rated",
        RANGE,
        "rated frequencies, '10 Hz to 100 MHz'",
        "counter",
        ("readings",),
        typed_by=("readings",),
        keyword="rated_hz",
    ),
    _key(
        "locked",
        YES_NO,
        "the stimulus ran from the counter's own timebase",
        "counter",
        ("readings",),
        typed_by=("readings",),
        default=False,
    ),
    # several logs
    _key(
        "offset",
        SIGNED_TIME,
        "start of the second log after that of the first, where they do not state it",
        "comparing",
        ("compare",),
        typed_by=("compare",),
        keyword="offset_s",
    ),
    _key(
        "part_interval",
        _choice("refuse", "accept"),
        "whether readings part of an interval apart are simultaneous",
        "comparing",
        ("compare",),
        default="refuse",
    ),
    _key(
        "common_reference",
        YES_NO,
        "the references are the same although named differently",
        "comparing",
        ("compare",),
        default=False,
    ),
    # collecting
    _key("description", FILE, "what to ask and how to read the answer", "collecting", ("collect",)),
    _key("address", TEXT, "of the instrument", "collecting", ("collect",)),
    _key(
        "beside",
        SOURCES,
        "a second source beside the counter",
        "collecting",
        ("collect",),
        typed_by=("collect",),
    ),
    _key(
        "part",
        DURATION,
        "begin a new file every so often, '1 d'",
        "collecting",
        ("collect",),
        typed_by=("collect",),
        keyword="part_s",
    ),
    _key(
        "part_size",
        COUNT,
        "begin a new file before one grows beyond this many bytes",
        "collecting",
        ("collect",),
        keyword="part_bytes",
    ),
    _key(
        "sync",
        DURATION_OR_ZERO,
        "force rows to the disk this often; 0: every row",
        "collecting",
        ("collect",),
        keyword="sync_s",
        default=1.0,
    ),
    _key(
        "visa_library", NAME, "PyVISA's library (@py: pure Python)", "collecting", ("collect",), default="@py"
    ),
    # what is written
    _key("pdf", YES_NO, "write report.pdf", "output", (*VERDICTS, "history"), default=True),
    _key(
        "file_record",
        YES_NO,
        "make the audit record: decision rule, sensitivity, models, backtest, who decides (slower)",
        "output",
        VERDICTS,
        default=False,
    ),
)
KEYS: Mapping[str, Key] = {key.name: key for key in _DECLARED}


def known_key(name: str) -> Key:
    """Return a key by its name.

    Raises
    ------
    InputError
        If there is none; the sentence names the nearest ones.
    """
    if name in KEYS:
        return KEYS[name]
    from difflib import get_close_matches

    near = get_close_matches(name, KEYS, n=3, cutoff=0.55)
    meant = f"did you mean {' or '.join(near)}?" if near else "'evenbeat bench' lists every key"
    msg = f"there is no key '{name}'; {meant}"
    raise InputError(msg)


@dataclass(frozen=True, kw_only=True)
class Bench:
    """What a bench file says.

    Attributes
    ----------
    path, sha256
        Of the file.
    values
        Key to value, as the library gets it.
    said
        Key to value, as it stands in the file.
    rows
        How the rows of the log are written, where that is stated.
    """

    path: str = ""
    sha256: str = ""
    values: Mapping[str, Any] = field(default_factory=dict)
    said: Mapping[str, object] = field(default_factory=dict)
    rows: Mapping[str, Any] | None = None

    def keywords(self, group: str) -> dict[str, Any]:
        """Return what is stated of one group, by the keywords of the library."""
        return {KEYS[name].keyword: value for name, value in self.values.items() if KEYS[name].group == group}


def read_bench(path: str | Path) -> Bench:
    """Return what a bench file says.

    Raises
    ------
    LogError
        If the file cannot be read, holds a key that is not known, or a value of the wrong type.
    """
    try:
        content = Path(path).read_bytes()
        text = content.decode("utf-8")
    except (OSError, UnicodeError) as error:
        msg = f"the bench file cannot be read ({getattr(error, 'strerror', None) or error})"
        raise LogError(msg, path=path) from None
    return bench_of(text, path, hashlib.sha256(content).hexdigest())


def bench_of(text: str, path: str | Path | None = None, sha256: str = "") -> Bench:
    """Return what the text of a bench file says; see :func:`read_bench`."""
    said = toml_of(text, "bench file", path)
    version, rows = said.pop("version", FILE_VERSION), said.pop("rows", None)
    if version != FILE_VERSION:
        msg = f"the bench file states version {version!r}; this evenbeat reads version {FILE_VERSION}"
        raise LogError(msg, path=path)
    if not isinstance(rows, dict | None):
        msg = "'rows' must be a table, written as [rows]"
        raise LogError(msg, path=path)
    values = {}
    for name, value in said.items():
        place = re.search(rf"^\s*\[?[\"']?{re.escape(name)}\b", text, re.MULTILINE)
        line = None if place is None else text.count("\n", 0, place.end()) + 1
        try:
            key = known_key(name)
        except InputError as error:
            raise LogError(str(error), path=path, line=line) from None
        try:
            values[name] = key.kind.read(value)
            if key.kind is COLUMNS:
                _check_columns(values[name])
        except InputError as error:
            msg = f"{name}: {error}"
            raise LogError(msg, path=path, line=line) from None
        if key.kind is FILE and path is not None:  # beside the bench file; a description may also be shipped
            beside = Path(path).parent / values[name]
            values[name] = str(beside) if name != "description" or beside.is_file() else values[name]
    return Bench(path="" if path is None else str(path), sha256=sha256, values=values, said=said, rows=rows)


def _check_columns(columns: Mapping[str, object]) -> None:
    for role, column in columns.items():
        if isinstance(column, bool) or not isinstance(column, int | str):
            msg = f"column {role} is {column!r}; give a header name or a position counted from 0"
            raise InputError(msg)


def bench_text(said: Mapping[str, object], rows: Mapping[str, object] | None = None) -> str:
    """Return the text of a bench file that says this."""
    plain = {name: value for name, value in said.items() if not isinstance(value, Mapping)}
    tables = {name: value for name, value in said.items() if isinstance(value, Mapping) and value}
    lines = [
        "# A bench file of evenbeat: --bench FILE; 'evenbeat bench' lists every key.",
        *toml_pairs(plain),
    ]
    if rows:
        tables["rows"] = rows
    for name, table in tables.items():
        lines += ["", f"[{name}]", *toml_pairs(table)]
    return "\n".join(lines) + "\n"


def written(keywords: Mapping[str, Any], group: str) -> dict[str, object]:
    """Return keywords of the library as values of a bench file; what is the default is left out."""
    names = {key.keyword: key for key in _DECLARED if key.group == group}
    return {
        names[word].name: names[word].kind.write(value)
        for word, value in keywords.items()
        if word in names and value is not None and value != names[word].default
    }


def typed(keywords: Mapping[str, Any], command: str = "assess") -> str:
    """Return keywords of a log as they are typed on the command line."""
    names = {key.keyword: key for key in _DECLARED if key.group == "log"}
    words = []
    for keyword, value in keywords.items():
        key = names[keyword]
        if key.kind is COLUMNS:
            words += [f"{key.option} '{role}={column}'" for role, column in value.items()]
            continue
        text = str(key.kind.write(value))
        if command in key.typed_by:
            words.append(f"{key.option} {_quoted(text)}")
        else:
            words.append(f"--set {_quoted(f'{key.name}={text}')}")
    return " ".join(words)


def _quoted(text: str) -> str:
    return text if re.fullmatch(r"[\w=.,:/@+-]+", text) else f"'{text}'"


def keys_of(command: str) -> Iterable[Key]:
    """Return the keys that a command uses."""
    return (key for key in _DECLARED if command in key.used_by)
