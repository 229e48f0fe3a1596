"""Descriptions: what is shipped can be used, and what is wrong in a file is said in one sentence."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from evenbeat.errors import InputError
from evenbeat.instruments.description import read_description, shipped_descriptions

GOOD = '[reading]\nquantity = "frequency"\nunit = "Hz"\n'
# SCPI-1999 volume 2 (READ?, MEASure, SYSTem:ERRor) and IEEE Std 488.2 (commands with a star), from memory
STANDARD = re.compile(
    r"\*(?:IDN\?|CLS)|(?:READ|MEASure):(?:FREQuency|TINTerval|TEMPerature)\?|SYSTem:ERRor\?"
)


@pytest.mark.parametrize("name", shipped_descriptions())
def test_shipped_description_sends_only_standard_commands(name: str) -> None:
    """Every line that is sent is of IEEE 488.2 or SCPI-1999, and none of them resets or configures."""
    description = read_description(name)
    sent = [description.ask, description.identify, description.errors, *description.prepare]

    assert all(STANDARD.fullmatch(line) for line in sent if line)
    assert description.ask or name.endswith("_talker")


def test_shipped_by_measurement_type() -> None:
    """Frequency and time interval can be asked for and listened to."""
    assert set(shipped_descriptions()) >= {
        "frequency_query",
        "time_interval_query",
        "frequency_talker",
        "time_interval_talker",
        "temperature_query",
        "temperature_talker",
    }
    assert read_description("frequency_query").for_clock().column == "frequency_Hz"


def test_own_description_is_read(tmp_path: Path) -> None:
    """Every key of a file arrives."""
    path = tmp_path / "mine.toml"
    path.write_text(
        'title = "my counter"\n[reading]\nquantity = "fractional_frequency"\nunit = "1e-11"\nask = "X?"\n'
        "value = 'F=(?P<value>[-+.0-9]+)'\nevery_s = 10\ntime_limit_s = 3.5\n"
        '[session]\nprepare = ["A", "B"]\nline_end = "\\r\\n"\nbaud = 19200\n'
    )
    description = read_description(path).for_clock()

    assert (description.name, description.title, description.ask) == ("mine", "my counter", "X?")
    assert (description.every_s, description.time_limit_s, description.baud) == (10.0, 3.5, 19200)
    assert (description.prepare, description.line_end) == (("A", "B"), "\r\n")
    assert description.column == "fractional_frequency [1e-11]"


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ("[reading", "not valid TOML"),
        ("", r"\[reading\] has no quantity"),
        ('[reading]\nquantity = "frequency"', r"\[reading\] has no unit"),
        (GOOD + "every = 3", r"\[reading\] has an unknown key 'every'; it may have quantity, unit, ask"),
        (GOOD + "every_s = 0", r"every_s is 0; it must be a positive number"),
        (GOOD + "every_s = inf", r"every_s is inf; it must be a positive number"),
        (GOOD + 'every_s = "1"', r"every_s is '1'; it must be a positive number"),
        (GOOD + "ask = 3", r"ask is 3; it must be a text"),
        (GOOD + "value = '('", "value is not a regular expression"),
        (GOOD + "value = '.*'", r"value needs a group \(\?P<value>"),
        (GOOD + "[session]\nbaud = -1", "baud is -1; it must be a positive whole number"),
        (GOOD + "[session]\nprepare = [1]", r"prepare is \[1\]; it must be a list of texts"),
        (GOOD + "[other]\nx = 1", "'other' is unknown; a description has a title and the tables"),
        (GOOD.replace("Hz", "s"), "'s' is not a unit of the quantity 'frequency'"),
        (GOOD.replace("Hz", "furlong"), "'furlong' is not a known unit"),
        (GOOD.replace("frequency", "colour"), "the quantity is 'colour'; for a clock give frequency"),
    ],
)
def test_bad_description_gets_one_sentence(tmp_path: Path, content: str, sentence: str) -> None:
    """The sentence names the file, the key, what was found and what would be accepted."""
    path = tmp_path / "bad.toml"
    path.write_text(content)
    with pytest.raises(InputError, match=sentence) as caught:
        read_description(path).for_clock()
    assert "bad" in str(caught.value)


def test_unknown_name_lists_what_is_shipped() -> None:
    """A name that is neither file nor shipped is answered with the names that are."""
    with pytest.raises(InputError, match=r"there is no such file; give one or a name of .*frequency_query"):
        read_description("frequency_querry")
