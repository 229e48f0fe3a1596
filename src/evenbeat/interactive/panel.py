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
from evenbeat.figures.style import RUST
from evenbeat.lessons.lesson import Lesson

if TYPE_CHECKING:
    from collections.abc import Iterator

Shown = TypeVar("Shown", bound=Lesson)
FONT = "font: 14px/1.45 'DejaVu Sans', Verdana, sans-serif; color: var(--jp-content-font-color1, inherit)"
"""The theme's ink: dark on light and light on dark; a page without a theme has ink of its own."""
LAYOUT = """<style>
.evenbeat-body { display: flex; flex-flow: row wrap; gap: 4px 16px; align-items: flex-start;
  overflow: visible; }
.evenbeat-controls { flex: 1 1 15em; display: grid; gap: 2px 12px; overflow: visible;
  grid-template-columns: repeat(auto-fit, minmax(13em, 1fr)); }
.evenbeat-shown { flex: 3 1 31em; min-width: 0; overflow: visible; }
.evenbeat-controls .widget-slider, .evenbeat-controls .widget-dropdown { width: auto; height: auto;
  flex-flow: row wrap; margin: 0 2px; flex: 1 1 auto; }
.evenbeat-controls .widget-slider > .widget-label, .evenbeat-controls .widget-dropdown > .widget-label {
  flex: 1 0 100%; width: 100%; text-align: left; height: 20px; line-height: 20px; }
.evenbeat-controls .widget-readout { min-width: 4.5em; }
.evenbeat-controls .widget-hbox { overflow: visible; align-items: flex-end; }
.evenbeat-controls .jupyter-widgets:has([disabled]), .evenbeat-controls .jupyter-widgets:has(:disabled) {
  opacity: 0.7; }
.evenbeat-old img { opacity: 0.25; filter: grayscale(1); }
</style>"""
"""Controls beside the picture where there is room for both, above it otherwise, never a screen apart."""
_NAME = {"description_width": "auto"}


class Panel(widgets.VBox, Generic[Shown]):  # type: ignore[misc]
    """Controls beside a picture that follows them while they move.

    Parameters
    ----------
    title
        One line above the controls.
    controls
        Name to widget; the names are the keywords of ``answer``.
    rows
        Controls that belong side by side, such as a slider and its switch; all others stand alone.
    answer
        Values of the controls to a result. An ordinary function of the library.
    picture
        The result as PNG bytes.
    description
        What the picture shows in general, for those who cannot see it; the sentence is added.
    acts
        Control to when it acts, asked of the values of all; while it does not it is greyed.

    Attributes
    ----------
    lesson
        The latest result, or ``None`` where the controls ask for the impossible.
    refusal
        The sentence that says why, otherwise empty; the last picture then stays, greyed.
    """

    def __init__(
        self,
        title: str,
        controls: Mapping[str, widgets.ValueWidget],
        *,
        rows: Sequence[Sequence[str]] = (),
        answer: Callable[..., Shown],
        picture: Callable[[Shown], bytes],
        description: str,
        acts: Mapping[str, Callable[[Mapping[str, Any]], bool]] | None = None,
        below: Sequence[widgets.Widget] = (),
    ) -> None:
        self.controls = dict(controls)
        self.lesson: Shown | None = None
        self.refusal = ""
        self._answer, self._picture_of, self._description = answer, picture, description
        self._acts = dict(acts or {})
        self.picture = widgets.HTML()
        self.words = widgets.HTML()
        self.call = widgets.HTML()
        self._held = False
        self._threads = ThreadpoolController()
        heading = widgets.HTML(f'{LAYOUT}<div style="{FONT}; font-weight: bold">{html.escape(title)}</div>')
        first_of = {row[0]: row for row in rows}
        followers = {name for row in rows for name in row[1:]}
        cells = [
            widgets.HBox([self.controls[each] for each in first_of[name]]) if name in first_of else control
            for name, control in self.controls.items()
            if name not in followers
        ]
        beside = widgets.VBox([*cells, *below]).add_class("evenbeat-controls")
        shown = widgets.VBox([self.words, self.picture]).add_class("evenbeat-shown")
        body = widgets.HBox([beside, shown]).add_class("evenbeat-body")
        super().__init__([heading, body, self.call])
        for control in self.controls.values():
            control.observe(self._changed, names="value")
        self.refresh()

    def set(self, **values: object) -> None:
        """Set several controls at once; the picture follows once."""
        with self._holding():
            for name, value in values.items():
                self.controls[name].value = value
        self.refresh()

    @contextmanager
    def _holding(self) -> Iterator[None]:
        self._held = True
        try:
            yield
        finally:
            self._held = False

    def _changed(self, _change: Any) -> None:
        if not self._held:
            self.refresh()

    def refresh(self) -> None:
        """Compute and show what the controls ask for."""
        values = {name: control.value for name, control in self.controls.items()}
        for name, acts in self._acts.items():
            self.controls[name].disabled = not acts(values)
        try:
            with self._threads.limit(limits=1, user_api="blas"):  # small matrices: a second thread only waits
                lesson = self._answer(**values)
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
            self.picture.remove_class("evenbeat-old")

    def _refuse(self, sentence: str) -> None:
        """Say why there is no answer, above the last picture, greyed: nothing on the page moves."""
        self.lesson, self.refusal = None, sentence
        self.words.value = notice(sentence)
        if "evenbeat-old" not in self.picture._dom_classes:
            self.picture.value = self.picture.value.replace('alt="', 'alt="No longer asked for: ', 1)
            self.picture.add_class("evenbeat-old")
        self.call.value = call_html("")

    def show_fault(self) -> None:
        """Show an error that should not have happened, with the place where it did."""
        self.lesson = None
        self.words.value = fault()
        self.picture.value = self.call.value = ""


def _sentence(text: str) -> str:
    return (
        f'<div role="status" aria-live="polite" style="{FONT}; min-height: 4.4em">{html.escape(text)}</div>'
    )


def notice(text: str) -> str:
    """Return a refusal as HTML."""
    return (
        f'<div role="alert" class="evenbeat-refusal" style="{FONT}; border-left: 4px solid {RUST}; '
        f'padding: 0 10px; min-height: 4.4em">{html.escape(text)}</div>'
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
    """Return Python to be copied, as HTML: one click selects all of it. Without any, its room stays empty."""
    hidden = "" if text else "; visibility: hidden"
    return (
        f'<details style="{FONT}{hidden}"><summary>The same in Python</summary>'
        f'<pre tabindex="0" style="color: inherit; background: transparent; border: 1px solid; '
        f'padding: 6px 10px; overflow-x: auto; user-select: all">{html.escape(text)}</pre></details>'
    )


def _sliding() -> dict[str, Any]:
    """Return what all sliders share: they answer while they move, their name above them."""
    return {"continuous_update": True, "style": _NAME}


def slider(
    name: str, value: float, low: float, high: float, *, step: float, form: str = ".3g"
) -> widgets.Widget:
    """Return a slider on a linear scale; the name carries the unit."""
    return widgets.FloatSlider(
        value=value, min=low, max=high, step=step, description=name, readout_format=form, **_sliding()
    )


def whole_slider(name: str, value: int, low: int, high: int, *, step: int = 1) -> widgets.Widget:
    """Return a slider of whole numbers."""
    return widgets.IntSlider(value=value, min=low, max=high, step=step, description=name, **_sliding())


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
    return widgets.Dropdown(options=list(options), value=value, description=name, style=_NAME)


def tick(name: str, *, value: bool = False, width: str = "auto") -> widgets.Widget:
    """Return a box to tick."""
    return widgets.Checkbox(value=value, description=name, indent=False, layout={"width": width})


def button(name: str, hint: str) -> widgets.Button:
    """Return a button."""
    return widgets.Button(description=name, tooltip=hint, layout={"width": "auto"})


def steps(name: str, options: Sequence[tuple[str, object]], value: object) -> widgets.Widget:
    """Return a slider over a few values, each written with its unit."""
    return widgets.SelectionSlider(options=list(options), value=value, description=name, **_sliding())
