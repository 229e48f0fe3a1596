"""Notebooks as pages: run, with their outputs, and the components alive without a kernel."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

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
