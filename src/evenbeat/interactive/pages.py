"""Notebooks as pages: run, with their outputs, and the components alive without a kernel."""

from __future__ import annotations

import base64
import html
import io
import itertools
import json
import os
import re
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from matplotlib.font_manager import FontProperties
from matplotlib.mathtext import math_to_image

from evenbeat.errors import EvenbeatError, OutputError
from evenbeat.interactive.commitment import REVEALED

STATES = "application/vnd.jupyter.widget-state+json"
PAGE = """<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>{title}</title><style>
{style}
</style></head><body>
{body}
</body></html>
"""
STYLE = """:root { color-scheme: light dark; --ink: #20262e; --ground: #ffffff; --shade: #f2f4f6; }
@media (prefers-color-scheme: dark) { :root { --ink: #e6e8ea; --ground: #14171a; --shade: #1f2429; } }
body { color: var(--ink); background: var(--ground); font: 16px/1.55 "DejaVu Sans", Verdana, sans-serif;
  max-width: 68rem; margin: 0 auto; padding: 1rem; }
pre, code { font: 13.5px/1.45 "DejaVu Sans Mono", monospace; }
pre { overflow-x: auto; margin: 0; }
.jp-InputArea, .input_area, .highlight { background: var(--shade); }
.highlight { padding: 8px 12px; border-radius: 4px; margin: 0.8em 0 0.4em; }
.jp-InputPrompt, .jp-OutputPrompt, .prompt, .anchor-link { display: none; }
table { border-collapse: collapse; }
th, td { text-align: right; padding: 2px 10px; border-bottom: 1px solid #8886; }
img { max-width: 100%; height: auto; } img[src^="data:image/png"] { background: #fff; border-radius: 4px; }
.display { display: block; margin: 0.8em 0; text-align: center; }
summary { cursor: pointer; } .still { margin: 2px 0; font-size: 14px; }
@media (prefers-color-scheme: dark) { .formula { filter: invert(0.9); } }"""

MODEL = """const model = (() => {
  const state = STATE, heard = {};
  return {
    get: (name) => state[name],
    set: (name, value) => { state[name] = value; (heard["change:" + name] || []).forEach((each) => each()); },
    on: (event, each) => { (heard[event] = heard[event] || []).push(each); },
    off: () => {}, send: () => {}, save_changes: () => {},
  };
})();"""
"""What a component asks of a kernel's model, answered from the saved state."""


def component_html(state: Mapping[str, Any], number: int) -> str:
    """Return a component as HTML that needs no kernel and nothing from elsewhere.

    Parameters
    ----------
    state
        Of the component as the kernel knew it, its script and style among it.
    number
        Of the component within the page.
    """
    own = {name: value for name, value in state.items() if not name.startswith("_") and name != "layout"}
    written = json.dumps(own).replace("<", "\\u003c")
    script = str(state["_esm"]).replace("export default", "const component =").replace("</", "<\\/")
    return (
        f'<style>{state.get("_css", "")}</style>\n<div id="evenbeat-component-{number}"></div>\n'
        f'<script type="module">\n{script}\n{MODEL.replace("STATE", written)}\n'
        f'const el = document.getElementById("evenbeat-component-{number}");\n'
        "component.render({ model, el });\n</script>\n"
    )


def write_page(notebook: Path, folder: Path) -> Path:
    """Run a notebook and write it, with what it shows, as one HTML file that loads nothing from elsewhere.

    Parameters
    ----------
    notebook
        The notebook; it is left as it is, and runs in a temporary folder.
    folder
        Where the page goes, under the name of the notebook; made where it does not exist.

    Raises
    ------
    OutputError
        If the page cannot be written.
    EvenbeatError
        If a cell fails.

    Notes
    -----
    What a prediction withholds stands folded below it. The components of :mod:`evenbeat.interactive` go on
    answering; of the other panels the picture and the words stand still.
    """
    from nbformat.v4 import new_output  # with its schemas takes seconds

    path = folder / f"{notebook.stem}.html"
    with _writing(path):
        folder.mkdir(parents=True, exist_ok=True)
    executed = _run(notebook)
    models = executed.metadata.get("widgets", {}).get(STATES, {}).get("state", {})
    numbers = itertools.count(1)
    cells = executed.cells
    for place, cell in enumerate(cells):
        if cell.cell_type == "markdown":
            cell.source = _with_formulas(cell.source)
            continue
        words = next(
            (after.source for after in cells[place + 1 : place + 4] if after.cell_type == "markdown"), ""
        )
        for output in cell.outputs:
            data = output.get("data", {})
            view = data.get("application/vnd.jupyter.widget-view+json")
            if view is not None:
                output.data = {"text/html": _still(view["model_id"], models, numbers)}
            elif "image/png" in data:
                output.data = {"text/html": _picture(data["image/png"], words)}
        if cell.source.startswith("%%after") and cell.outputs:
            withheld = "\n".join(map(_as_html, cell.outputs))
            folded = f"<details><summary>I have committed: show it</summary>\n{withheld}\n</details>"
            cell.outputs = [new_output("display_data", data={"text/html": folded})]
    executed.cells = [cell for cell in cells if not cell.metadata.get("jupyter", {}).get("source_hidden")]
    text = PAGE.format(
        title=html.escape(cells[0].source.splitlines()[0].removeprefix("# ")),
        style=STYLE + _highlighting(),
        body=_body(executed),
    )
    with _writing(path):
        path.write_text(text, encoding="utf-8")
    return path


@contextmanager
def _writing(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        msg = f"{path} cannot be written ({error.strerror}); give another folder"
        raise OutputError(msg) from error


def _run(notebook: Path) -> Any:
    import nbformat
    from nbclient import NotebookClient
    from nbclient.exceptions import CellExecutionError

    read = nbformat.read(notebook, as_version=4)
    with tempfile.TemporaryDirectory() as place:
        client = NotebookClient(
            read, timeout=600, kernel_name="python3", resources={"metadata": {"path": place}}
        )
        try:
            client.execute(env={**os.environ, REVEALED: "revealed"})
        except CellExecutionError as error:
            msg = f"{notebook.name} does not run to its end: {error.ename}: {error.evalue}"
            raise EvenbeatError(msg) from error
    return read


def _body(executed: Any) -> str:
    from nbconvert import HTMLExporter

    body, _ = HTMLExporter(template_name="basic").from_notebook_node(executed)
    return str(body)


def _as_html(output: Any) -> str:
    if output.output_type == "stream":
        return f"<pre>{html.escape(output.text)}</pre>"
    plain = f"<pre>{html.escape(output.data.get('text/plain', ''))}</pre>"
    return str(output.data.get("text/html", plain))


def _picture(png: str, words: str) -> str:
    seen = re.sub(r"<[^>]+>|[*`$\\]|What to see\.?", "", words).strip().split("\n\n")[0]
    data = "".join(png.split())
    return f'<img alt="{html.escape(seen or "figure")}" src="data:image/png;base64,{data}">'


def _still(model: str, models: Mapping[str, Any], numbers: Iterator[int]) -> str:
    """Return a widget as HTML: a component alive, of everything else what it says and what it shows."""
    state = models[model]["state"]
    if "_esm" in state:
        return component_html(state, next(numbers))
    children = [
        _still(child.removeprefix("IPY_MODEL_"), models, numbers) for child in state.get("children", [])
    ]
    kind, name = state.get("_model_name"), html.escape(str(state.get("description", "")))
    if kind == "HTMLModel":
        return str(state["value"])
    if kind == "RadioButtonsModel":
        return f"<p>{' · '.join(html.escape(option) for option in state['_options_labels'])}</p>"
    if kind == "DropdownModel":
        labels = state["_options_labels"]
        chosen = labels[state["index"]] if state.get("index") else " · ".join(labels[1:])
        return f'<p class="still">{name}: {html.escape(chosen)}</p>'
    if kind in ("FloatSliderModel", "IntSliderModel", "FloatLogSliderModel"):
        return f'<p class="still">{name}: {state["value"]:.3g}</p>'
    if kind == "SelectionSliderModel":
        return f'<p class="still">{name}: {html.escape(state["_options_labels"][state["index"]])}</p>'
    classes = " ".join(state.get("_dom_classes", []))
    return f'<div class="{classes}">{"".join(children)}</div>' if children else ""


def _with_formulas(text: str) -> str:
    """Return Markdown with its formulas as pictures, so that no page needs a script to set them."""

    def drawn(found: re.Match[str]) -> str:
        tex = (found[1] or found[2]).replace("\n", " ").strip()
        tex = re.sub(r"\\tfrac(\d)(\d)", r"\\frac{\1}{\2}", tex)
        tex = re.sub(r"\\sqrt *(\\[a-z]+|\w)", r"\\sqrt{\1}", tex)
        buffer = io.BytesIO()
        try:
            depth = math_to_image(f"${tex}$", buffer, format="svg", dpi=72, prop=FontProperties(size=13))
        except ValueError:
            return f"<code>{html.escape(tex)}</code>"
        data = base64.b64encode(buffer.getvalue()).decode()
        image = (
            f'<img class="formula" alt="{html.escape(tex)}" style="vertical-align: -{depth:.1f}px" '
            f'src="data:image/svg+xml;base64,{data}">'
        )
        return f'<span class="display">{image}</span>' if found[1] else image

    return re.sub(r"\$\$(.+?)\$\$|\$([^$\n]+?)\$", drawn, text, flags=re.DOTALL)


def _highlighting() -> str:
    from pygments.formatters import HtmlFormatter

    light, dark = (
        HtmlFormatter(style=style).get_style_defs(".highlight") for style in ("default", "monokai")
    )
    return f"{light}\n@media (prefers-color-scheme: dark) {{\n{dark}\n}}"
