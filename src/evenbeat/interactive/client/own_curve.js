// A sketched Allan deviation; the mixture of five noises nearest to it; a clock that has it, and what follows.
function render({ model, el }) {
  const { interval_s: interval, tau_s: tau, days, noises, starts } = model.get("ingredients");
  const { controls, picture, say } = laid_out(el, "Draw your own curve: get the clock that has it", 760, 530);
  const begin = choice(controls, "begin with", Object.keys(starts));
  const away = range(controls, "without a reference for", 0, tau.length - 1, 5);
  const tolerance = range(controls, "tolerance", -150, -80, -105); // tenths of decades
  const which = range(controls, "which clock of this kind", 1, noises[0].clocks.length, 1);
  page(controls, "div", {}, "Draw into the upper left picture, or move its points by the arrow keys.");
  const mixture = page(controls, "div", { class: "eb-mixture" });

  const box = { sketch: { x: 56, y: 26, w: 320, h: 270 }, y: { x: 444, y: 26, w: 306, h: 104 },
    x: { x: 444, y: 192, w: 306, h: 104 }, error: { x: 56, y: 376, w: 320, h: 104 },
    known: { x: 444, y: 376, w: 306, h: 104 } };
  const [LOW, HIGH] = [1e-15, 1e-9], NINETY_FIVE = 1.96;
  const across = (to, low, high) => logarithmic(low, high, to.x, to.x + to.w);
  const up = (to, low, high) => logarithmic(low, high, to.y + to.h, to.y);
  const toTau = across(box.sketch, tau[0] / 1.4, tau.at(-1) * 1.4), toSigma = up(box.sketch, LOW, HIGH);
  const toDay = across(box.known, days[0], days.at(-1));
  let sketch, amounts;

  // Gauss without exchanging rows, as the matrix is positive.
  function solved(matrix, right) {
    const rows = matrix.map((row, i) => [...row, right[i]]), n = rows.length, found = [];
    for (let i = 0; i < n; i++)
      for (let k = i + 1; k < n; k++) {
        const times = rows[k][i] / rows[i][i];
        for (let c = i; c <= n; c++) rows[k][c] -= times * rows[i][c];
      }
    for (let i = n - 1; i >= 0; i--)
      found[i] = rows[i].slice(i + 1, n).reduce((rest, each, c) => rest - each * found[i + 1 + c], rows[i][n]) / rows[i][i];
    return found;
  }

  // Amounts a ≥ 0 of the noises that minimise Σ (Σ_j a_j shape_j(τ_i)/sketch_i² - 1)²: the best of the least-squares
  // solutions with some of the noises, of which there are 31, that is nowhere negative.
  function nearest() {
    const columns = noises.map((noise) => noise.shape.map((each, i) => each / sketch[i] ** 2));
    const dot = (one, other) => one.reduce((sum, each, i) => sum + each * other[i], 0);
    const sizes = columns.map((column) => Math.sqrt(dot(column, column)));
    const unit = columns.map((column, j) => column.map((each) => each / sizes[j]));
    const wanted = unit.map((column) => column.reduce((sum, each) => sum + each, 0));
    let best = { gain: 0, amounts: unit.map(() => 0) };
    for (let mask = 1; mask < 2 ** noises.length; mask++) {
      const some = unit.map((_, j) => j).filter((j) => mask & (1 << j));
      const found = solved(some.map((j) => some.map((k) => dot(unit[j], unit[k]))), some.map((j) => wanted[j]));
      const gain = dot(found, some.map((j) => wanted[j]));
      if (gain > best.gain && found.every((each) => each >= 0))
        best = { gain, amounts: unit.map((_, j) => (some.includes(j) ? found[some.indexOf(j)] / sizes[j] : 0)) };
    }
    return best.amounts;
  }

  const summed = (name, i) => noises.reduce((sum, noise, j) => sum + amounts[j] * noise[name][i], 0);
  const path = (xs, ys) => xs.map((x, i) => `${i ? "L" : "M"}${x.toFixed(1)} ${ys[i].toFixed(1)}`).join("");

  function allan(x, m) {
    let sum = 0;
    for (let i = 0; i + 2 * m < x.length; i++) sum += (x[i + 2 * m] - 2 * x[i + m] + x[i]) ** 2;
    return Math.sqrt(sum / (2 * (m * interval) ** 2 * (x.length - 2 * m)));
  }

  function series(to, values, title, unit) {
    const [least, most] = [Math.min(...values), Math.max(...values)], room = 0.05 * (most - least || 1);
    const [placeX, placeY] = [linear(0, values.length - 1, to.x, to.x + to.w), linear(least - room, most + room, to.y + to.h, to.y)];
    frame(picture, to, `${title}, over ${scientific(most - least)}${unit}`, "");
    put(picture, "path", { class: "eb-blue", "stroke-width": 1.2, d: path(Array.from(values, (_, i) => placeX(i)), Array.from(values, placeY)) });
    put(picture, "text", { x: to.x + to.w, y: to.y + to.h + 18, class: "eb-end" }, `${duration((values.length - 1) * interval)} in all`);
  }

  function draw() {
    picture.replaceChildren();
    const sigma = tau.map((_, i) => Math.sqrt(summed("shape", i)));
    const y = new Float64Array(noises[0].clocks[0].length), x = new Float64Array(y.length + 1);
    noises.forEach((noise, j) => noise.clocks[Number(which.value) - 1].forEach((each, i) => { y[i] += Math.sqrt(amounts[j]) * each; }));
    y.forEach((each, i) => { x[i + 1] = x[i] + each * interval; });

    frame(picture, box.sketch, "σ_y(τ): ○ sketch, — nearest, × this clock", "averaging time τ [s]");
    decades(picture, box.sketch, toTau, tau[0] / 1.4, tau.at(-1) * 1.4, false);
    decades(picture, box.sketch, toSigma, LOW, HIGH, true);
    put(picture, "path", { class: "eb-rust", "stroke-width": 1, "stroke-dasharray": "5 3", d: path(tau.map(toTau), sketch.map(toSigma)) });
    put(picture, "path", { class: "eb-blue", "stroke-width": 2.2, d: path(tau.map(toTau), sigma.map((each) => toSigma(Math.max(each, LOW)))) });
    for (const each of tau) {
      const own = allan(x, Math.round(each / interval));
      if (own > LOW) put(picture, "path", { class: "eb-ink", "stroke-width": 1.4, d: `M${toTau(each) - 4} ${toSigma(own) - 4}l8 8m0 -8l-8 8` });
    }
    tau.forEach((each, i) => put(picture, "circle", { class: "eb-handle", cx: toTau(each), cy: toSigma(sketch[i]), r: 6,
      tabindex: 0, role: "slider", "data-at": i, "aria-label": `σ at ${duration(each)}`, "aria-valuemin": LOW,
      "aria-valuemax": HIGH, "aria-valuenow": sketch[i], "aria-valuetext": scientific(sketch[i]) }));
    series(box.y, y, "frequency y(t)", "");
    series(box.x, x, "time error x(t)", " s");

    // Frequency of the next t predicted by that of the last t: the two means differ by √2 σ_y(t), rms.
    const within = tau.map((t, i) => NINETY_FIVE * Math.SQRT2 * t * sigma[i]);
    const [least, most] = [Math.min(...within), Math.max(...within)].map(Math.log10);
    const [low, high] = [10 ** Math.floor(least - 0.1), 10 ** Math.ceil(most + 0.1)], toError = up(box.error, low, high);
    const gone = Number(away.value);
    frame(picture, box.error, "holdover: time error, 95 % within ± [s]", "time without a reference [s]");
    decades(picture, box.error, toTau, tau[0] / 1.4, tau.at(-1) * 1.4, false);
    decades(picture, box.error, toError, low, high, true);
    put(picture, "path", { class: "eb-blue", "stroke-width": 2.2, d: path(tau.map(toTau), within.map(toError)) });
    put(picture, "circle", { class: "eb-rust", r: 6, "stroke-width": 2.5, cx: toTau(tau[gone]), cy: toError(within[gone]) });

    const limit = 10 ** (Number(tolerance.value) / 10);
    const known = days.map((_, i) => NINETY_FIVE * Math.sqrt(summed("apart", i)));
    const [floor, top] = [Math.min(limit, ...known), Math.max(limit, ...known)].map(Math.log10);
    const [bottom, ceiling] = [10 ** Math.floor(floor - 0.1), 10 ** Math.ceil(top + 0.1)], toKnown = up(box.known, bottom, ceiling);
    const out = known.findIndex((each) => each > limit);
    // between two of the days along the straight line of the double logarithmic picture
    const part = out > 0 ? Math.log(limit / known[out - 1]) / Math.log(known[out] / known[out - 1]) : 0;
    const due = out > 0 ? days[out - 1] * (days[out] / days[out - 1]) ** part : NaN;
    frame(picture, box.known, "frequency changed, 95 % within ±; tolerance", "days since it was set [d]");
    decades(picture, box.known, toDay, days[0], days.at(-1), false);
    decades(picture, box.known, toKnown, bottom, ceiling, true);
    put(picture, "path", { class: "eb-blue", "stroke-width": 2.2, d: path(days.map(toDay), known.map(toKnown)) });
    put(picture, "path", { class: "eb-rust", "stroke-dasharray": "7 3", "stroke-width": 1.5, d: `M${box.known.x} ${toKnown(limit)}h${box.known.w}` });
    if (due) put(picture, "circle", { class: "eb-rust", r: 6, "stroke-width": 2.5, cx: toDay(due), cy: toKnown(limit) });

    which.words.textContent = `which clock of this kind: ${which.value}`;
    away.words.textContent = `without a reference for ${duration(tau[gone])}`;
    tolerance.words.textContent = `tolerance ± ${scientific(limit)}`;
    const parts = noises.flatMap((noise, j) => amounts[j] * Math.max(...noise.shape.map((each, i) => each / sigma[i] ** 2)) > 1e-3
      ? `${noise.name} ${scientific(Math.sqrt(amounts[j]))}` : []);
    const misses = sketch.map((each, i) => Math.abs(Math.log(sigma[i] / each))), worst = misses.indexOf(Math.max(...misses));
    const off = misses[worst] > Math.log(1.3) ? `No mixture of the five noises bends like this: the nearest is off by `
      + `${Math.exp(misses[worst]).toPrecision(2)} at ${duration(tau[worst])}. ` : "";
    const date = out < 0 ? "for more than ten years" : due ? `for ${due.toPrecision(due < 99.5 ? 2 : 3)} days` : "not even for a day";
    mixture.textContent = `Nearest clock, at ${duration(tau[0])}: ${parts.join(", ")}.`;
    say(`${off}${duration(tau[gone])} without a reference, predicted from as long before: within ± ${scientific(within[gone])} s. `
      + `Once set, a daily mean keeps to ± ${scientific(limit)} ${date} (each with 95 %).`,
      "An Allan deviation to be drawn, with the nearest clock's and with what a simulated one gives, crossed; its frequency, its "
      + "time error; the time error in holdover; and how far its frequency has moved, against days, with a tolerance.");
    model.set("deviations", Object.fromEntries(noises.map((noise, j) => [noise.field, Math.sqrt(amounts[j])])));
    model.save_changes();
  }

  function set(i, value) {
    sketch[i] = Math.min(HIGH, Math.max(LOW, value));
    amounts = nearest();
    draw();
  }

  function restart() {
    const start = Object.values(starts)[Number(begin.value)];
    sketch = tau.map((_, i) => Math.sqrt(noises.reduce((sum, noise) => sum + (start[noise.field] || 0) ** 2 * noise.shape[i], 0)));
    amounts = nearest();
    draw();
  }

  let drawing = false;
  function drawn(event) {
    if (!drawing) return;
    const place = new DOMPoint(event.clientX, event.clientY).matrixTransform(picture.getScreenCTM().inverse());
    const distances = tau.map((each) => Math.abs(toTau(each) - place.x)), to = box.sketch;
    const height = Math.min(1, Math.max(0, (to.y + to.h - place.y) / to.h));
    set(distances.indexOf(Math.min(...distances)), LOW * (HIGH / LOW) ** height);
  }
  picture.addEventListener("pointerdown", (event) => {
    const place = new DOMPoint(event.clientX, event.clientY).matrixTransform(picture.getScreenCTM().inverse()), to = box.sketch;
    drawing = place.x > to.x - 8 && place.x < to.x + to.w + 8 && place.y > to.y - 8 && place.y < to.y + to.h + 8;
    if (drawing) picture.setPointerCapture(event.pointerId);
    drawn(event);
  });
  picture.addEventListener("pointermove", drawn);
  for (const end of ["pointerup", "pointercancel"]) picture.addEventListener(end, () => { drawing = false; });
  picture.addEventListener("keydown", (event) => {
    const steps = { ArrowUp: 1, ArrowDown: -1, PageUp: 10, PageDown: -10 }[event.key], at = event.target.dataset.at;
    if (!steps || at === undefined) return;
    event.preventDefault();
    set(Number(at), sketch[at] * 10 ** (steps / 20));
    picture.querySelector(`[data-at="${at}"]`).focus();
  });
  begin.addEventListener("input", restart);
  for (const control of [which, away, tolerance]) control.addEventListener("input", draw);
  restart();
}
export default { render };
