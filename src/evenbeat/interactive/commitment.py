"""Predict first, see afterwards: what follows waits for the reader, and the reader's answers are judged."""

from __future__ import annotations

import html
import os
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any

import ipywidgets as widgets
from IPython import get_ipython
from IPython.core.error import UsageError
from IPython.display import display
from IPython.utils.capture import capture_output

from evenbeat.figures.style import GREEN, RUST
from evenbeat.interactive.panel import FONT
from evenbeat.lessons.answers import WITHIN, Verdict, judge, judge_exercise

REVEALED = "EVENBEAT_PREDICTIONS"
"""Set to ``revealed`` in the environment, nothing waits: for pages that are made without a reader."""
_first: dict[tuple[str, str], bool] = {}
"""Kind and name of what was judged to the first verdict: the reader's score since the notebook began."""


class Prediction(widgets.VBox):  # type: ignore[misc]
    """A question, ways to answer it, and a button to commit.

    Attributes
    ----------
    committed
        Whether the reader has.
    """

    def __init__(
        self, question: str, options: Sequence[str] | Mapping[str, Sequence[str]], unit: str
    ) -> None:
        self.committed = False
        self._question = question
        self._expected: Any = None
        self._waiting: list[Callable[[], None]] = []
        self._unit, self._within = unit, WITHIN
        if isinstance(options, Mapping):
            self.fields = {name: _dropdown(name, each) for name, each in options.items()}
        elif options:
            self.fields = {
                "": widgets.RadioButtons(options=list(options), value=None, layout={"width": "auto"})
            }
        else:
            self.fields = {"": widgets.Text(placeholder=f"a number, in {unit}" if unit else "a number")}
        self.commit = widgets.Button(
            description="Commit", tooltip="show what follows; the prediction then stands", disabled=True
        )
        self.words = widgets.HTML()
        asked = widgets.HTML(
            f'<div style="{FONT}"><b>Predict:</b> {html.escape(question)}{f" [{unit}]" if unit else ""}</div>'
        )
        super().__init__([asked, *self.fields.values(), self.commit, self.words])
        for field in self.fields.values():
            field.observe(self._answered, names="value")
        self.commit.on_click(self._commit)

    @property
    def given(self) -> Any:
        """What the reader says so far: a text, a number, or several texts by name."""
        if set(self.fields) != {""}:
            return {name: field.value for name, field in self.fields.items()}
        value = self.fields[""].value
        if not isinstance(self.fields[""], widgets.Text):
            return value
        try:
            return float(value.strip().removesuffix(self._unit).strip().replace("−", "-"))
        except ValueError:
            return None

    def right(self, expected: Any, *, within: float = WITHIN) -> None:
        """State the right answer: told, with what the reader said, as soon as the reader has committed.

        Parameters
        ----------
        expected
            A number, a text, or several texts by name.
        within
            How far a number may be off, relative.
        """
        self._expected, self._within = expected, within
        if self.committed:
            self._tell()

    def when_committed(self, then: Callable[[], None]) -> None:
        """Do something as soon as the reader commits."""
        self._waiting.append(then)

    def _answered(self, _change: object) -> None:
        given = self.given
        answers = given.values() if isinstance(given, dict) else [given]
        self.commit.disabled = self.committed or any(answer is None for answer in answers)

    def _commit(self, _button: object) -> None:
        self.committed = True
        for control in (self.commit, *self.fields.values()):
            control.disabled = True
        if self._expected is not None:
            self._tell()
        for then in self._waiting:
            then()
        self._waiting.clear()

    def _tell(self) -> None:
        verdict = judge(self.given, self._expected, within=self._within, unit=self._unit)
        _first.setdefault(("prediction", self._question), bool(verdict.right))
        told = "" if verdict.right else f" The answer: {_written(self._expected, self._unit)}."
        self.words.value = _told(Verdict(right=verdict.right, sentence=verdict.sentence + told))


def _written(expected: Any, unit: str) -> str:
    if isinstance(expected, Mapping):
        return ", ".join(f"{name}: {answer}" for name, answer in expected.items())
    return f"{expected:.3g} {unit}".strip() if isinstance(expected, float) else f"{expected} {unit}".strip()


def _dropdown(name: str, options: Sequence[str]) -> widgets.Widget:
    return widgets.Dropdown(
        options=[("choose", None), *((option, option) for option in options)],
        value=None,
        description=name,
        style={"description_width": "11em"},
        layout={"width": "24em"},
    )


def predict(
    question: str, options: Sequence[str] | Mapping[str, Sequence[str]] = (), *, unit: str = ""
) -> Prediction:
    """Ask the reader to commit before what follows is shown.

    Parameters
    ----------
    question
        What is asked.
    options
        What may be answered; with names, one choice for each; without any, a number is asked for.
    unit
        Of the number.

    Notes
    -----
    Shown as the last line of a cell. A later cell that begins with ``%%after`` and the name of the prediction
    runs like any other, so that all cells can be run at once, but what it shows waits for the reader.

    Examples
    --------
    >>> longer = predict("How does the interval change?", ["longer", "shorter"])
    >>> longer.committed
    False
    """
    shell = get_ipython()
    if shell is not None:
        shell.register_magic_function(_after, "cell", "after")
    return Prediction(question, options, unit)


def _after(line: str, cell: str) -> None:
    """Run the cell; what it shows waits until the reader has committed to the prediction that is named."""
    shell = get_ipython()
    prediction = shell.user_ns.get(line.strip())
    if not isinstance(prediction, Prediction):
        msg = f"%%after names the prediction to wait for, and {line.strip()!r} is none: run its cell first"
        raise UsageError(msg)
    if prediction.committed or os.environ.get(REVEALED) == "revealed":
        shell.run_cell(cell).raise_error()
        return
    with capture_output() as shown:
        result = shell.run_cell(cell)
    if not result.success:
        shown.show()
        result.raise_error()
    place = widgets.Output()
    notice = (
        f'<div role="status" class="evenbeat-waiting" style="{FONT}; border: 1px dashed; padding: 8px 12px">'
        f"This cell has run. What it shows waits for your prediction above: "
        f"<i>{html.escape(prediction._question)}</i></div>"
    )
    place.outputs = (_output({"text/html": notice, "text/plain": "waits for your prediction"}),)
    display(place)

    def reveal() -> None:
        printed = [{"output_type": "stream", "name": "stdout", "text": shown.stdout}] if shown.stdout else []
        place.outputs = (*printed, *(_output(each.data, each.metadata) for each in shown.outputs))

    prediction.when_committed(reveal)


def _output(data: Mapping[str, Any], metadata: Mapping[str, Any] | None = None) -> dict[str, Any]:
    return {"output_type": "display_data", "data": dict(data), "metadata": dict(metadata or {})}


def _check(notebook: str, number: int, answer: object) -> None:
    """Say whether an answer is right, by what factor it is wrong, or that its unit is; with a hint."""
    verdict = judge_exercise(notebook, number, answer)
    if verdict.right is not None:
        _first.setdefault(("exercise", f"{notebook}.{number}"), verdict.right)
    display(widgets.HTML(_told(verdict)))


def exercises(notebook: str) -> Callable[[int, object], None]:
    """Return the function that checks answers to the exercises of a notebook.

    Parameters
    ----------
    notebook
        Its number, such as ``'03'``.

    Examples
    --------
    >>> check = exercises("02")
    """
    return partial(_check, notebook)


def score() -> widgets.HTML:
    """Return the reader's score so far: first answers count, and nobody else sees it."""
    lines = []
    for kind in ("prediction", "exercise"):
        verdicts = [right for (what, _), right in _first.items() if what == kind]
        if verdicts:
            lines.append(f"{kind}s: {sum(verdicts)} of {len(verdicts)} right at first")
    text = "; ".join(lines) or "nothing predicted and nothing answered yet"
    return widgets.HTML(f'<div style="{FONT}">Your score, {text}.</div>')


def _told(verdict: Verdict) -> str:
    colour = {True: GREEN, False: RUST, None: "currentColor"}[verdict.right]
    return (
        f'<div role="status" style="{FONT}; border-left: 4px solid {colour}; padding: 2px 10px">'
        f"{html.escape(verdict.sentence)}</div>"
    )
