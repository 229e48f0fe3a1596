// A hundred clocks of one kind, each with its interval: naive on the left, evenbeat's on the right.
function render({ model, el }) {
  const walls = model.get("walls"), tau = model.get("averaging_time_s");
  const { controls, picture, say } = laid_out(el, "The wall of intervals: a hundred clocks, one truth", 760, 500);
  const values = (name) => [...new Set(walls.map((wall) => wall[name]))];
  const noises = values("noise"), lengths = values("samples"), shares = values("share");
  const noise = choice(controls, "noise", noises);
  const samples = range(controls, "length of each record", 0, lengths.length - 1, 2);
  const share = range(controls, "missing", 0, shares.length - 1, 0);
  const sorted = tick(controls, "sort by estimate");
  page(controls, "div", {}, "│ holds the truth");
  page(controls, "div", { class: "eb-miss" }, "✕ misses it");
  const boxes = [{ x: 16, y: 50, w: 350, h: 404 }, { x: 394, y: 50, w: 350, h: 404 }];

  function draw() {
    const wall = walls.find((each) => each.noise === noises[Number(noise.value)]
      && each.samples === lengths[Number(samples.value)] && each.share === shares[Number(share.value)]);
    samples.words.textContent = `length of each record: ${wall.samples} readings, one a second`;
    share.words.textContent = `missing: ${Math.round(100 * wall.share)} %`;
    picture.replaceChildren();
    if (!wall.terms) {
      say("The gaps leave no complete comparison at this averaging time: no interval, rather than a guess.", "");
      return;
    }
    const estimates = sorted.checked ? [...wall.estimates].sort((a, b) => a - b) : wall.estimates;
    const half = 2 / Math.sqrt(wall.terms);
    const kinds = [["naive: σ ± 2 σ/√n", 1 - half, 1 + half], ["evenbeat: 95 % interval", wall.low, wall.high]];
    const held = kinds.map(([name, low, high], side) => {
      const box = boxes[side], place = logarithmic(0.3, 4, box.x, box.x + box.w);
      const inside = estimates.map((each) => each * low <= 1 && 1 <= each * high);
      const count = inside.filter(Boolean).length;
      put(picture, "text", { x: box.x, y: 20, class: "eb-title" }, name);
      put(picture, "text", { x: box.x, y: 39, class: "eb-title eb-count", "font-weight": "bold" }, `${count} of ${estimates.length} hold the truth`);
      for (const at of [0.5, 1, 2]) {
        put(picture, "path", { class: "eb-grid", d: `M${place(at)} ${box.y}v${box.h}` });
        put(picture, "text", { x: place(at), y: box.y + box.h + 16, class: "eb-middle" }, String(at));
      }
      put(picture, "text", { x: box.x + box.w, y: box.y + box.h + 34, class: "eb-end" }, `interval / true σ_y(${duration(tau)})`);
      const row = (k) => box.y + 2 + ((k + 0.5) / estimates.length) * (box.h - 4);
      const bars = { true: "", false: "" }, marks = { true: "", false: "" };
      estimates.forEach((each, k) => {
        const [from, to] = [place(Math.max(each * low, 0.3)), place(Math.min(each * high, 4))];
        bars[inside[k]] += `M${from.toFixed(1)} ${row(k).toFixed(1)}H${Math.max(to, from).toFixed(1)}`;
        const x = place(Math.max(0.31, Math.min(3.9, each))).toFixed(1), y = row(k);
        marks[inside[k]] += inside[k] ? `M${x} ${(y - 1.6).toFixed(1)}v3.2`
          : `M${x - 3.2} ${(y - 2.6).toFixed(1)}l6.4 5.2m0 -5.2l-6.4 5.2`;
      });
      put(picture, "path", { class: "eb-blue", d: bars.true, "stroke-width": 1.6, opacity: 0.8 });
      put(picture, "path", { class: "eb-rust", d: bars.false, "stroke-width": 2.4 });
      put(picture, "path", { class: "eb-ink", d: marks.true, "stroke-width": 1.2 });
      put(picture, "path", { class: "eb-rust", d: marks.false, "stroke-width": 1.8 });
      put(picture, "path", { class: "eb-ink", d: `M${place(1)} ${box.y}v${box.h}`, "stroke-width": 1.8 });
      return count;
    });
    say(`${wall.noise}, ${wall.samples} readings, ${Math.round(100 * wall.share)} % missing: ${wall.terms} overlapping comparisons are worth `
      + `${wall.edf} degrees of freedom. Of a hundred naive intervals ${held[0]} hold the truth, of evenbeat's ${held[1]}.`,
      "Two walls of a hundred horizontal intervals with a line at the truth; those that miss it are thicker, in another colour and crossed.");
  }

  for (const control of [noise, samples, share, sorted]) control.addEventListener("input", draw);
  draw();
}
export default { render };
