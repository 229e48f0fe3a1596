// A file of the reader's own, sent to the kernel in parts that each fit into one message; a file that is too
// large is refused in words, before anything is sent.
const PART = 4 * 1024 * 1024;
const megabytes = (bytes) => `${Math.max(bytes / 1e6, 0.001).toPrecision(3)} MB`;

function render({ model, el }) {
  const root = document.createElement("span");
  root.style.cssText = "color: var(--jp-content-font-color1, inherit); font: inherit";
  const button = document.createElement("button");
  button.textContent = "or upload one";
  button.className = "jupyter-button widget-button";
  button.style.width = "auto";
  const input = document.createElement("input");
  Object.assign(input, { type: "file", hidden: true });
  input.setAttribute("aria-label", "a log to upload");
  const said = document.createElement("span");
  said.setAttribute("role", "status");
  root.append(button, input, said);
  el.append(root);
  button.disabled = !model.widget_manager; // a page without a kernel has nowhere to send it
  button.addEventListener("click", () => input.click());
  input.addEventListener("change", async () => {
    const file = input.files[0];
    input.value = "";
    if (!file) return;
    const most = model.get("most_bytes");
    if (file.size > most) {
      said.textContent = ` ${file.name} has ${megabytes(file.size)}, and at most ${megabytes(most)} can be uploaded: `
        + "copy it beside the notebook and type its path.";
      return;
    }
    for (let at = 0; at === 0 || at < file.size; at += PART) {
      said.textContent = ` ${file.name}: ${Math.round((100 * at) / Math.max(file.size, 1))} %`;
      const part = await file.slice(at, at + PART).arrayBuffer();
      const arrived = new Promise((done) => {
        const heard = () => { model.off("msg:custom", heard); done(); };
        model.on("msg:custom", heard);
      });
      model.send({ name: file.name, at, size: file.size }, undefined, [part]);
      await arrived;
    }
    said.textContent = ` ${file.name}, ${megabytes(file.size)}: uploaded`;
  });
}
export default { render };
