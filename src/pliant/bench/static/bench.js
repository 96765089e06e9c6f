"use strict";
// The bench without this script reads and sends as well; with it a form tells how far it is, and work its news.
(() => {
  const token = document.body.dataset.token;
  const size = (bytes) => (bytes < 1e6 ? `${Math.max(1, Math.round(bytes / 1e3))} kB` : `${(bytes / 1e6).toFixed(1)} MB`);

  for (const drop of document.querySelectorAll(".drop")) {
    const input = drop.querySelector("input"), picked = drop.querySelector(".picked");
    const tell = () => { picked.textContent = input.files.length > 1 ? `${input.files.length} programs, each is checked` : input.files.length ? `${input.files[0].name}, ${size(input.files[0].size)}` : ""; };
    input.addEventListener("change", tell);
    for (const name of ["dragenter", "dragover"]) drop.addEventListener(name, (event) => { event.preventDefault(); drop.classList.add("over"); });
    for (const name of ["dragleave", "drop"]) drop.addEventListener(name, () => drop.classList.remove("over"));
    drop.addEventListener("drop", (event) => {
      event.preventDefault();
      if (event.dataTransfer.files.length) { input.files = event.dataTransfer.files; tell(); }
    });
    if ("several" in input.dataset) input.multiple = true; // without this script one at a time
    tell();
  }
  // a file that misses its place does not replace the page
  for (const name of ["dragover", "drop"]) addEventListener(name, (event) => event.preventDefault());

  // one tap on the first step that failed answers every step; an answer given by itself takes the tap back
  for (const rungs of document.querySelectorAll(".rungs")) {
    const steps = [...document.querySelectorAll("select[name^=answer_]")], taps = [...rungs.querySelectorAll("input")];
    rungs.addEventListener("change", (event) => {
      const failed = event.target.value === "none" ? steps.length : Number(event.target.value) - 1;
      steps.forEach((step, k) => { step.value = k < failed ? "held" : k === failed ? "failed" : ""; });
    });
    for (const step of steps) step.addEventListener("change", () => { for (const tap of taps) tap.checked = false; });
  }

  for (const form of document.querySelectorAll("form[data-send]")) {
    const sending = form.querySelector(".sending"), trouble = form.querySelector(".trouble");
    const bar = sending.querySelector("progress"), doing = sending.querySelector(".doing");
    let request = null;
    const rest = () => { request = null; sending.hidden = true; for (const b of form.querySelectorAll(".go button")) b.disabled = false; };
    const fail = (text) => { rest(); trouble.hidden = false; trouble.textContent = text; trouble.scrollIntoView({ block: "nearest" }); };
    sending.querySelector(".stop").addEventListener("click", () => request && request.abort());
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      if (request) return;
      const several = form.querySelector("[data-several]"), left = several && several.files.length > 1 ? [...several.files] : [];
      const data = new FormData(form);
      if (left.length) data.set(several.name, left.shift());
      if (event.submitter && event.submitter.name) data.append(event.submitter.name, event.submitter.value);
      trouble.hidden = true; sending.hidden = false; bar.removeAttribute("value"); doing.textContent = "sending …";
      for (const b of form.querySelectorAll(".go button")) b.disabled = true;
      request = new XMLHttpRequest();
      request.open("POST", form.action);
      const head = () => { request.setRequestHeader("Accept", "application/json"); request.setRequestHeader("X-Bench-Token", token); request.responseType = "json"; };
      head();
      request.upload.addEventListener("progress", (e) => {
        if (!e.lengthComputable) return;
        bar.value = e.loaded / e.total;
        doing.textContent = e.loaded < e.total ? `sending, ${size(e.loaded)} of ${size(e.total)}` : "sent; beginning …";
      });
      request.addEventListener("load", () => {
        const said = request.response || {};
        const where = request.status < 300 ? said.location : request.status === 409 ? request.getResponseHeader("location") : "";
        if (where && left.length) { // the next of several; the corner shows them all
          data.set(several.name, left.shift());
          request.open("POST", form.action); head(); request.send(data); return;
        }
        if (where) { rest(); if (several && several.files.length > 1) { location.assign("/work"); return; } location.assign(where); return; }
        fail(said.error || "The bench did not understand the form.");
      });
      request.addEventListener("error", () => fail("The bench does not answer. Is it still running? Nothing was kept of what you sent."));
      request.addEventListener("abort", () => fail("Stopped. Nothing was kept of what you sent."));
      request.send(data);
    });
    addEventListener("pageshow", rest);
  }

  const work = document.querySelector("[data-work]");
  if (work) {
    const bar = work.querySelector("progress"), doing = work.querySelector(".doing");
    const ask = async (since, failures) => {
      try {
        const answer = await fetch(`/work/${work.dataset.work}?since=${since}`, { headers: { Accept: "application/json" } });
        const news = await answer.json();
        if (!answer.ok || !["waiting", "working"].includes(news.state)) { location.reload(); return; }
        doing.textContent = news.doing || "waiting for its turn";
        work.querySelector(".left").textContent = news.left || "";
        if (news.share > 0) bar.value = news.share; else bar.removeAttribute("value");
        ask(news.version, 0);
      } catch (error) {
        if (failures > 20) { doing.textContent = "The bench does not answer any more. Start it again, and send the file once more."; bar.value = 0; return; }
        setTimeout(() => ask(since, failures + 1), 700);
      }
    };
    ask(Number(work.dataset.version), 0);
  }

  // the corner: what goes on behind the page, while something does
  const corner = document.querySelector(".at-work");
  const going = async () => {
    try {
      const answer = await fetch("/work", { headers: { Accept: "application/json" } });
      const here = work ? work.dataset.work : "", { works } = await answer.json();
      for (const one of works) {
        const line = corner.querySelector(`[data-going="${one.id}"]`);
        if (one.id === here || !line) continue;
        const share = one.share > 0.01 ? `${Math.round(100 * one.share)} %, ` : "";
        line.querySelector(".how").textContent = one.ended ? (one.state === "done" ? "is ready" : "came to nothing") : share + (one.left || one.doing || "waiting for its turn");
        if (one.ended && line.querySelector("form")) line.querySelector("form").remove();
      }
      for (const line of corner.querySelectorAll("[data-going]")) if (!works.some((one) => one.id === line.dataset.going)) line.remove();
      corner.hidden = !corner.querySelector("[data-going]");
      if (works.some((one) => !one.ended && one.id !== here)) setTimeout(going, 1500);
    } catch (error) { setTimeout(going, 5000); }
  };
  if (corner && corner.querySelector("form")) setTimeout(going, 1500);

  // a word of ours, where a page has it first, says what it means when it is pointed at
  const own = ["feed path", "margin", "push", "demand", "capacity", "stored length", "coupon", "certificate", "proof", "baseline", "flow factor", "window map", "dialect", "lag", "island", "spread"];
  const main = document.querySelector("main"), texts = [];
  const walk = document.createTreeWalker(main, NodeFilter.SHOW_TEXT);
  for (let node; (node = walk.nextNode()); ) if (!node.parentElement.closest("a, button, label, select, option, textarea, code, script, style, svg, summary, legend, caption, h1, h2, h3, th, [aria-live], [role], .words, .plot")) texts.push(node);
  const found = own.map((word) => [word, texts.find((node) => new RegExp(`\\b${word}\\b`, "i").test(node.textContent))]).filter(([, node]) => node);
  if (found.length && location.pathname !== "/words") fetch("/words", { headers: { Accept: "application/json" } }).then((answer) => answer.json()).then(({ words }) => {
    for (const [word, node] of found) {
      const at = node.textContent.search(new RegExp(`\\b${word}\\b`, "i"));
      if (at < 0 || !words[word] || !node.parentNode) continue;
      const rest = node.splitText(at), tail = rest.splitText(word.length), link = document.createElement("a");
      link.className = "term"; link.href = `/words#${word.replaceAll(" ", "-")}`; link.title = words[word]; link.tabIndex = -1;
      rest.replaceWith(link); link.append(rest);
      for (const other of found) if (other[1] === node && tail.textContent.toLowerCase().includes(other[0])) other[1] = tail;
    }
  }).catch(() => {});

  // the handles of the window map: one question at a time, the last position wins
  const map = document.querySelector("[data-window]");
  if (map && map.querySelector(".handles")) {
    const form = map.querySelector(".handles"), here = form.querySelector(".here");
    const units = { speed_mm_per_s: "mm/s", nozzle_c: "°C", layer_height_mm: "mm", width_mm: "mm" };
    let asking = false, again = false;
    const percent = (chance) => (chance < 0.01 ? "under 1 %" : chance > 0.99 ? "over 99 %" : `${Number((100 * chance).toPrecision(2))} %`);
    const ask = async () => {
      for (const label of form.querySelectorAll("label")) {
        const input = label.querySelector("input");
        label.querySelector("output").textContent = `${Number(Number(input.value).toPrecision(3))} ${units[input.name]}`;
      }
      const height = form.elements.layer_height_mm, wide = form.elements.width_mm;
      if (Number(wide.value) < Number(height.value)) wide.value = height.value;
      if (asking) { again = true; return; }
      asking = true;
      try {
        const asked = new URLSearchParams(new FormData(form)).toString();
        const answer = await fetch(`${map.dataset.window}?${asked}`, { headers: { Accept: "application/json" } });
        const said = await answer.json();
        if (answer.ok) {
          map.querySelector(".map-wide").innerHTML = said.drawing_wide;
          map.querySelector(".map-narrow").innerHTML = said.drawing_narrow;
          here.textContent = `Chance of a jam there: ${percent(said.jam_probability)}, at a steady flow.`;
          here.dataset.of = asked;
        } else here.textContent = said.error;
      } catch (error) { here.textContent = "The bench does not answer."; }
      asking = false;
      if (again) { again = false; ask(); }
    };
    form.addEventListener("input", ask);
    form.addEventListener("submit", (event) => event.preventDefault());
  }
})();
