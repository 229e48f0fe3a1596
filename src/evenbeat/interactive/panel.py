"""The frame of every panel: controls of one look, a picture, a sentence, and the call that does the same.

One callback a panel. What it may refuse (an ``EvenbeatError``) is written into the panel; what it must not
do (any other error) is written there too, and raised.
"""

from __future__ import annotations

import base64
import html
import traceback
from collections.abc import Callable, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Generic, TypeVar

import ipywidgets as widgets
from threadpoolctl import ThreadpoolController

from evenbeat.errors import EvenbeatError
from evenbeat.figures.style import GREY, INK, PALE, RUST
from evenbeat.lessons.lesson import Lesson

if TYPE_CHECKING:
    from collections.abc import Iterator

Shown = TypeVar("Shown", bound=Lesson)
FONT = f"font: 14px/1.45 'DejaVu Sans', Verdana, sans-serif; color: {INK}"
_NAME = {"description_width": "17em"}
_WIDE = "33em"


class Panel(widgets.VBox, Generic[Shown]):  # type: ignore[misc]
    """Controls above a picture that follows them.

    Parameters
    ----------
    title
        One line above the controls.
    controls
        Name to widget; the names are the keywords of ``answer``.
    rows
        Names of controls side by side; those missing here are not laid out.
    answer
        Values of the controls to a result. An ordinary function of the library.
    picture
        The result as PNG bytes.
    description
        What the picture shows in general, for those who cannot see it; the sentence is added.

    Attributes
    ----------
    lesson
        The latest result, or ``None`` where the controls ask for the impossible.
    refusal
        The sentence that says why, otherwise empty.
    """

    def __init__(
        self,
        title: str,
        controls: Mapping[str, widgets.ValueWidget],
        *,
        rows: Sequence[Sequence[str]],
        answer: Callable[..., Shown],
        picture: Callable[[Shown], bytes],
        description: str,
        below: Sequence[widgets.Widget] = (),
    ) -> None:
        self.controls = dict(controls)
        self.lesson: Shown | None = None
        self.refusal = ""
        self._answer, self._picture_of, self._description = answer, picture, description
        self.picture = widgets.HTML()
        self.words = widgets.HTML()
        self.call = widgets.HTML()
        self._held = False
        self._switches: dict[widgets.Widget, widgets.Widget] = {}
        self._threads = ThreadpoolController()
        heading = widgets.HTML(f'<div style="{FONT}; font-weight: bold">{html.escape(title)}</div>')
        boxes = [widgets.HBox([self.controls[name] for name in row], layout=_wrapping()) for row in rows]
        super().__init__([heading, *boxes, self.words, self.picture, *below, self.call])
        for control in self.controls.values():
            control.observe(self._changed, names="value")
        self.refresh()

    def set(self, **values: object) -> None:
        """Set several controls at once; the picture follows once."""
        with self._holding():
            for name, value in values.items():
                self.controls[name].value = value
        self.refresh()

    def switched_on_by(self, slider: str, box: str) -> None:
        """Let a slider that is moved by hand tick the box that makes it count."""
        self._switches[self.controls[slider]] = self.controls[box]

    @contextmanager
    def _holding(self) -> Iterator[None]:
        self._held = True
        try:
            yield
        finally:
            self._held = False

    def _changed(self, change: Any) -> None:
        if self._held:
            return
        box = self._switches.get(change["owner"])
        if box is not None and not box.value:
            with self._holding():  # the picture follows once
                box.value = True
        self.refresh()

    def refresh(self) -> None:
        """Compute and show what the controls ask for."""
        try:
            with self._threads.limit(limits=1, user_api="blas"):  # small matrices: a second thread only waits
                lesson = self._answer(**{name: control.value for name, control in self.controls.items()})
                png = self._picture_of(lesson)
        except EvenbeatError as refusal:
            self._refuse(str(refusal))
        except Exception:
            self.show_fault()
            raise
        else:
            self.lesson, self.refusal = lesson, ""
            self.words.value = _sentence(lesson.sentence)
            self.call.value = call_html(lesson.call)
            self.picture.value = image(png, f"{self._description} {lesson.sentence}")

    def _refuse(self, sentence: str) -> None:
        """Say why there is no picture; an earlier one would be taken for the answer."""
        self.lesson, self.refusal = None, sentence
        self.words.value = notice(sentence)
        self.picture.value = self.call.value = ""

    def show_fault(self) -> None:
        """Show an error that should not have happened, with the place where it did."""
        self.lesson = None
        self.words.value = fault()
        self.picture.value = self.call.value = ""


def _wrapping() -> widgets.Layout:
    return widgets.Layout(flex_flow="row wrap", align_items="center")


def _sentence(text: str) -> str:
    return f'<div role="status" aria-live="polite" style="{FONT}; min-height: 3em">{html.escape(text)}</div>'


def notice(text: str) -> str:
    """Return a refusal as HTML."""
    return (
        f'<div role="alert" class="evenbeat-refusal" style="{FONT}; border-left: 4px solid {RUST}; '
        f'padding: 4px 10px; min-height: 3em">{html.escape(text)}</div>'
    )


def fault() -> str:
    """Return the error that is being handled, as HTML."""
    return (
        f'<div role="alert" class="evenbeat-fault" style="{FONT}; border: 2px solid {RUST}; '
        'padding: 4px 10px">'
        "This is a mistake in evenbeat, not in what you did. Please report:"
        f"<pre>{html.escape(traceback.format_exc())}</pre></div>"
    )


def image(png: bytes, description: str) -> str:
    """Return a picture with its description as HTML."""
    width, height = (int.from_bytes(png[at : at + 4], "big") for at in (16, 20))
    return (
        f'<img alt="{html.escape(description)}" width="{width}" height="{height}" '
        'style="max-width: 100%; height: auto" '
        f'src="data:image/png;base64,{base64.b64encode(png).decode()}">'
    )


def call_html(text: str) -> str:
    """Return Python to be copied, as HTML: one click selects all of it."""
    return (
        f'<details style="{FONT}"><summary>The same in Python</summary>'
        f'<pre tabindex="0" style="background: {PALE}; border: 1px solid {GREY}; padding: 6px 10px; '
        f'overflow-x: auto; user-select: all">{html.escape(text)}</pre></details>'
    )


def _sliding() -> dict[str, Any]:
    """Return what all sliders share: they answer when let go, and are wide enough for their name."""
    return {"continuous_update": False, "style": _NAME, "layout": {"width": _WIDE}}


def slider(
    name: str, value: float, low: float, high: float, *, step: float, form: str = ".3g"
) -> widgets.Widget:
    """Return a slider on a linear scale; the name carries the unit."""
    return widgets.FloatSlider(
        value=value,
        min=low,
        max=high,
        step=step,
        description=name,
        readout_format=form,
        **_sliding(),
    )


def whole_slider(name: str, value: int, low: int, high: int, *, step: int = 1) -> widgets.Widget:
    """Return a slider of whole numbers."""
    return widgets.IntSlider(
        value=value,
        min=low,
        max=high,
        step=step,
        description=name,
        **_sliding(),
    )


def decades(name: str, value: float, low: int, high: int, *, per_decade: int = 10) -> widgets.Widget:
    """Return a slider on a logarithmic scale from 10**low to 10**high."""
    return widgets.FloatLogSlider(
        value=value,
        base=10,
        min=low,
        max=high,
        step=1 / per_decade,
        description=name,
        readout_format=".2g",
        **_sliding(),
    )


def choice(name: str, options: Sequence[tuple[str, object]], value: object) -> widgets.Widget:
    """Return a list to choose from."""
    return widgets.Dropdown(
        options=list(options), value=value, description=name, style=_NAME, layout={"width": _WIDE}
    )


def tick(name: str, *, value: bool = False, width: str = "auto") -> widgets.Widget:
    """Return a box to tick."""
    return widgets.Checkbox(value=value, description=name, indent=False, layout={"width": width})


def button(name: str, hint: str) -> widgets.Button:
    """Return a button."""
    return widgets.Button(description=name, tooltip=hint, layout={"width": "auto"})


def steps(name: str, options: Sequence[tuple[str, object]], value: object) -> widgets.Widget:
    """Return a slider over a few values, each written with its unit."""
    return widgets.SelectionSlider(
        options=list(options),
        value=value,
        description=name,
        **_sliding(),
    )
