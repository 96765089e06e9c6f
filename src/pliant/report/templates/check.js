
"use strict";
// what a restart takes, dragged: every plan is a straight line over it, and the curve is the least of them
(() => {
  const data = JSON.parse(document.querySelector("#numbers").textContent).restart, live = document.querySelector(".restart-live");
  if (!data || !live) return;
  const fixed = document.querySelector(".restart"), input = live.querySelector("input"), said = live.querySelector("output");
  const own = fixed.querySelectorAll(".restarted")[[...fixed.querySelectorAll("input")].findIndex((radio) => radio.checked)];
  const drawn = own.cloneNode(true), best = drawn.querySelector("p"), svgs = [...drawn.querySelectorAll("svg")];
  const minutes = (m) => (m < 120 ? `${Math.round(m)}\u00a0min` : m < 1200 ? `${Number((m / 60).toPrecision(2))}\u00a0h` : `${Math.round(m / 60)}\u00a0h`);
  function draw() {
    const restart = Number(input.value), least = data.share.map(() => Infinity);
    let plan = null, all = Infinity;
    for (const [places, spent, restarts] of data.plans) {
      const takes = spent + restarts * restart;
      if (takes < all) { all = takes; plan = places; }
      if (places.length) least[places[0]] = Math.min(least[places[0]], takes);
    }
    const speed = plan.length && data.share[plan[0]] < 1 ? `${Math.round(100 * data.share[plan[0]])}\u00a0% of the speed` : "the speed written";
    best.textContent = plan.length ? `Best is to start at ${speed}: ${minutes(all)} expected.` : "No speed pays.";
    said.textContent = minutes(restart);
    input.setAttribute("aria-valuetext", `${minutes(restart)}. ${best.textContent}`);
    svgs.forEach((svg, i) => {
      const frame = data.frames[i], y = (m) => frame.y - frame.up * m, tried = svg.querySelector(".tried");
      svg.querySelector(".waits polyline").setAttribute("points", least.map((m, k) => `${frame.x[k]},${y(m).toFixed(1)}`).join(" "));
      svg.setAttribute("aria-label", `Expected time over the speed of the first try, a restart costing ${minutes(restart)}. ${best.textContent}`);
      const marks = tried.ownerDocument.createDocumentFragment(), make = (name, at) => {
        const e = document.createElementNS(svg.namespaceURI, name);
        for (const key in at) e.setAttribute(key, at[key]);
        marks.append(e);
        return e;
      };
      plan.slice(0, 3).forEach((k, n) => {
        const at = y(least[k]), above = at > frame.top + data.room;
        make("circle", { cx: frame.x[k], cy: at.toFixed(1), r: 5, class: "dot-tried" });
        make("text", { x: frame.x[k] + (above ? 0 : 10), y: (at + (above ? -11 : 5)).toFixed(1), "text-anchor": above ? "middle" : "start", class: "halo" }).textContent = n + 1;
      });
      tried.replaceChildren(marks);
    });
  }
  live.append(drawn);
  input.addEventListener("input", draw);
  draw();
  live.hidden = false; fixed.hidden = true;
})();
(() => {
  const $ = (query, root = document) => root.querySelector(query);
  const all = (query) => [...document.querySelectorAll(query)];
  const data = JSON.parse($("#numbers").textContent);
  const plot = $("#plot"), svg = $("#plot svg"), n = data.low.length;
  if (!(data.total > 0)) return;
  const big = (value) => (value === null ? Infinity : value);
  const capacity = big(data.capacity);
  const width = data.total / n; // of a bin, in seconds
  let from = 0, to = data.total, mark = data.moments.length ? data.moments[0] : 0, drag = null, drawn = "";

  const y = (value) => 400 * (1 - Math.min(value / data.top, 1));
  const box = (a, b, upper, lower) => `M${a.toFixed(1)} ${upper.toFixed(1)}H${b.toFixed(1)}V${lower.toFixed(1)}H${a.toFixed(1)}z`;
  const binAt = (t) => Math.min(n - 1, Math.max(0, Math.floor(t / width)));
  const shareOf = (t) => (t - from) / (to - from);

  function words(seconds) {
    const s = to - from < 20 ? Math.round(10 * seconds) / 10 : Math.round(seconds);
    if (s < 60) return `${s}\u00a0s`;
    const left = to - from < 20 ? (s % 60).toFixed(1) : Math.round(s % 60);
    if (s < 3600) return `${Math.floor(s / 60)}\u00a0min` + (Number(left) ? ` ${left}\u00a0s` : "");
    const minutes = Math.round(s / 60), short = to - from < 300;
    if (short) return `${Math.floor(s / 3600)}\u00a0h ${Math.floor(s / 60) % 60}\u00a0min ${left}\u00a0s`;
    return `${Math.floor(minutes / 60)}\u00a0h` + (minutes % 60 ? ` ${minutes % 60}\u00a0min` : "");
  }

  function bars() {
    // bins joined to pixel columns; the extremes of the bins are the extremes of the columns
    const columns = Math.max(60, Math.round(svg.clientWidth)), part = { under: "", beyond: "", room: "", narrow: "", over: "" };
    const first = binAt(from), last = binAt(to - width * 1e-6), step = Math.max(1, Math.floor((last - first + 1) / columns));
    const edge = y(capacity);
    for (let i = first; i <= last; i += step) {
      let low = Infinity, high = -Infinity, fill = 0;
      for (let k = i; k < Math.min(i + step, last + 1); k++) {
        low = Math.min(low, big(data.low[k])); high = Math.max(high, big(data.high[k])); fill = Math.max(fill, big(data.fill[k]));
      }
      const a = Math.max(0, 1000 * shareOf(i * width)), b = Math.min(1000, 1000 * shareOf(Math.min(i + step, last + 1) * width));
      let upper = y(high);
      const lower = Math.max(y(low), upper + (high > data.top ? 14 : 3));
      if (lower < edge) part.beyond += box(a, b, lower, edge);
      if (lower < 400) part.under += box(a, b, Math.max(lower, edge), 400);
      if (fill > data.narrow) {
        const end = upper < edge ? Math.min(lower, edge) : lower;
        part.over += box(a, b, upper, end);
        upper = end;
      }
      if (lower > upper) part[fill <= data.room ? "room" : "narrow"] += box(a, b, upper, lower);
    }
    for (const name in part) $(".bar-" + name, svg).setAttribute("d", part[name]);
  }

  function ticks() {
    const raw = (to - from) / Math.max(2, Math.min(6, Math.floor(svg.clientWidth / 80)));
    const steps = [0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 28800, 86400, 604800];
    const step = steps.find((s) => s >= raw) || raw, row = $(".xs");
    row.textContent = "";
    for (let k = Math.ceil(from / step - 1e-9); k * step <= to + 1e-9; k++) {
      const label = document.createElement("span"), share = 100 * shareOf(k * step);
      label.textContent = words(k * step);
      label.style.left = (share < 0.01 ? 0 : share) + "%";
      if (share > 96) label.className = "last";
      row.append(label);
    }
  }

  function lane() {
    const row = $(".lane"), spans = [];
    for (let i = binAt(from); i <= binAt(to - width * 1e-6); i++) {
      const open = spans[spans.length - 1];
      if (open && open.layer === data.layer[i]) open.end = i + 1; else spans.push({ layer: data.layer[i], start: i, end: i + 1 });
    }
    const fits = Math.floor(row.clientWidth / 26), join = spans.length <= fits ? 1 : Math.ceil(spans.length / Math.max(4, Math.floor(row.clientWidth / 58)));
    row.textContent = "";
    for (let k = 0; k < spans.length; k += join) {
      const a = spans[k], b = spans[Math.min(k + join, spans.length) - 1], cell = document.createElement("i");
      const left = Math.max(0, 100 * shareOf(a.start * width)), right = Math.min(100, 100 * shareOf(b.end * width));
      cell.className = (join > 1 ? k / join : a.layer) % 2 ? "odd" : "even";
      cell.style.left = left + "%"; cell.style.width = right - left + "%";
      const name = a.layer < 0 ? "" : a === b ? `${a.layer + 1}` : `${a.layer + 1}–${b.layer + 1}`;
      if ((right - left) * row.clientWidth / 100 > 9 * name.length) cell.textContent = name;
      row.append(cell);
    }
  }

  function numberMarks() {
    const taken = [], near = 1900 / Math.max(svg.clientWidth, 1); // 19 px, in percent
    for (const a of all(".mk")) {
      const at = 100 * shareOf(Number(a.dataset.at)), out = at < 0 || at > 100;
      a.classList.toggle("out", out);
      a.style.left = at + "%";
      const clash = taken.some((t) => Math.abs(t - at) < near);
      a.classList.toggle("mute", clash);
      if (!out && !clash) taken.push(at);
    }
  }

  const round = (value) => String(Number(value.toPrecision(2))); // two digits that mean something
  function full(fill) {
    if (fill > 10) return "over 10 times full";
    if (fill > 2) return `${round(fill)} times full`;
    return fill < 0.01 ? "under 1\u00a0% full" : `${round(100 * fill)}\u00a0% full`;
  }

  // the vessels at a moment: what they must carry goes with the push, what they can does not
  const peak = Math.max(...data.high.map(big).filter(Number.isFinite), 1e-9), vessels = all(".vessel");
  function fillVessels(i, all_) {
    const ratio = all_ ? 1 : Math.min(big(data.high[i]), peak) / peak;
    for (const v of vessels) {
      const fill = Number(v.dataset.fill) * ratio, top = Number(v.dataset.top), height = Number(v.dataset.height), level = height * Math.min(fill, 1);
      const rect = $(".level", v), brim = $(".brim", v), spill = $(".spill", v);
      rect.setAttribute("y", (top + height - level).toFixed(1)); rect.setAttribute("height", level.toFixed(1));
      rect.setAttribute("fill", `url(#h-${fill <= data.room ? "room" : fill <= data.narrow ? "narrow" : "over"})`);
      if (brim) brim.setAttribute("transform", `translate(0 ${(height * Math.min(Number(v.dataset.fill), 1) - level).toFixed(1)})`);
      if (spill) spill.style.display = fill > 1 ? "" : "none";
    }
    const told = $(".feed figcaption b");
    if (told) told.textContent = `The feed path at ${words((i + 0.5) * width)}.`;
  }

  // the bead of a layer as far as it is laid at a moment, in the order of the program
  const spans = new Map();
  for (let i = 0; i < n; i++) { const s = spans.get(data.layer[i]); if (s) s[1] = i + 1; else spans.set(data.layer[i], [i, i + 1]); }
  const strokes = new WeakMap(); // figure: path data, its strokes, and how many points it has
  function grow(figure, layer, t) {
    const bead = $(".bead", figure);
    if (!bead) return;
    let kept = strokes.get(figure);
    if (!kept || kept.layer !== figure.dataset.layer) {
      const whole = bead.dataset.whole || bead.getAttribute("d") || "";
      const parts = whole.split("M").slice(1).map((stroke) => { const [start, rest] = stroke.split("l"); return [start, (rest || "").trim().split(/\s+/)]; });
      strokes.set(figure, (kept = { layer: figure.dataset.layer, whole, parts, points: parts.reduce((sum, part) => sum + part[1].length / 2, 0) }));
    }
    if (t === null) { if (bead.getAttribute("d") !== kept.whole) bead.setAttribute("d", kept.whole); return; }
    const [a, b] = spans.get(layer);
    let left = Math.round(kept.points * Math.min(1, Math.max(0, (t / width - a) / Math.max(b - a, 1)))), d = "";
    for (const [start, pairs] of kept.parts) {
      if (left <= 0) break;
      d += `M${start}l${pairs.slice(0, 2 * left).join(" ")} `;
      left -= pairs.length / 2;
    }
    bead.setAttribute("d", d);
  }

  // a layer that is not drawn is asked for, where there is a bench to ask
  const bench = document.querySelector("[data-layers]"), refused = new Set();
  let asking = false;
  function ask(layer) {
    const first = $(".sheet");
    if (!bench || !first || layer < 0 || asking || refused.has(layer)) return;
    asking = true;
    fetch(bench.dataset.layers + layer, { headers: { Accept: "application/json" } }).then((answer) => (answer.ok ? answer.json() : null)).then((said) => {
      asking = false;
      if (!said) { refused.add(layer); return; }
      let figure = $(".sheet.asked");
      if (!figure) { figure = first.cloneNode(true); figure.classList.add("asked"); figure.removeAttribute("id"); first.parentNode.prepend(figure); }
      else delete data.sheets[figure.dataset.layer];
      const drawing = $("svg", figure), worst = $(".worst", figure);
      figure.dataset.layer = layer;
      if (worst) worst.remove();
      drawing.setAttribute("viewBox", said.view); drawing.setAttribute("aria-label", `Layer ${layer + 1} from above`);
      for (const [name, d] of [["bead", said.beads], ["covered", said.covered], ["unseen", said.hidden], ["open", said.open], ["open-spine", said.open]]) $("." + name, figure).setAttribute("d", d);
      $(".bead", figure).dataset.whole = said.beads;
      const caption = $("figcaption", figure), name = document.createElement("b");
      name.textContent = `Layer ${layer + 1}`; caption.textContent = ""; caption.append(name, `, top at ${said.top_mm.toFixed(2)} mm: where the mark is`);
      data.sheets[layer] = { scale: said.scale, dx: said.offset[0], dy: said.offset[1] };
      point(mark);
    }).catch(() => { asking = false; });
  }

  let playing = null;
  function play() {
    const button = $("[data-do=play]"), out = $(".readout");
    if (playing !== null) { stop(); return; }
    const calm = matchMedia("(prefers-reduced-motion: reduce)").matches, span = to - from;
    if (mark >= to - 1e-6 || mark < from) mark = from;
    button.setAttribute("aria-pressed", "true"); button.textContent = "pause"; out.setAttribute("aria-live", "off");
    let last = performance.now();
    const step = (now) => {
      if (playing === null) return;
      // without motion the mark goes from layer to layer, one a second
      const next = calm ? ((spans.get(data.layer[binAt(mark)]) || [0, n])[1] + 0.5) * width : mark + (now - last) / 1000 * span / 40;
      last = now;
      if (next >= to) { point(to, false); stop(); return; }
      point(next, false);
      playing = calm ? setTimeout(() => step(performance.now()), 1000) : requestAnimationFrame(step);
    };
    playing = 0;
    playing = calm ? setTimeout(() => step(performance.now()), 1000) : requestAnimationFrame(step);
  }
  function stop() {
    if (playing === null) return;
    cancelAnimationFrame(playing); clearTimeout(playing); playing = null;
    const button = $("[data-do=play]");
    button.setAttribute("aria-pressed", "false"); button.textContent = "play"; $(".readout").setAttribute("aria-live", "polite");
    point(mark);
  }

  function point(t, follow) {
    mark = Math.min(data.total, Math.max(0, t));
    const i = binAt(mark), push = big(data.high[i]), fill = big(data.fill[i]);
    const state = fill <= data.room ? "room to spare" : fill <= data.narrow ? "narrow" : "over";
    const own = data.layer[i], shown = data.sheets[own] ? own : data.alike[own] ?? own, sheet = data.sheets[shown];
    const said = [data.layer[i] < 0 ? "before the first layer" : `layer ${data.layer[i] + 1}`, `line ${data.line[i]}`];
    const carries = push > 10 * capacity ? `far more than the ${round(capacity)}\u00a0${data.unit} it can carry` : `${round(push)}${data.gives[i] === data.mechanism && capacity < Infinity ? ` of ${round(capacity)}` : ""}\u00a0${data.unit}`;
    $(".readout").textContent = "";
    const when = document.createElement("b");
    when.textContent = words(mark);
    const other = data.gives[i] !== data.mechanism && fill > data.room ? `; here ${data.words[data.gives[i]]}` : "";
    $(".readout").append(when, `, ${said.join(", ")}: ${carries}; ${full(fill)}, ${state}${other}.` + (!sheet ? (data.layer[i] < 0 ? "" : bench ? "" : " This layer is not drawn below.") : shown === data.layer[i] ? "" : ` It is like layer ${shown + 1}, drawn below.`));
    if (!data.sheets[own]) ask(own);
    fillVessels(i);
    for (const figure of all(".sheet")) {
      const mine = Number(figure.dataset.layer) === shown;
      figure.classList.toggle("on", mine);
      grow(figure, shown, mine && playing !== null && shown === data.layer[i] ? mark : null);
      if (mine) $(".here", figure).setAttribute("transform", `translate(${(data.x[i] * sheet.scale + sheet.dx).toFixed(1)} ${(-data.y[i] * sheet.scale + sheet.dy).toFixed(1)})`);
    }
    if (follow && (mark < from || mark > to)) show(mark - (to - from) / 2, mark + (to - from) / 2);
    const x = 1000 * shareOf(mark);
    $(".cursor", svg).setAttribute("d", x >= 0 && x <= 1000 ? `M${x.toFixed(1)} 0V400` : "");
  }

  function show(a, b) {
    const span = Math.min(data.total, Math.max(b - a, 12 * width));
    from = Math.min(Math.max(0, (a + b - span) / 2), data.total - span);
    to = from + span;
    const now = `${from} ${to} ${svg.clientWidth}`;
    if (now !== drawn) { drawn = now; bars(); ticks(); lane(); numberMarks(); }
    const x = 1000 * shareOf(mark);
    $(".cursor", svg).setAttribute("d", x >= 0 && x <= 1000 ? `M${x.toFixed(1)} 0V400` : "");
    plot.dataset.from = from; plot.dataset.to = to;
  }

  function zoom(factor) {
    const middle = mark >= from && mark <= to ? mark : (from + to) / 2, share = shareOf(middle), span = (to - from) * factor;
    show(middle - share * span, middle + (1 - share) * span);
  }
  const act = { play,
    in: () => zoom(0.5), out: () => zoom(2), all: () => show(0, data.total),
    back: () => show(from - (to - from) / 4, to - (to - from) / 4), on: () => show(from + (to - from) / 4, to + (to - from) / 4),
  };

  function worstNear(t, reach) { // the fullest bin within reach of the pointer
    let best = binAt(t);
    for (let i = binAt(t - reach); i <= binAt(t + reach); i++) if (big(data.fill[i]) > big(data.fill[best])) best = i;
    return (best + 0.5) * width;
  }
  const timeAt = (event) => {
    const area = svg.getBoundingClientRect();
    return from + (to - from) * Math.min(1, Math.max(0, (event.clientX - area.left) / area.width));
  };
  plot.addEventListener("pointerdown", (event) => {
    if (event.button) return;
    drag = { t: timeAt(event), x: event.clientX };
    plot.setPointerCapture(event.pointerId);
  });
  plot.addEventListener("pointermove", (event) => {
    const t = timeAt(event);
    if (!drag) { point(worstNear(t, 3 * (to - from) / svg.clientWidth)); return; }
    const a = 1000 * shareOf(Math.min(t, drag.t)), b = 1000 * shareOf(Math.max(t, drag.t)), shade = $(".drag", svg);
    shade.setAttribute("x", a); shade.setAttribute("width", b - a);
  });
  const drop = (event) => {
    if (!drag) return;
    const start = drag, t = timeAt(event);
    drag = null;
    $(".drag", svg).setAttribute("width", 0);
    if (event.type === "pointerup" && Math.abs(event.clientX - start.x) > 6) show(Math.min(t, start.t), Math.max(t, start.t));
    else point(worstNear(t, 3 * (to - from) / svg.clientWidth));
  };
  plot.addEventListener("pointerup", drop);
  plot.addEventListener("pointercancel", drop);
  plot.addEventListener("dblclick", act.all);
  plot.addEventListener("keydown", (event) => {
    const step = Math.max(width, (to - from) / 60);
    const keys = {
      ArrowLeft: () => point(worstNear(mark - step, step / 2), true), ArrowRight: () => point(worstNear(mark + step, step / 2), true),
      ArrowUp: act.in, ArrowDown: act.out, "+": act.in, "-": act.out, Home: () => point(0, true), End: () => point(data.total, true), Escape: act.all,
      PageUp: act.back, PageDown: act.on,
    };
    if (keys[event.key] && !event.ctrlKey && !event.metaKey && !event.altKey) { event.preventDefault(); keys[event.key](); }
  });
  for (const button of all("[data-do]")) button.addEventListener("click", () => act[button.dataset.do]());
  for (const a of all("a.mk, a.go")) {
    a.addEventListener("click", () => point(Number(a.dataset.at), true));
    if (a.classList.contains("mk")) for (const kind of ["pointerenter", "focus"]) a.addEventListener(kind, () => point(Number(a.dataset.at)));
  }
  new ResizeObserver(() => show(from, to)).observe(svg);

  plot.classList.add("live");
  plot.tabIndex = 0;
  // an application, so that a screen reader hands the arrow keys on; what they find is read out below
  plot.setAttribute("role", "application");
  plot.setAttribute("aria-label", "Strip chart: left and right move the mark, up and down zoom, Home and End go to the ends, Escape shows the whole job");
  for (const hidden of all(".tools, .how")) hidden.hidden = false;
  show(0, data.total);
  point(mark);
})();
