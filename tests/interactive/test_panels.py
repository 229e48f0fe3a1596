"""The panels: every control through its range, errors in words, no growth, and calls that say the same."""

from __future__ import annotations

import base64
import gc
import re
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from evenbeat import interactive
from evenbeat.errors import InputError
from evenbeat.figures.lessons import NoiseMixtureBoard, SeenMixture

OTHERS = ("log_panel", "allan_ruler", "interval_wall", "own_curve", "watch", "predict", "exercises", "score")
FOLLOWING = [name for name in interactive.__all__ if name not in OTHERS]
QUIET = {"prediction", "minimum_coverage", "diagnosis", "confidence"}
"""Controls that may leave the picture as it is: a guess changes words, and a whole average needs no share."""
SLOW = ("aging_explorer", "interval_explorer", "noise_mixer")
"""Panels whose controls are moved among the slow tests only, through their whole range."""


def picture(panel: Any) -> bytes:
    """Return the PNG that a panel shows."""
    found = re.search(r'base64,([^"]+)"', panel.picture.value)
    assert found is not None, panel.words.value
    return base64.b64decode(found[1])


def edges(control: Any) -> list[Any]:
    """Return values of a control from one end of its range to the other."""
    if hasattr(control, "options"):
        values = [option[1] if isinstance(option, tuple) else option for option in control.options]
        return values if len(values) < 4 else [values[0], values[len(values) // 2], values[-1]]
    if isinstance(control.value, bool):
        return [not control.value, control.value]
    low, high = control.min, control.max
    if hasattr(control, "base"):
        low, high = control.base**low, control.base**high
    return [low, high]


def executed(call: str) -> dict[str, Any]:
    """Run the call that a panel shows and return its names."""
    names: dict[str, Any] = {}
    exec(call, names)
    return names


@pytest.fixture(scope="module")
def panels() -> dict[str, Any]:
    """Return each panel once, made when it is asked for."""
    return {}


@pytest.fixture
def panel(request: pytest.FixtureRequest, panels: dict[str, Any]) -> Any:
    """Return the panel of the parameter."""
    if request.param not in panels:
        panels[request.param] = getattr(interactive, request.param)()
    return panels[request.param]


@pytest.mark.slow
@pytest.mark.parametrize("panel", [name for name in FOLLOWING if name not in SLOW], indirect=True)
def test_every_control_acts(panel: Any) -> None:
    """The far end of each control gives a picture or a refusal in words, and moves the picture if it acts."""
    go_through(panel, lambda control: [value for value in edges(control) if value != control.value][-1:])


@pytest.mark.slow
@pytest.mark.parametrize("panel", FOLLOWING, indirect=True)
def test_every_control_through_its_range(panel: Any) -> None:
    """Likewise of both ends and the middle of each control."""
    go_through(panel, edges)


def go_through(panel: Any, values_of: Callable[[Any], list[Any]]) -> None:
    """Move each control to some values and back, and see what the panel makes of them."""
    if "share" in panel.controls:
        panel.controls["share"].value = 0.2  # without a gap it does not matter where the gaps are
    for name, control in panel.controls.items():
        start, seen = control.value, {picture(panel)}
        for value in values_of(control):
            control.value = value
            assert "evenbeat-fault" not in panel.words.value
            if panel.lesson is None:
                assert panel.refusal in panel.words.value.replace("&#x27;", "'")
                assert "evenbeat-old" in panel.picture._dom_classes
            else:
                seen.add(picture(panel))
        greyed = control.disabled
        control.value = start
        if name not in QUIET:
            assert greyed == (len(seen) == 1), name


@pytest.mark.grid(4)
@pytest.mark.parametrize("panel", FOLLOWING, indirect=True)
def test_described_in_words(panel: Any) -> None:
    """The picture has a description that holds the sentence; every control has a name."""
    panel.refresh()
    alt = re.search(r'alt="([^"]+)"', panel.picture.value)
    assert alt is not None
    assert len(alt[1]) > 120
    assert panel.lesson.sentence[:20].replace("'", "&#x27;") in alt[1]
    assert 'role="status"' in panel.words.value
    assert all(control.description for control in panel.controls.values())


def test_noise_mixer_says_the_call() -> None:
    """The call gives the very record, curve and spectrum that the panel drew."""
    panel = interactive.noise_mixer(seed=3)
    panel.set(flicker_pm_on=True, flicker_pm=2e-12)
    names = executed(panel.lesson.call)
    assert np.array_equal(names["record"].values, panel.lesson.record.values)
    assert np.array_equal(names["curve"].deviation, panel.lesson.curves["overlapping_allan"].deviation)
    assert np.array_equal(names["density"].frequency_density, panel.lesson.density.frequency_density)


def test_gap_explorer_says_the_call() -> None:
    """The call gives the very record with its holes, and its deviation."""
    panel = interactive.gap_explorer(seed=2)
    panel.set(share=0.2, pattern="every night", exponent=-1, samples=2048, statistic="modified_allan")
    names = executed(panel.lesson.call)
    assert np.array_equal(names["record"].values, panel.lesson.record.values, equal_nan=True)
    assert np.array_equal(names["curve"].deviation, panel.lesson.curve.deviation, equal_nan=True)


@pytest.mark.parametrize(
    "course", ["slowing down", *(pytest.param(each, marks=pytest.mark.slow) for each in ("steady", "none"))]
)
def test_aging_explorer_says_the_call(course: str, capsys: pytest.CaptureFixture[str]) -> None:
    """The call fits the very model, whatever the course."""
    panel = interactive.aging_explorer()
    panel.set(days=30, course=course, rate=-7.0)
    names = executed(panel.lesson.call)
    assert names["model"].aging_rate().value == panel.lesson.model.aging_rate().value
    assert str(panel.lesson.model.least_squares.rate.per_day) in capsys.readouterr().out


def test_holdover_game_says_the_call(capsys: pytest.CaptureFixture[str]) -> None:
    """The call prints the very forecast."""
    panel = interactive.holdover_game(seed=4)
    executed(panel.lesson.call)
    assert str(panel.lesson.game.forecast) in capsys.readouterr().out


@pytest.mark.parametrize("adjusted", [pytest.param(False, marks=pytest.mark.slow), True])
def test_interval_explorer_says_the_call(*, adjusted: bool) -> None:
    """The call suggests the very interval, although the panel remembers forecasts."""
    panel = interactive.interval_explorer()
    panel.set(tolerance=3e-9, adjusted=adjusted, setpoint=-25.0, reliability=0.9)
    names = executed(panel.lesson.call)
    assert names["suggestion"].interval_s == panel.lesson.suggestion.interval_s
    assert str(panel.lesson.date)[:10] in panel.words.value
    whole = panel.lesson.suggestion.rounded
    assert names["suggestion"].rounded == whole
    assert f"within {whole}:" in panel.words.value
    assert whole.due <= panel.lesson.date.astype("datetime64[D]").item()


def test_interval_explorer_takes_a_model() -> None:
    """A model of the reader's own is used, and not made in the call."""
    from evenbeat.lessons.next_calibration import example_model

    panel = interactive.interval_explorer(example_model(5), tolerance=5e-9)
    assert panel.controls["tolerance"].value == pytest.approx(5e-9)
    assert "example_model" not in panel.lesson.call


@pytest.mark.parametrize("method", ["direct", "reciprocal"])
def test_counter_explorer_says_the_call(method: str) -> None:
    """The call gives the very uncertainty."""
    panel = interactive.counter_explorer()
    panel.set(method=method, frequency_hz=1234.5, gate_s=0.2)
    reading = executed(panel.lesson.call)["reading"]
    assert reading.budget.standard_uncertainty == panel.lesson.reading.budget.standard_uncertainty
    assert reading.budget.limited_by in panel.lesson.sentence


def test_refusals_are_sentences_and_go_away() -> None:
    """With every noise off there is no clock: words instead, and the last picture stays, greyed and named."""
    panel = interactive.noise_mixer()
    before = picture(panel)
    panel.set(white_fm_on=False, random_walk_fm_on=False)
    assert panel.lesson is None
    assert picture(panel) == before
    assert "evenbeat-old" in panel.picture._dom_classes
    assert 'alt="No longer asked for: ' in panel.picture.value
    assert 'role="alert"' in panel.words.value
    assert "switch one on" in panel.words.value
    assert "visibility: hidden" in panel.call.value
    panel.controls["white_fm_on"].value = True
    assert panel.refusal == ""
    assert picture(panel)
    assert "evenbeat-old" not in panel.picture._dom_classes
    assert "No longer asked for" not in panel.picture.value


@pytest.mark.grid(2)
@pytest.mark.parametrize(
    ("panel", "slider", "switch", "on"),
    [
        ("noise_mixer", "flicker_pm", "flicker_pm_on", True),
        ("interval_explorer", "setpoint", "adjusted", True),
        ("counter_explorer", "noise_v", "method", "reciprocal"),
        ("gap_explorer", "pattern", "share", 0.1),
    ],
    indirect=["panel"],
)
def test_what_does_nothing_is_greyed(panel: Any, slider: str, switch: str, on: object) -> None:
    """A control whose part is switched off cannot be moved; switched on it can."""
    if switch == "share":
        panel.controls[switch].value = 0.0
    off = panel.controls[switch].value
    assert panel.controls[slider].disabled
    panel.controls[switch].value = on
    assert not panel.controls[slider].disabled
    panel.controls[switch].value = off
    assert panel.controls[slider].disabled


@pytest.mark.parametrize("panel", ["noise_mixer", "holdover_game", "gap_explorer"], indirect=True)
def test_controls_answer_while_they_move(panel: Any) -> None:
    """No slider waits until it is let go."""
    sliders = [each for each in panel.controls.values() if hasattr(each, "continuous_update")]
    assert sliders
    assert all(each.continuous_update for each in sliders)


@pytest.mark.slow
def test_words_have_the_ink_of_the_theme() -> None:
    """No fixed dark colour stands in the words of a panel: on a dark page it could not be read."""
    panels = [interactive.noise_mixer(), interactive.log_panel()]
    panels[1].assess.click()
    for panel in panels:
        words = [each.value for each in panel.children if hasattr(each, "value")] + [panel.words.value]
        assert any("var(--jp-content-font-color1, inherit)" in each for each in words)
        assert not any("color: #2" in each for each in words)


@pytest.mark.slow
def test_the_mixer_draws_the_sum_of_what_it_draws_beside_it() -> None:
    """x(t) is y(t) added up, from zero on; only the labelled switch takes its slope out."""
    lesson = interactive.noise_mixer(seed=3).lesson
    board = NoiseMixtureBoard()

    def drawn(*, slope_removed: bool) -> tuple[Any, str]:
        board.png(SeenMixture(lesson, slope_removed=slope_removed))
        x, y = (ax.lines[-1].get_ydata() for ax in board.axes[:2])
        assert len(x) == len(y) + 1
        return np.diff(x) / np.diff(x).std(), board.axes[0].get_title(loc="left")

    steps, _ = drawn(slope_removed=False)
    y = lesson.record.values
    assert np.corrcoef(steps, y)[0, 1] == pytest.approx(1.0)
    assert np.mean(steps) / np.std(steps) == pytest.approx(np.mean(y) / np.std(y))
    steps, title = drawn(slope_removed=True)
    assert abs(np.mean(steps)) < 1e-9
    assert "slope removed" in title


@pytest.mark.slow
def test_the_game_is_played_in_units_of_time() -> None:
    """The sliders name their unit, reach as far as the axis of the clock, and mean what they say."""
    game = interactive.holdover_game(seed=2)
    for _ in range(2):
        guess = game.controls["guess"]
        unit = re.search(r"\[(\S+)\]$", guess.description)[1]
        size = {"ns": 1e-9, "µs": 1e-6, "ms": 1e-3}[unit]
        assert guess.max * size == pytest.approx(0.5 * game.lesson.game.widest_s)
        guess.value = guess.max / 2
        assert game.lesson.guess_s == pytest.approx(0.25 * game.lesson.game.widest_s)
        assert game.controls["half_width"].description.endswith(f"[{unit}]")
        game.further.click()


def test_the_interval_explorer_opens_on_a_question() -> None:
    """At first the tolerance decides, not the end of the record; the switch makes the setpoint count."""
    panel = interactive.interval_explorer()
    assert panel.lesson.suggestion.limited_by == "tolerance"
    assert 0 < panel.lesson.suggestion.interval_s < 0.9 * panel.lesson.model.record.duration_s


def test_a_fault_is_seen_and_raised() -> None:
    """An error that is not ours to raise is written into the panel and does not vanish in it."""
    panel = interactive.counter_explorer()

    def broken(**_values: object) -> None:
        message = "not as planned"
        raise ZeroDivisionError(message)

    panel._answer = broken
    with pytest.raises(ZeroDivisionError, match="not as planned"):
        panel.controls["gate_s"].value = 10.0
    assert "evenbeat-fault" in panel.words.value
    assert "not as planned" in panel.words.value
    assert panel.lesson is None


@pytest.mark.parametrize("panel", ["noise_mixer"], indirect=True)
def test_prediction_is_asked_before_it_is_told(panel: Any) -> None:
    """While hidden neither sentence nor picture gives the slope; a wrong and a right guess are told apart."""
    options = dict(panel.controls["prediction"].options)
    shown, hidden = list(options)[:2]
    whole = picture(panel)
    panel.controls["prediction"].value = options[hidden]
    assert "white FM" not in panel.words.value
    assert picture(panel) != whole
    right = next(value for name, value in options.items() if name.endswith(" −1/2"))
    wrong = next(value for name, value in options.items() if name.endswith(" −1"))
    panel.controls["prediction"].value = right
    assert "Right." in panel.words.value
    panel.controls["prediction"].value = wrong
    assert "Not so: the slope is −1/2." in panel.words.value
    panel.controls["prediction"].value = options[shown]
    assert picture(panel) == whole


@pytest.mark.slow
def test_the_game_keeps_score_of_first_reveals() -> None:
    """The truth is hidden until revealed, a clock counts once, and the next clock hides again."""
    game = interactive.holdover_game(seed=2)
    assert "It was" not in game.words.value
    hidden = picture(game)
    game.reveal.click()
    assert "It was" in game.words.value
    assert picture(game) != hidden
    first = dict(game.score)
    game.controls["guess"].value = 0.9 * game.controls["guess"].max
    assert "It was" not in game.words.value
    game.reveal.click()
    assert game.score == first
    game.further.click()
    assert game.lesson.game.number == 2
    assert not game.lesson.revealed
    game.reveal.click()
    assert len(game.score) == 2
    assert "2 rounds" in game.tally.value


def test_log_panel_assesses_refuses_and_shows(demo_data: Path) -> None:
    """A path gives verdict, pictures and call; a missing file gives a sentence; then all works again."""
    panel = interactive.log_panel(demo_data / "fulmar-evening.csv", tolerance=1e-7)
    panel.assess.click()
    assert panel.refusal == ""
    assert "In tolerance now" in panel.words.value
    assert picture(panel)
    assert executed(panel.lesson.call)["assessment"].verdict == panel.lesson.assessment.verdict
    panel.show.value = "aging"
    assert "no picture" in panel.picture.value
    panel.controls["path"].value = "no-such-log.csv"
    panel.assess.click()
    assert "no-such-log.csv" in panel.refusal
    assert panel.lesson is None
    assert not panel.assess.disabled
    panel.controls["path"].value = ""
    panel.assess.click()
    assert "no log is chosen" in panel.refusal


def test_log_panel_takes_two_limits(demo_data: Path) -> None:
    """With an upper limit the tolerance is the lower one, in the verdict, the call and the command."""
    panel = interactive.log_panel(demo_data / "fulmar-evening.csv", tolerance=(-2e-8, 1e-7))
    panel.assess.click()
    assert "-2e-08 to +1e-07" in panel.words.value.replace("−", "-")
    assert "tolerance=(-2e-08, 1e-07)" in panel.lesson.call
    assert "--tolerance=-2e-08:1e-07" in panel.lesson.call
    panel.controls["tolerance"].value = ""
    panel.assess.click()
    assert "the lower one is missing" in panel.refusal
    panel.controls["tolerance"].value = "1"
    panel.assess.click()
    assert "the lower one first" in panel.refusal


def test_an_upload_comes_in_parts() -> None:
    """Parts are put together in their order, answered one by one, and count when all are there."""
    upload = interactive.log_panel().controls["upload"]
    answers: list[Any] = []
    upload.send = answers.append
    content = bytes(range(256)) * 40
    for at in range(0, len(content), 4096):
        assert upload.value == ()
        told = {"name": "parts.txt", "at": at, "size": len(content)}
        upload._handle_custom_msg(told, [memoryview(content[at : at + 4096])])
    assert upload.value == ({"name": "parts.txt", "content": content},)
    assert [answer["have"] for answer in answers] == [4096, 8192, len(content)]


def test_log_panel_takes_an_upload(demo_data: Path) -> None:
    """What was uploaded goes before the path, and is called by its name."""
    panel = interactive.log_panel("ignored.csv")
    content = (demo_data / "fulmar-evening.csv").read_bytes()
    upload = {"name": "evening.csv", "type": "text/csv", "size": len(content), "content": memoryview(content)}
    panel.controls["upload"].value = ({**upload, "last_modified": np.datetime64("now").item()},)
    panel.assess.click()
    assert panel.refusal == ""
    assert "'evening.csv'" in panel.lesson.call


def test_a_newline_in_a_name_stays_in_its_comment(demo_data: Path) -> None:
    """Every line of the call below the shell's heading is a comment, and Python reads the rest."""
    content = (demo_data / "fulmar-evening.csv").read_bytes()
    panel = interactive.log_panel("ignored.csv")
    upload = {"name": "a\nimport os.csv", "type": "text/csv", "size": len(content)}
    upload |= {"content": memoryview(content), "last_modified": np.datetime64("now").item()}
    panel.controls["upload"].value = (upload,)
    panel.assess.click()
    call = panel.lesson.call

    assert call.partition("# or in a shell:")[2].strip() == r"# evenbeat assess $'a\nimport os.csv'"
    compile(call, "call", "exec")


def test_log_panel_refuses_an_upload_in_its_own_words() -> None:
    """The file goes by the reader's name for it, and what to state by the name of its field."""
    panel = interactive.log_panel()
    content = b"10000000.01\n10000000.02\n10000000.03\n" * 9
    upload = {"name": "bare.txt", "type": "text/plain", "size": len(content), "content": memoryview(content)}
    panel.controls["upload"].value = ({**upload, "last_modified": np.datetime64("now").item()},)
    panel.assess.click()
    assert panel.refusal.startswith("bare.txt: the log has no time column")
    assert "the field 'interval of readings'" in panel.refusal
    assert "--" not in panel.refusal


@pytest.mark.parametrize(
    ("fields", "complaint"),
    [({"tolerance": "tight"}, "'tight'"), ({"interval": "soon"}, "soon"), ({"unit": "furlong"}, "furlong")],
)
def test_log_panel_names_the_field(demo_data: Path, fields: dict[str, str], complaint: str) -> None:
    """What cannot be read in a field is quoted."""
    panel = interactive.log_panel(demo_data / "fulmar-evening.csv")
    for name, value in fields.items():
        panel.controls[name].value = value
    panel.assess.click()
    assert complaint in panel.refusal


def grown(make: Callable[[], Any], name: str, values: list[Any], times: int) -> tuple[int, Any]:
    """Return by how many bytes memory grew over many changes of one control, and the panel."""
    panel = make()
    tracemalloc.start()
    for value in values * 3:  # caches of fonts and tick labels fill up, and the latest result is held
        panel.controls[name].value = value
    gc.collect()
    before = tracemalloc.get_traced_memory()[0]
    for number in range(times):
        panel.controls[name].value = values[number % len(values)]
    gc.collect()
    after = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    return after - before, panel


@pytest.mark.slow
@pytest.mark.parametrize(
    ("make", "name", "values", "times"), [(interactive.holdover_game, "guess", [0.1, 0.2, 0.8], 24)]
)
def test_nothing_grows(make: Callable[[], Any], name: str, values: list[Any], times: int) -> None:
    """Many changes leave no memory, no figure and no callback behind (more of them: marker slow)."""
    from matplotlib import pyplot as plt

    bytes_grown, panel = grown(make, name, values, times)
    # a picture kept at each change would be 80 kB, an axis 200 kB; 50 kB once is what Python fills up late
    assert bytes_grown < 4_000 * times + 50_000
    assert plt.get_fignums() == []
    callbacks = panel.controls[name]._trait_notifiers["value"]["change"]
    assert sum(getattr(callback, "__self__", None) is panel for callback in callbacks) == 1


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize(
    ("make", "name", "values", "times"),
    [
        (interactive.noise_mixer, "white_fm", [1e-12, 2e-11, 1e-13], 300),
        (interactive.gap_explorer, "share", [0.0, 0.1, 0.3], 300),
        (interactive.holdover_game, "guess", [0.1, 0.2, 0.8], 300),
        (interactive.counter_explorer, "gate_s", [0.1, 1.0, 10.0], 300),
    ],
)
def test_long_use(make: Callable[[], Any], name: str, values: list[Any], times: int) -> None:
    """Three minutes of use are about three hundred changes: nothing has grown after them."""
    test_nothing_grows(make, name, values, times)


def test_unknown_words_are_refused() -> None:
    """The functions behind the panels refuse what a panel cannot ask."""
    from evenbeat.lessons.aging_laws import watch_aging
    from evenbeat.lessons.noise_mixture import mix_noises
    from evenbeat.lessons.record_length import look_through_gaps, without_readings

    with pytest.raises(InputError, match="no noise named 'pink'"):
        mix_noises({"pink": 1e-12})
    with pytest.raises(InputError, match="days=3"):
        watch_aging(3)
    with pytest.raises(InputError, match="exponent=2"):
        look_through_gaps(exponent=2)
    record = look_through_gaps(64).record
    with pytest.raises(InputError, match="pattern is 'at noon'"):
        without_readings(record, 0.1, pattern="at noon")
    with pytest.raises(InputError, match=r"share is 1\.5"):
        without_readings(record, 1.5)


def test_clock_detective_scores_the_first_commitment() -> None:
    """The truth is kept back until the reader commits; a second diagnosis of the same case gains nothing."""
    panel = interactive.clock_detective()  # case 1 is a step
    assert "step of" not in panel.words.value
    panel.controls["confidence"].value = 80.0
    panel.reveal.click()
    assert "It was not nothing the matter: a step (a step of" in panel.words.value
    bits = np.log2(8 * 0.2 / 7)
    panel.controls["diagnosis"].value = "a step"
    assert "It was" not in panel.words.value
    panel.reveal.click()
    assert "Right: a step" in panel.words.value
    assert panel.score == {1: pytest.approx(bits)}
    assert "80 % sure on average, right in 0 of 1" in panel.tally.value
    panel.further.click()
    assert panel.controls["case"].value == 2
    assert "Case 2:" in panel.words.value
