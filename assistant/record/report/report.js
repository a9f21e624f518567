"use strict";
// Everything on the page can be read without this script. It plays recordings and moves the place in the exam.
(() => {
  const one = (what, where = document) => where.querySelector(what);
  const all = (what, where = document) => [...where.querySelectorAll(what)];
  const held = (id) => { const block = document.getElementById(id); return block ? JSON.parse(block.textContent) : null; };
  const clock = (seconds) => `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, "0")}`;

  // ------------------------------------------------------------------------------------------- recordings
  let sounds = null; // read when first wanted: it may be large
  const clip = one("#clip"), whole = one("#whole");
  let pressed = null;
  const source = (seq) => { sounds = sounds || held("sounds") || {}; return sounds[seq]; };
  const release = () => {
    if (!pressed) return;
    pressed.setAttribute("aria-pressed", "false");
    one("span", pressed).textContent = "▶";
    pressed = null;
  };
  const play = (button) => {
    const again = pressed === button;
    clip.pause();
    release();
    if (again) return;
    pressed = button;
    button.setAttribute("aria-pressed", "true");
    one("span", button).textContent = "■";
    clip.src = source(button.dataset.sound);
    clip.play().catch(release);
  };
  clip.addEventListener("ended", () => { const done = pressed; release(); if (running && done) next(done); });
  clip.addEventListener("error", release);
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button.play");
    if (!button) return;
    halt();
    play(button);
  });

  // ------------------------------------------------------------------------------------------- each eye
  for (const box of all(".scrub")) {
    const eye = box.closest(".eye"), slider = one("input", box), told = one(".told", box), link = one("a", box);
    const columns = all(".q", eye), cursor = one(".tracks .cursor", eye);
    const show = (place) => {
      const column = columns[place - 1];
      if (!column) return;
      const words = one("title", column).textContent;
      slider.value = place;
      slider.setAttribute("aria-valuetext", words);
      told.textContent = words;
      link.href = `#e${column.dataset.line}`;
      cursor.setAttribute("x1", column.dataset.x);
      cursor.setAttribute("x2", column.dataset.x);
      cursor.setAttribute("visibility", "visible");
    };
    slider.addEventListener("input", () => show(Number(slider.value)));
    for (const column of columns) column.addEventListener("click", () => show(Number(column.dataset.q)));
    box.hidden = false;
    slider.setAttribute("aria-valuetext", told.textContent);
  }

  // ------------------------------------------------------------------------------------------- the timeline
  const player = one(".player"), seek = one("#seek"), place = one("#place"), run = one("#run");
  const rows = all(".talk tr[data-at]");
  const cursor = one(".timeline .cursor");
  const pairs = (held("clock") || { pairs: [] }).pairs;
  const tied = Boolean(whole) && pairs.length > 0;
  let running = false, now = null;
  if (whole && !whole.hasAttribute("src")) {
    const load = () => { if (!whole.hasAttribute("src")) whole.src = held("whole-sound"); };
    whole.addEventListener("pointerdown", load);
    whole.addEventListener("focusin", load);
  }
  // Exam time to recording time and back, by the pairs that are known, straight between them.
  const across = (value, from, to) => {
    let i = 1;
    while (i < pairs.length - 1 && pairs[i][from] < value) i += 1;
    const a = pairs[i - 1], b = pairs[i] || a;
    const span = b[from] - a[from];
    return span > 0 ? a[to] + (value - a[from]) / span * (b[to] - a[to]) : a[to] + value - a[from];
  };
  const rowAt = (seconds) => {
    let low = 0, high = rows.length - 1;
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      if (Number(rows[middle].dataset.at) <= seconds + 0.001) low = middle; else high = middle - 1;
    }
    return rows[low];
  };
  const showAt = (seconds, follow, exactly) => {
    const row = exactly || rowAt(seconds);
    const x = String(seconds / Number(seek.max) * 1000);
    cursor.setAttribute("x1", x);
    cursor.setAttribute("x2", x);
    if (!row) return;
    if (now) now.classList.remove("now");
    now = row;
    row.classList.add("now");
    const words = `${clock(seconds)} of ${clock(Number(seek.max))}${row.dataset.where ? `, ${row.dataset.where}` : ""}`;
    place.textContent = words;
    seek.setAttribute("aria-valuetext", words);
    if (follow) row.scrollIntoView({ block: "nearest" });
  };
  const halt = () => {
    running = false;
    run.textContent = "Play";
    if (tied) whole.pause();
  };
  const clipFrom = (row) => {
    for (let at = rows.indexOf(row); at >= 0 && at < rows.length; at += 1) {
      const button = one("button.play", rows[at]);
      if (button) return button;
    }
    return null;
  };
  const goOn = (button) => {
    if (!button) { halt(); return; }
    const row = button.closest("tr");
    seek.value = row.dataset.at;
    showAt(Number(row.dataset.at), true, row);
    play(button);
  };
  const next = (button) => {
    const row = button.closest("tr");
    goOn(clipFrom(rows[rows.indexOf(row) + 1]));
  };
  seek.addEventListener("input", () => {
    const seconds = Number(seek.value);
    showAt(seconds, false);
    if (tied && whole.hasAttribute("src")) whole.currentTime = Math.max(0, across(seconds, 0, 1));
  });
  run.addEventListener("click", () => {
    if (running) { clip.pause(); release(); halt(); return; }
    running = true;
    run.textContent = "Stop";
    if (!tied) { goOn(clipFrom(now && Number(now.dataset.at) === Number(seek.value) ? now : rowAt(Number(seek.value)))); return; }
    if (!whole.hasAttribute("src")) whole.src = held("whole-sound");
    const from = Math.max(0, across(Number(seek.value), 0, 1));
    const begin = () => { whole.currentTime = from; whole.play().catch(halt); };
    if (whole.readyState > 0) begin(); else { whole.addEventListener("loadedmetadata", begin, { once: true }); whole.load(); }
  });
  if (tied) {
    whole.addEventListener("timeupdate", () => {
      const seconds = Math.min(Number(seek.max), Math.max(0, across(whole.currentTime, 1, 0)));
      seek.value = seconds;
      showAt(seconds, running);
    });
    whole.addEventListener("pause", () => { if (running) halt(); });
  }
  if (rows.length) {
    player.hidden = false;
    run.hidden = !(tied || one("button.play"));
    showAt(0, false);
    if (now) now.classList.remove("now");
  }
  document.documentElement.dataset.ready = "true";
})();
