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
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
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
    unit
        Of what the library gets, at the end of its keyword.
    """

    metavar: str
    accepts: str
    parse: Callable[[str], Any]
    toml: tuple[type, ...] = ()
    write: Callable[[Any], object] = lambda value: value
    unit: str = ""

    def checked(self, text: str) -> str:
        """Return a text that can be parsed."""
        self.parse(text)
        return text

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


def _whole(least: int) -> Callable[[str], int]:
    def parse(text: str) -> int:
        if not (text.strip().isascii() and text.strip().isdigit() and int(text) >= least):
            msg = f"'{text}' is not a {'positive ' * (least > 0)}whole number"
            raise InputError(msg)
        return int(text)

    return parse


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
WHOLE = Kind("N", "a whole number", _whole(0), toml=(int,))
COUNT = Kind("N", "a positive whole number", _whole(1), toml=(int,))
YES_NO = Kind("yes|no", "yes or no (true or false)", _answer, toml=(bool,))
NAMES = Kind(
    "NAME",
    "names, separated by commas",
    lambda text: tuple(word.strip() for word in text.split(",") if word.strip()),
    toml=(list,),
    write=list,
)
DURATION = Kind("T", "a duration such as '10 s' or '3 months'", parse_duration, _NUMBERS, _exactly("s"), "_s")
DURATION_OR_ZERO = Kind(
    "T", "a duration such as '10 s', or 0", _duration_or_zero, _NUMBERS, _exactly("s"), "_s"
)
SIGNED_TIME = Kind("T", "a time such as '2 s' or '-1.5 s'", _signed_time, _NUMBERS, _exactly("s"), "_s")
TIME = Kind("T", "a time such as '1.5 us'", parse_time, _NUMBERS, _exactly("s"), "_s")
FREQUENCY = Kind("F", "a frequency such as '10 MHz'", parse_frequency, _NUMBERS, _frequency, "_hz")
RANGE = Kind("F", "a range such as '10 Hz to 100 MHz'", _range, unit="_hz")
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

CLASSES = ("uncompensated", "temperature_compensated", "oven", "rubidium", "caesium")


@dataclass(frozen=True, kw_only=True)
class Key:
    """One option.

    Parameters
    ----------
    name
        In a bench file and after ``--set``.
    keyword
        Of the library: the name with the unit.
    default
        What holds where nothing is stated.
    used_by
        Commands that use it; the others pass over it.
    typed_by
        Commands that have it as an option of their own; ``option`` is that.
    """

    name: str
    keyword: str
    kind: Kind
    default: Any
    help: str
    group: str
    used_by: tuple[str, ...]
    typed_by: tuple[str, ...]

    @property
    def option(self) -> str:
        """How it is typed by the commands that have it as an option."""
        return "--column" if self.kind is COLUMNS else f"--{self.name.replace('_', '-')}"


_DECLARED = """
question: what is asked
  tolerance: limits | assess* compare* history* fleet* add* | limit of the fractional offset
  reliability: fraction = 0.95 | assess compare history* fleet* | probability of staying within tolerance
  guard_band: fraction | assess compare history | held back from either limit
  from (start): moment | assess* compare* | assess the log from here on
  until (stop): moment | assess* compare* | assess the log until before this
  as_left: uncertain | assess compare | offset after an adjustment at the end of the log
  time_error_limit: time | assess compare | ask how long the time error stays within this
  aging: auto/none/linear/logarithmic = auto | assess compare | aging law
  environment: names | assess compare | covariates to model, NAME or NAME:ORDER of its curve (1 to 3), or
      'none'; default every temperature
  on_grid: duration | assess compare | put readings at times of their own on a grid of this spacing first
  meaning: end_of_period/average_over_period/never_left = end_of_period | history | what the reliability is
      the probability of
  calendar_unit: day/week/month/quarter/year | history | unit to round the interval down to
  longest_interval: duration | history fleet | longest interval that policy allows
  first_interval: duration = 1 year | fleet | longest interval after a single calibration
  soon: duration = 30 d | fleet* | how long before its day an instrument is 'due soon'

instrument: the instrument
  oscillator_class: class | assess compare history* add* | what is usual for it helps where data are few;
      inferred from calibrations
  instrument: names | assess compare history* | whose rows, where a table holds several instruments

log: what the log holds, where it does not say so itself
  quantity: quantity | logs* | what the values are
  unit: text | logs* | unit of the values: Hz, MHz, s, ns, ppm, ppb, 1 …
  nominal_frequency: frequency | logs* history* add* import* collect* | nominal frequency, '10 MHz'
  interval: duration | logs* collect* | from one reading to the next, '10 s'
  gate: duration | logs collect | length of a gate, '10 s'
  columns: columns | logs* | column by name or position from 0: value=…, time=…, oven_temperature_c=…
  reading_of: device/reference | logs | what was read: the device under test, or the reference by the
      device's own timebase
  time_zone: text | logs | zone of times without one, 'Europe/Lisbon'
  time_unit: time_unit | logs | unit of a time column of numbers
  date_order: day-first/month-first | logs history import | for dates such as 03/04/2026
  clock: name | logs | clock in a file of several, such as a RINEX clock file
  signal: name | logs | signal of a CGGTTS file that holds several, such as L3P
  counter_weighting: plain/triangular/regression | logs | how the counter averages over its gate
  bad_lines: refuse/reject = refuse | logs | refuse a log with a line that cannot be read, or reject such
      lines and count them
  partial: yes_no = no | logs | read the complete lines of a file cut off or still written
  select: text | logs | read the rows with this label, of several oscillators in one log
  every: count | logs | read every N-th row, of N oscillators logged in turn (1: all rows are of one)
  row_offset (offset): whole = 0 | logs | with every: from this row on, counted from 0

conditioning: how the log is conditioned
  skip_checks: names = , | assess compare inspect | checks not to make: outliers, steps, warm_up, wraps,
      pulses, bit_errors …
  wrap_period: time | assess compare inspect | period of a wrapped phase log, '100 ns'
  pulse_period: duration | assess compare inspect | period of the pulses of a phase log (1 s for intervals
      of whole seconds)
  sawtooth: text | assess compare inspect | column of a GNSS receiver's correction, to be subtracted (-NAME
      adds it)
  sawtooth_rows: whole = 0 | assess compare inspect | how many rows later than its correction a pulse is
      logged
  outlier_threshold: number = 5.0 | assess compare inspect | robust standard deviations from which a reading
      is an outlier

comparing: how several logs are brought together
  offset: signed_time | compare* | start of the second log after that of the first, where they do not state
      it
  part_interval: refuse/accept = refuse | compare | whether readings part of an interval apart are
      simultaneous
  common_reference: yes_no = no | compare | the references are the same although named differently

table: calibrations
  history: file | assess compare | calibrations of the same clock beside the log
  history_from: date | assess compare | only calibrations from this day on
  drift_law: auto/constant/logarithmic/wandering = auto | history | auto: all of them, by how well they
      predict the history
  family: related/identical = related | history | how several tables belong together
  results: file | history* | dated results (date, tolerance, name) to be judged if it was out

reference: the reference and what use adds
  reference: text | history collect | what it is compared with
  reference_due: date | history | until when the reference's own calibration is valid
  reference_uncertainty: fraction = 0.0 | assess compare history fleet readings | of the reference's
      frequency, k = 1 (0: it counts as exact)
  environment_uncertainty: fraction = 0.0 | history fleet | what use elsewhere may add: temperature,
      orientation, supply; k = 1
  transport_uncertainty: fraction = 0.0 | history fleet | what the way there may add: shock, power off and
      on; k = 1

decision: who decides, and by which rule
  decision_rule: rule | assess compare history readings* | agreed before the data
  rule_chosen_on: date | assess compare history | when the rule was agreed
  decided_by: text | assess compare history | who decides on the interval (a blank if not stated)
  decided_on: date | assess compare history | when (a blank if not stated)
  analysed_on: date | history | day of the analysis (today, UTC)

counter: the counter under test, where its sheet does not say so itself
  permitted (permitted_relative): fraction | readings* | permitted part of the reading, 1e-6 or '1 ppm'
  least_digits (permitted_digits): number | readings* | permitted least digits besides
  clock_tick: time | readings* | period of its clock, '100 ns'
  input_noise (input_noise_v): number | readings | volts, root mean square
  count_law: triangular/rectangular/bound/in_step | readings | how the gate counts
  rated: range | readings* | rated frequencies, '10 Hz to 100 MHz'
  locked: yes_no = no | readings* | the stimulus ran from the counter's own timebase

collecting: how a live instrument is logged
  description: file | collect | what to ask and how to read the answer
  address: text | collect | of the instrument
  beside: sources | collect* | a second source beside the counter
  part: duration | collect* | begin a new file every so often, '1 d'
  part_size (part_bytes): count | collect | begin a new file before one grows beyond this many bytes
  sync: duration_or_zero = 1 s | collect | force rows to the disk this often; 0: every row
  visa_library: name = @py | collect | PyVISA's library (@py: pure Python)

output: what is written
  pdf: yes_no = yes | assess compare history | write report.pdf
  file_record: yes_no = no | assess compare | make the audit record: decision rule, sensitivity, models,
      backtest, who decides (slower)
"""
"""Groups with their titles; in each a key a line: name, keyword of the library where it is another, kind and
default; commands that use it, with a star those that have it as an option; what it says."""
_CHOICES = {
    "class": CLASSES,
    "time_unit": ("ns", "us", "ms", "s", "min", "h", "d"),
    "quantity": (
        *("frequency", "fractional_frequency", "frequency_ratio", "frequency_difference", "period"),
        *("phase", "time_interval", "interval_error", "count"),
    ),
    "rule": (
        *("simple_acceptance", "guard_band", "guard_band_0.83", "guard_band_1.5", "guard_band_3"),
        *("root_sum_of_squares", "non_binary"),
    ),
}
_COMMANDS = {
    "logs": ("assess", "compare", "inspect", "convert", "fleet"),
    "logs*": ("assess*", "compare*", "inspect*", "convert*", "fleet"),
    "add*": ("register add-instrument*",),
    "import": ("register import",),
    "import*": ("register import*",),
}


def _declared() -> tuple[dict[str, str], dict[str, Key]]:
    """Return the groups and the keys of the table."""
    groups: dict[str, str] = {}
    keys: dict[str, Key] = {}
    group = ""
    for line in re.sub(r"\n {6}", " ", _DECLARED).splitlines():
        if not line.startswith(" "):
            group, _, title = line.partition(": ")
            groups |= {group: title} if group else {}
            continue
        declaration, commands, says = line.strip().split(" | ")
        name, keyword, typed, default = re.fullmatch(
            r"(\w+)(?: \((\w+)\))?: (\S+)(?: = (.+))?", declaration
        ).groups()  # type: ignore[union-attr]
        choices = typed.split("/") if "/" in typed else _CHOICES.get(typed)
        kind = _choice(*choices) if choices else globals()[typed.upper()]
        used = [one for word in commands.split() for one in _COMMANDS.get(word, (word,))]
        keys[name] = Key(
            name=name,
            keyword=keyword or name + kind.unit,
            kind=kind,
            default=None if default is None else kind.parse(default),
            help=says,
            group=group,
            used_by=tuple(word.rstrip("*") for word in used),
            typed_by=tuple(word[:-1] for word in used if word.endswith("*")),
        )
    return groups, keys


GROUPS, KEYS = _declared()


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


@dataclass(frozen=True, kw_only=True)
class Stated:
    """What was stated for one command: what was typed wins over the bench file.

    Attributes
    ----------
    values
        Key to value, as the library gets it.
    typed
        Key to text, of what stood on the command line.
    """

    command: str
    bench: Bench
    values: Mapping[str, Any]
    typed: Mapping[str, str]

    @classmethod
    def of(cls, command: str, bench: Bench, typed: Mapping[str, Sequence[str]]) -> Stated:
        """Return what a bench file and typed texts state; of several texts of a key, tables are joined.

        Raises
        ------
        InputError
            If a text cannot be used.
        """
        values = {name: value for name, value in bench.values.items() if command in KEYS[name].used_by}
        for name, texts in typed.items():
            given = [KEYS[name].kind.parse(text) for text in texts]
            if isinstance(given[0], dict):
                values[name] = {**values.get(name, {}), **{k: v for part in given for k, v in part.items()}}
            elif isinstance(given[0], tuple) and KEYS[name].kind is NAMES:
                values[name] = tuple(value for part in given for value in part)
            else:
                values[name] = given[-1]
        said = {name: ",".join(texts) for name, texts in typed.items()}
        return cls(command=command, bench=bench, values=values, typed=said)

    @classmethod
    def again(cls, command: str, settings: Mapping[str, Any]) -> Stated:
        """Return what :meth:`settings` told of."""
        said = settings.get("bench") or {}
        bench = bench_of(bench_text(said.get("said", {}), said.get("rows")))
        typed = settings.get("typed") or {}
        return cls.of(command, bench, {name: [text] for name, text in typed.items()})

    def __getitem__(self, name: str) -> Any:
        """Return the value of a key, its default where nothing is stated."""
        return self.values.get(name, KEYS[name].default)

    def keywords(self, *groups: str) -> dict[str, Any]:
        """Return the keys of some groups that the command uses, by the keywords of the library."""
        return {key.keyword: self[key.name] for key in keys_of(self.command) if key.group in groups}

    def any_of(self, group: str) -> bool:
        """Return whether anything of a group is stated."""
        return any(KEYS[name].group == group for name in self.values)

    @property
    def layout(self) -> Bench:
        """How the rows of a log are written; its other keys are keywords already."""
        return replace(self.bench, values={})

    def settings(self) -> dict[str, object]:
        """Return what a result tells of it, enough to compute it again: bench file and what was typed."""
        bench = {"file": Path(self.bench.path).name, "sha256": self.bench.sha256, "said": self.bench.said}
        if self.bench.rows is not None:
            bench["rows"] = self.bench.rows
        known = {"bench": bench} if self.bench.path else {}
        return {"command": self.command, **known, "typed": dict(self.typed)}


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
    names = {key.keyword: key for key in KEYS.values() if key.group == group}
    return {
        names[word].name: names[word].kind.write(value)
        for word, value in keywords.items()
        if word in names and value is not None and value != names[word].default
    }


def typed(keywords: Mapping[str, Any], command: str = "assess") -> str:
    """Return keywords of a log as they are typed on the command line."""
    names = {key.keyword: key for key in KEYS.values() if key.group == "log"}
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
    return (key for key in KEYS.values() if command in key.used_by)
