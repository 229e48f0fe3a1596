// What all components share: drawing in SVG with the ink of the page, axes, numbers in words.
const SVG = "http://www.w3.org/2000/svg";

function put(parent, tag, attributes = {}, text = "") {
  const node = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  if (text) node.textContent = text;
  parent.appendChild(node);
  return node;
}

function page(parent, tag, attributes = {}, text = "") {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  if (text) node.textContent = text;
  parent.appendChild(node);
  return node;
}

const SUPERSCRIPTS = { "-": "⁻", 0: "⁰", 1: "¹", 2: "²", 3: "³", 4: "⁴", 5: "⁵", 6: "⁶", 7: "⁷", 8: "⁸", 9: "⁹" };
const power = (exponent) => "10" + String(exponent).replace(/./g, (digit) => SUPERSCRIPTS[digit]);

function scientific(value) {
  if (value === 0) return "0";
  const [digits, exponent] = value.toExponential(2).split("e");
  return `${digits.replace("-", "−")}×${power(Number(exponent))}`;
}

function duration(seconds) {
  for (const [size, unit] of [[86400, "d"], [3600, "h"], [60, "min"]])
    if (seconds >= 2 * size) return `${Number((seconds / size).toPrecision(3))} ${unit}`;
  return `${Number(seconds.toPrecision(3))} s`;
}

// An axis from low to high over pixels from a to b.
const linear = (low, high, a, b) => (value) => a + ((value - low) / (high - low)) * (b - a);
const logarithmic = (low, high, a, b) => {
  const place = linear(Math.log10(low), Math.log10(high), a, b);
  return (value) => place(Math.log10(value));
};

function frame(parent, box, title, below) {
  put(parent, "text", { x: box.x, y: box.y - 8, class: "eb-title" }, title);
  put(parent, "path", { class: "eb-axis", d: `M${box.x} ${box.y}V${box.y + box.h}H${box.x + box.w}` });
  if (below) put(parent, "text", { x: box.x + box.w, y: box.y + box.h + 34, class: "eb-label eb-end" }, below);
}

function decades(parent, box, place, low, high, upright) {
  for (let exponent = Math.ceil(Math.log10(low) - 1e-9); exponent <= Math.log10(high) + 1e-9; exponent++) {
    const at = place(10 ** exponent);
    put(parent, "path", { class: "eb-grid", d: upright ? `M${box.x} ${at}h${box.w}` : `M${at} ${box.y}v${box.h}` });
    put(parent, "text", upright ? { x: box.x - 6, y: at + 4, class: "eb-tick eb-end" }
      : { x: at, y: box.y + box.h + 16, class: "eb-tick eb-middle" }, power(exponent));
  }
}

function labelled(parent, name, control) {
  const label = page(parent, "label", { class: "eb-control" });
  const words = page(label, "span", {}, name);
  label.appendChild(control);
  return words;
}

function range(parent, name, least, most, value) {
  const control = document.createElement("input");
  for (const [key, each] of Object.entries({ type: "range", min: least, max: most, step: 1, value }))
    control.setAttribute(key, each);
  control.words = labelled(parent, name, control);
  return control;
}

function choice(parent, name, options) {
  const control = document.createElement("select");
  options.forEach((option, number) => page(control, "option", { value: number }, option));
  labelled(parent, name, control);
  return control;
}

function tick(parent, name) {
  const label = page(parent, "label", { class: "eb-tickbox" });
  const control = page(label, "input", { type: "checkbox" });
  page(label, "span", {}, name);
  return control;
}

// Controls beside a picture: returns their places, and a function that says in words what is to be seen.
function laid_out(el, name, width, height) {
  const root = page(el, "div", { class: "evenbeat-component", role: "group", "aria-label": name });
  // arrow keys move sliders, not the cells of JupyterLab, which asks the focused element itself
  root.addEventListener("focusin", (event) => event.target.setAttribute("data-lm-suppress-shortcuts", "true"));
  page(root, "div", { class: "eb-name" }, name);
  const body = page(root, "div", { class: "eb-body" });
  const controls = page(body, "div", { class: "eb-controls" });
  const shown = page(body, "div", { class: "eb-shown" });
  const words = page(shown, "div", { class: "eb-words", role: "status", "aria-live": "polite" });
  const picture = put(shown, "svg", { viewBox: `0 0 ${width} ${height}`, role: "img", class: "eb-picture" });
  const say = (text, description) => {
    words.textContent = text;
    picture.setAttribute("aria-label", `${description} ${text}`);
  };
  return { controls, picture, say };
}
