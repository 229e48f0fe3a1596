"""A log of the reader's own: assessed, from its path or an upload, or followed while it is written."""

from __future__ import annotations

import asyncio
import html
import re
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from evenbeat.errors import EvenbeatError, InputError
from evenbeat.figures.axes import caption_title
from evenbeat.figures.dispatch import drawing_of
from evenbeat.figures.lessons import LiveBoard
from evenbeat.figures.style import png_bytes
from evenbeat.interactive.components import LogUpload
from evenbeat.interactive.panel import (
    FONT,
    Panel,
    button,
    call_html,
    choice,
    decades,
    fault,
    image,
    notice,
    tick,
)
from evenbeat.lessons.live_log import LiveLog, live_log, parts_of
from evenbeat.lessons.log_assessment import LogLesson, assess_log

QUANTITIES = ("frequency", "fractional_frequency", "period", "phase", "time_interval", "count")
PICTURES: dict[str, Callable[[Any], Any]] = {
    "the record": lambda assessed: assessed.record,
    "stability": lambda assessed: assessed.curves.get("overlapping_allan"),
    "aging": lambda assessed: assessed.model,
    "holdover": lambda assessed: assessed.holdover,
    "recalibration": lambda assessed: assessed.interval,
}
DPI = 120
_OPTION = re.compile(r"--([a-z]+(?:-[a-z]+)*)(?: \([a-z_, ]+\))?")


class LogPanel(widgets.VBox):  # type: ignore[misc]
    """Fields, a button, a verdict.

    Attributes
    ----------
    controls
        Name to widget, ``path`` and ``upload`` among them; an upload goes before the path.
    assess
        The button.
    lesson
        The latest assessment, or ``None``.
    refusal
        The sentence that says why there is none, otherwise empty.
    """

    def __init__(self, path: str = "", tolerance: str = "", upper_limit: str = "") -> None:
        wide: dict[str, Any] = {"style": {"description_width": "13em"}, "layout": {"width": "32em"}}
        hint = "as the log says"
        self.controls: dict[str, widgets.Widget] = {
            "path": widgets.Text(
                value=path,
                description="log",
                placeholder="path of a table of text, plain or .gz",
                style=wide["style"],
                layout={"width": "44em"},
            ),
            "upload": LogUpload(),
            "tolerance": widgets.Text(
                value=tolerance, description="tolerance ± [1]", placeholder="such as 1e-8", **wide
            ),
            "upper_limit": widgets.Text(
                value=upper_limit,
                description="upper, if not ± [1]",
                placeholder="the other is then the lower",
                **wide,
            ),
            "quantity": widgets.Dropdown(
                options=[("as the log says", ""), *((q.replace("_", " "), q) for q in QUANTITIES)],
                description="readings are",
                **wide,
            ),
            "unit": widgets.Text(description="unit", placeholder=hint, **wide),
            "nominal_frequency": widgets.Text(
                description="nominal frequency", placeholder="such as 10 MHz", **wide
            ),
            "interval": widgets.Text(description="interval of readings", placeholder="such as 10 s", **wide),
        }
        self.assess = button("Assess", "read the log and say what it tells; long logs take a while")
        self.show = choice("picture", [(name, name) for name in PICTURES], "the record")
        self.words, self.picture, self.call = widgets.HTML(), widgets.HTML(), widgets.HTML()
        self.lesson: LogLesson | None = None
        self.refusal = ""
        c = self.controls
        title = f'<div style="{FONT}; font-weight: bold">Assess a log of your own</div>'
        rows = [[c["path"], c["upload"]], [c["tolerance"], c["upper_limit"]], [c["quantity"], c["unit"]]]
        rows += [[c["interval"], c["nominal_frequency"]], [self.assess]]
        boxes = [widgets.HBox(row, layout={"flex_flow": "row wrap"}) for row in rows]
        super().__init__([widgets.HTML(title), *boxes, self.words, self.show, self.picture, self.call])
        self.assess.on_click(self._assess)
        self.show.observe(self._draw, names="value")

    def _assess(self, _button: object) -> None:
        self.assess.disabled = True
        self.words.value = f'<div role="status" style="{FONT}">Reading and computing …</div>'
        try:
            self._show(self._assessed())
        except EvenbeatError as refusal:
            self.refusal = self._in_words_of_the_panel(str(refusal))
            self._clear(notice(self.refusal))
        except Exception:
            self._clear(fault())
            raise
        finally:
            self.assess.disabled = False

    def _assessed(self) -> LogLesson:
        asked = {name: self.controls[name].value for name in self.controls if name not in ("path", "upload")}
        uploads = self.controls["upload"].value
        if not uploads:
            return assess_log(self.controls["path"].value, **asked)
        name = Path(uploads[0]["name"]).name
        with tempfile.TemporaryDirectory() as folder:
            copy = Path(folder) / name
            copy.write_bytes(uploads[0]["content"])
            try:
                return assess_log(copy, **asked, shown_as=name)
            except EvenbeatError as refusal:
                raise InputError(str(refusal).replace(str(copy), name)) from refusal

    def _in_words_of_the_panel(self, sentence: str) -> str:
        """Return a refusal with the names of fields where it names options of the command."""

        def field(option: re.Match[str]) -> str:
            control = self.controls.get(option[1].replace("-", "_"))
            return option[0] if control is None else f"the field '{control.description}'"

        return _OPTION.sub(field, sentence)

    def _show(self, lesson: LogLesson) -> None:
        self.lesson, self.refusal = lesson, ""
        self.words.value = f"<pre>{html.escape(str(lesson.assessment))}</pre>"
        self.call.value = call_html(lesson.call)
        self._draw(None)

    def _clear(self, words: str) -> None:
        self.lesson = None
        self.words.value = words
        self.picture.value = self.call.value = ""

    def _draw(self, _change: object) -> None:
        if self.lesson is None:
            return
        result = PICTURES[self.show.value](self.lesson.assessment)
        if result is None:
            self.picture.value = notice(f"There is no picture of {self.show.value}: the verdict says why.")
            return
        png, caption = picture_of(result)
        self.picture.value = image(png, caption)


def picture_of(result: Any) -> tuple[bytes, str]:
    """Return the figure of a result as PNG, and its caption; nothing is left with pyplot."""
    from matplotlib.figure import Figure

    from evenbeat.figures.style import WIDTH_IN, in_style

    drawing = drawing_of(result)
    caption = drawing.caption(result)
    with in_style():
        figure = Figure(figsize=(WIDTH_IN, drawing.height_in), layout="constrained")
        ax = figure.add_subplot()
        drawing.draw(ax, result)
        caption_title(ax, caption)
    return png_bytes(figure, dpi=DPI), caption


def log_panel(path: str | Path = "", *, tolerance: float | tuple[float, float] | None = None) -> widgets.VBox:
    """Return a panel that assesses a log the reader picks.

    Parameters
    ----------
    path
        Put into the field to begin with; a path is relative to the folder of the notebook.
    tolerance
        Likewise; one number for ±, or the lower and the upper limit.
    """
    limits = () if tolerance is None else tolerance if isinstance(tolerance, tuple) else (tolerance,)
    return LogPanel(str(path), *(f"{limit:g}" for limit in limits))


class Watch(Panel[LiveLog]):
    """A panel that follows a log while it is written.

    Attributes
    ----------
    following
        The switch: while it is on, the folder is looked at again and again.
    """

    def __init__(self, folder: Path, *, tolerance: float, every_s: float) -> None:
        self._folder, self._every_s = folder, every_s
        self._sizes: list[tuple[Path, int]] = []
        self.following = tick("follow the log", value=True)
        super().__init__(
            f"Watching {folder.name}",
            {"tolerance": decades("tolerance ± [1]", tolerance, -13, -5)},
            answer=lambda *, tolerance: live_log(folder, tolerance=tolerance),
            picture=LiveBoard().png,
            description=LiveBoard.description,
            below=[self.following],
        )
        self.following.observe(self._follow, names="value")
        self._follow()

    def look(self) -> bool:
        """Compute and show the log anew where it has grown; return whether it has."""
        try:
            sizes = [(part, part.stat().st_size) for part in parts_of(self._folder)]
        except (EvenbeatError, OSError):
            sizes = []
        if sizes == self._sizes:
            return False
        self._sizes = sizes
        self.refresh()
        return True

    def _follow(self, _change: object = None) -> None:
        try:
            loop = asyncio.get_running_loop()  # that of the kernel; without one nothing can be followed
        except RuntimeError:
            self.following.disabled = True
            return
        if self.following.value:
            self._task = loop.create_task(self._keep_looking())

    async def _keep_looking(self) -> None:
        while self.following.value:
            started = time.monotonic()
            self.look()
            # a long log takes long: at most every fourth second goes into it
            await asyncio.sleep(max(self._every_s, 3 * (time.monotonic() - started)))


def watch(folder: str | Path, *, tolerance: float = 1e-8, every_s: float = 2.0) -> widgets.VBox:
    """Return a panel that follows what ``collect`` writes: curve, forecast and due date as rows arrive.

    Parameters
    ----------
    folder
        Of the collection, relative to that of the notebook; it may be empty yet.
    tolerance
        ±, fractional frequency, where its slider starts.
    every_s
        How often the folder is looked at, at most; only a log that has grown is computed again.
    """
    return Watch(Path(folder), tolerance=tolerance, every_s=every_s)
