// Two neighbouring windows slide over y(t); each difference of their means drops a dot; the root mean square of
// the dots is one point of the Allan deviation: sigma² = <(second mean - first mean)²> / 2.
function render({ model, el }) {
  const clocks = model.get("clocks");
  const { controls, picture, say } = laid_out(el, "The Allan ruler: slide two windows over a clock", 760, 480);
  const which = choice(controls, "clock", clocks.map((clock) => clock.name));
  const length = range(controls, "length of a window", 0, clocks[0].lengths.length - 1, 3);
  const place = range(controls, "place of the ruler", 0, 1, 0);
  const buttons = page(controls, "div", { class: "eb-tickbox" });
  const slide = page(buttons, "button", { type: "button" }, "Slide to the end");
  const every = page(buttons, "button", { type: "button" }, "Every length");
  const library = tick(controls, "show evenbeat's curve");

  const series = { x: 66, y: 26, w: 684, h: 160 };
  const heap = { x: 66, y: 250, w: 290, h: 180 };
  const curve = { x: 446, y: 250, w: 304, h: 180 };
  let clock, y, sums, counts, most, seen, total, terms, last, done, drawn, running;
  let toX, toY, toHeap, toTau, toSigma;

  // Mean of the window of m readings from k on; NaN where one of them is missing.
  const mean = (k, m) => (counts[k + m] - counts[k] === m ? (sums[k + m] - sums[k]) / m : NaN);
  const difference = (k, m) => (mean(k + m, m) - mean(k, m)) / Math.SQRT2;
  const windowLength = () => clock.lengths[Number(length.value)];
  const positions = () => y.length - 2 * windowLength() + 1;

  function choose() {
    running = null;
    clock = clocks[Number(which.value)];
    y = clock.y.map((part) => (part === null ? NaN : part * clock.scale));
    sums = new Float64Array(y.length + 1);
    counts = new Float64Array(y.length + 1);
    y.forEach((value, k) => {
      sums[k + 1] = sums[k] + (Number.isNaN(value) ? 0 : value);
      counts[k + 1] = counts[k] + (Number.isNaN(value) ? 0 : 1);
    });
    done = new Map();
    length.max = clock.lengths.length - 1;
    const known = clock.sigma.filter((sigma) => sigma > 0);
    const largest = Math.max(...known);
    const low = 10 ** Math.floor(Math.log10(Math.min(...known) / 1.5));
    const high = 10 ** Math.ceil(Math.log10(1.5 * largest));
    const finite = y.filter((value) => !Number.isNaN(value));
    const [least, greatest] = [Math.min(...finite), Math.max(...finite)];
    const room = 0.05 * (greatest - least || 1);
    most = 3.4 * largest;
    toX = linear(0, y.length, series.x, series.x + series.w);
    toY = linear(least - room, greatest + room, series.y + series.h, series.y);
    toHeap = linear(-most, most, heap.x, heap.x + heap.w);
    const [first, lastTau] = [clock.interval_s, clock.lengths.at(-1) * clock.interval_s];
    toTau = logarithmic(first / 1.5, lastTau * 1.5, curve.x, curve.x + curve.w);
    toSigma = logarithmic(low, high, curve.y + curve.h, curve.y);
    draw_frames(first, lastTau, low, high);
    restart();
  }

  function draw_frames(first, lastTau, low, high) {
    picture.replaceChildren();
    const unit = Math.max(...y.filter((value) => !Number.isNaN(value)).map(Math.abs));
    frame(picture, series, `fractional frequency y(t), up to ${scientific(unit)}; two windows, their means`, "");
    put(picture, "text", { x: series.x + series.w, y: series.y + series.h + 18, class: "eb-end" },
      `time, ${duration(y.length * clock.interval_s)} in all`);
    frame(picture, heap, "every difference / √2 drops a dot", "");
    frame(picture, curve, "σ_y(τ): the root mean square of the dots", "averaging time τ [s]");
    decades(picture, curve, toTau, first / 1.5, lastTau * 1.5, false);
    decades(picture, curve, toSigma, low, high, true);
    for (const part of [-0.5, 0, 0.5])
      put(picture, "text", { x: toHeap(part * most), y: heap.y + heap.h + 16, class: "eb-middle" },
        part ? `${part < 0 ? "−" : "+"}${scientific(0.5 * most)}` : "0");
    drawn = {
      first: put(picture, "rect", { class: "eb-blue-in", y: series.y, height: series.h }),
      second: put(picture, "rect", { class: "eb-rust-in", y: series.y, height: series.h }),
      line: put(picture, "path", { class: "eb-ink", "stroke-width": 0.7, opacity: 0.75 }),
      meanOne: put(picture, "path", { class: "eb-blue", "stroke-width": 4 }),
      meanTwo: put(picture, "path", { class: "eb-rust", "stroke-width": 4, "stroke-dasharray": "7 3" }),
      dots: put(picture, "path", { class: "eb-blue", "stroke-linecap": "round" }),
      latest: put(picture, "circle", { class: "eb-rust", r: 6, "stroke-width": 2.5 }),
      width: put(picture, "path", { class: "eb-rust", "stroke-width": 2 }),
      library: put(picture, "path", { class: "eb-rust", "stroke-dasharray": "7 3", "stroke-width": 1.5 }),
      points: put(picture, "path", { class: "eb-blue", "stroke-linecap": "round", "stroke-width": 8 }),
      growing: put(picture, "circle", { class: "eb-blue", r: 6, "stroke-width": 2 }),
    };
    let pen = "M";
    drawn.line.setAttribute("d", y.map((value, k) => {
      if (Number.isNaN(value)) { pen = "M"; return ""; }
      const step = `${pen}${toX(k + 0.5).toFixed(1)} ${toY(value).toFixed(1)}`;
      pen = "L";
      return step;
    }).join(""));
  }

  // Another length: no dot has been dropped yet.
  function restart() {
    const m = windowLength();
    place.max = positions() - 1;
    place.value = 0;
    length.words.textContent = `length of a window: ${duration(m * clock.interval_s)}`;
    seen = new Uint8Array(positions());
    total = terms = last = 0;
    drop(0);
    show();
  }

  function drop(k) {
    if (seen[k]) return;
    seen[k] = 1;
    const value = difference(k, windowLength());
    if (!Number.isNaN(value)) { total += value * value; terms += 1; }
  }

  // The ruler does not jump: what lies between is slid over.
  function move_to(k) {
    for (let at = Math.min(k, last); at <= Math.max(k, last); at++) drop(at);
    last = k;
    if (terms && seen.every(Boolean)) done.set(windowLength(), Math.sqrt(total / terms));
    show();
  }

  function heaped(m) {
    const bins = 58, heights = new Array(bins).fill(0);
    for (let k = 0; k < seen.length; k++) {
      const value = seen[k] ? difference(k, m) : NaN;
      if (!Number.isNaN(value)) heights[Math.max(0, Math.min(bins - 1, Math.floor((value / most + 1) * bins / 2)))]++;
    }
    const step = Math.min(5, (heap.h - 12) / Math.max(...heights, 1));
    drawn.dots.setAttribute("stroke-width", Math.min(4.4, Math.max(step, 1.6)).toFixed(1));
    drawn.dots.setAttribute("d", heights.map((count, bin) => {
      const x = (heap.x + ((bin + 0.5) / bins) * heap.w).toFixed(1);
      return Array.from({ length: count }, (_, n) => `M${x} ${(heap.y + heap.h - 4 - n * step).toFixed(1)}h0`).join("");
    }).join(""));
  }

  function show() {
    const m = windowLength(), one = mean(last, m), two = mean(last + m, m), here = difference(last, m);
    const width = toX(m) - toX(0), whole = !Number.isNaN(here);
    drawn.first.setAttribute("x", toX(last));
    drawn.second.setAttribute("x", toX(last + m));
    for (const window of [drawn.first, drawn.second]) window.setAttribute("width", width);
    drawn.meanOne.setAttribute("d", whole ? `M${toX(last)} ${toY(one)}h${Math.max(width, 3)}` : "");
    drawn.meanTwo.setAttribute("d", whole ? `M${toX(last + m)} ${toY(two)}h${Math.max(width, 3)}` : "");
    drawn.latest.setAttribute("cx", whole ? Math.max(heap.x, Math.min(heap.x + heap.w, toHeap(here))) : -20);
    drawn.latest.setAttribute("cy", heap.y + heap.h - 4);
    heaped(m);
    const sigma = terms ? Math.sqrt(total / terms) : NaN, tau = m * clock.interval_s;
    drawn.width.setAttribute("d", sigma > 0
      ? `M${toHeap(-sigma)} ${heap.y + 6}v8m0 -4H${toHeap(sigma)}m0 -4v8` : "");
    drawn.growing.setAttribute("cx", sigma > 0 ? toTau(tau) : -20);
    drawn.growing.setAttribute("cy", sigma > 0 ? toSigma(sigma) : -20);
    drawn.points.setAttribute("d", [...done].map(([each, value]) =>
      `M${toTau(each * clock.interval_s).toFixed(1)} ${toSigma(value).toFixed(1)}h0`).join(""));
    drawn.library.setAttribute("d", library.checked ? clock.lengths.flatMap((each, k) => clock.sigma[k] === null ? []
      : [`${toTau(each * clock.interval_s).toFixed(1)} ${toSigma(clock.sigma[k]).toFixed(1)}`])
      .map((at, k) => (k ? "L" : "M") + at).join("") : "");
    place.words.textContent = `place of the ruler: ${duration(last * clock.interval_s)}`;
    const finished = seen.every(Boolean) ? "All differences are in: " : "So far ";
    say(whole || terms
      ? `${finished}${terms} difference${terms === 1 ? "" : "s"} over ${duration(tau)}; their root mean square over √2 is `
        + `σ_y(${duration(tau)}) = ${sigma > 0 ? scientific(sigma) : "not yet known"}. ${done.size} of ${clock.lengths.length} points of the curve.`
      : "A reading is missing in one of the windows: this place gives no difference.",
      "Above, a record with two neighbouring windows and their means; below, the heap of the differences between "
      + "the means, and the Allan deviation against averaging time with one point for each length of the windows.");
  }

  const still = () => window.matchMedia("(prefers-reduced-motion: reduce)").matches;

  function run_to_end(then) {
    const end = positions() - 1, step = still() ? end + 1 : Math.max(1, Math.ceil(end / 90)), mine = {};
    running = mine;
    const on = () => {
      if (running !== mine) return;
      move_to(Math.min(end, last + step));
      place.value = last;
      if (last < end) requestAnimationFrame(on);
      else { running = null; if (then) then(); }
    };
    on();
  }

  function every_length(number = 0) {
    length.value = number;
    restart();
    running = {};
    const mine = running;
    move_to(positions() - 1);
    place.value = last;
    if (number < clock.lengths.length - 1)
      setTimeout(() => { if (running === mine) every_length(number + 1); }, still() ? 0 : 120);
  }

  which.addEventListener("input", choose);
  length.addEventListener("input", () => { running = null; restart(); });
  place.addEventListener("input", () => { running = null; move_to(Number(place.value)); });
  slide.addEventListener("click", () => { if (last >= positions() - 1) restart(); run_to_end(); });
  every.addEventListener("click", () => every_length());
  library.addEventListener("input", show);
  choose();
  return () => { running = null; };
}
export default { render };
