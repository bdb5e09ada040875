// Players, their lines over the pictures, keys, notes. No texts are made here but times and states; what the
// live script needs of this one is `mixrenderPage`, at the end.
"use strict";
(() => {
  const data = JSON.parse(document.getElementById("mix-data").textContent);
  const state = document.getElementById("state");
  const still = matchMedia("(prefers-reduced-motion: reduce)");
  const stages = [];
  let current = null;
  let frame = 0;

  const clock = (seconds) => {
    const tenths = Math.round(Math.max(seconds, 0) * 10);
    const [hours, minutes] = [Math.floor(tenths / 36000), Math.floor(tenths / 600) % 60];
    const rest = ((tenths % 600) / 10).toFixed(1).padStart(4, "0");
    return hours ? `${hours}:${String(minutes).padStart(2, "0")}:${rest}` : `${minutes}:${rest}`;
  };
  const say = (text) => { state.textContent = text; };
  const name = (place) => (place.index ? `transition ${place.index}` : "the mix");

  // One player and the picture over it. A stage without a sound of its own shows its part of the whole mix.
  class Stage {
    constructor(section, place, audio, offset) {
      this.section = section;
      this.audio = audio;
      this.offset = offset;
      this.figure = section.querySelector("figure");
      this.line = section.querySelector("figure .playhead");
      this.button = section.querySelector("button.play");
      this.slider = section.querySelector("input.seek");
      this.output = section.querySelector("output.time");
      this.trouble = section.querySelector("[data-trouble]");
      this.place = place;
      this.release = new AbortController();
      this.listen({ signal: this.release.signal });
      this.show();
    }

    listen(options) {
      this.section.addEventListener("focusin", () => { current = this; }, options);
      if (!this.audio) return;
      this.button.addEventListener("click", () => this.toggle(), options);
      this.slider.addEventListener("input", () => this.seek(this.slider.valueAsNumber), options);
      this.figure?.addEventListener("click", (event) => {
        if (!event.target.closest("a")) this.seek(this.timeAt(event.clientX));
      }, options);
      for (const kind of ["play", "pause", "ended", "seeked", "timeupdate", "loadedmetadata"]) {
        this.audio.addEventListener(kind, () => this.show(), options);
      }
      this.audio.addEventListener("play", () => { this.quieten(); run(); }, options);
      this.audio.addEventListener("error", () => this.fail(this.audio.error?.message), options);
    }

    // Seconds of this part; outside of 0 to its length where the mix plays elsewhere.
    get time() { return this.audio ? this.audio.currentTime - this.offset : 0; }
    get playing() { return Boolean(this.audio) && !this.audio.paused && this.holds(this.time); }
    holds(time) { return time >= -0.005 && time <= this.place.duration_s + 0.005; }

    toggle() {
      current = this;
      if (this.playing) {
        this.audio.pause();
        say(`Paused at ${this.where(this.time)}`);
        return;
      }
      const ended = this.time > this.place.duration_s - 0.05;
      if (ended || !this.holds(this.time)) this.audio.currentTime = this.offset;
      this.play();
    }

    async play() {
      if (this.trouble) this.trouble.hidden = true;
      try {
        await this.audio.play();
        say(`Playing ${name(this.place)}`);
      } catch (error) {
        if (error.name !== "AbortError") this.fail(error.message);
      }
    }

    fail(reason) {
      if (!this.trouble) return;
      this.trouble.textContent = `${this.place.clip ?? "The mix"} cannot be played here (${reason || "no reason given"}). `
        + "Is the file still beside this page?";
      this.trouble.hidden = false;
      say(this.trouble.textContent);
    }

    // One sound at a time.
    quieten() {
      for (const audio of document.querySelectorAll("audio")) if (audio !== this.audio) audio.pause();
    }

    seek(time) {
      current = this;
      this.audio.currentTime = this.offset + Math.min(Math.max(time, 0), this.place.duration_s);
      this.show();
    }

    // To the bar line before (-1) or after (+1); a moment after a line still counts as on it.
    step(way) {
      const here = this.holds(this.time) ? this.time : 0;
      const bars = this.place.bars_s ?? [];
      const near = this.playing ? 0.4 : 0.01;
      const next = way > 0 ? bars.find((bar) => bar > here + 0.01) : bars.findLast((bar) => bar < here - near);
      this.seek(next ?? (way > 0 ? this.place.duration_s : 0));
      say(this.where(this.time));
    }

    // Bars after the start of the overlap, as plans count them.
    barsIn(time) {
      const bars = this.place.bars_s ?? [];
      if (bars.length < 2) return null;
      let i = bars.findLastIndex((bar) => bar <= time + 1e-4);
      i = Math.min(Math.max(i, 0), bars.length - 2);
      return this.place.first_bar + i + (time - bars[i]) / (bars[i + 1] - bars[i]);
    }

    inBars(time) {
      const bars = this.barsIn(time);
      if (bars === null) return "";
      const quarters = Math.floor(bars * 4 + 0.02) / 4;
      return `, ${Math.abs(quarters).toFixed(2)} bars ${quarters < 0 ? "before" : "in"}`;
    }

    where(time) { return clock(time) + this.inBars(time); }

    // Left edge and width in pixels of what lies between the start and the end in the picture.
    extent() {
      const around = this.figure.getBoundingClientRect();
      const svg = [...this.figure.querySelectorAll("svg.score")].find((one) => one.getClientRects().length);
      if (!svg) return { left: 0, wide: around.width, page: around.left };
      const box = svg.getBoundingClientRect();
      const scale = box.width / svg.viewBox.baseVal.width;
      const [x0, x1] = [Number(svg.dataset.x0), Number(svg.dataset.x1)];
      const left = (x0 - svg.viewBox.baseVal.x) * scale;
      return { left: box.left - around.left + left, wide: (x1 - x0) * scale, page: box.left + left };
    }

    timeAt(clientX) {
      const { wide, page } = this.extent();
      return ((clientX - page) / wide) * this.place.duration_s;
    }

    show() {
      if (!this.button || !this.audio) return;
      const { duration_s: length } = this.place;
      const inside = this.holds(this.time);
      const time = inside ? Math.min(Math.max(this.time, 0), length) : 0;
      this.button.setAttribute("aria-pressed", String(this.playing));
      this.slider.value = time;
      this.slider.setAttribute("aria-valuetext", `${this.where(time)}, of ${clock(length)}`);
      this.output.value = `${clock(time)} of ${clock(length)}${this.inBars(time)}`;
      this.draw(inside ? time : null);
    }

    draw(time) {
      if (!this.line) return;
      this.line.style.visibility = time === null ? "hidden" : "visible";
      if (time === null) return;
      const { left, wide } = this.extent();
      this.line.style.transform = `translateX(${(left + (time / this.place.duration_s) * wide).toFixed(2)}px)`;
    }

    remove() {
      this.release.abort();
      sizes.unobserve(this.figure ?? this.section);
      const at = stages.indexOf(this);
      if (at >= 0) stages.splice(at, 1);
      if (current === this) current = null;
    }
  }

  // The lines run while something plays; with reduced motion they step, as the sound tells its time.
  function run() {
    cancelAnimationFrame(frame);
    if (still.matches) return;
    const next = () => {
      const playing = stages.filter((stage) => stage.audio && !stage.audio.paused);
      for (const stage of playing) stage.show();
      if (playing.length) frame = requestAnimationFrame(next);
    };
    frame = requestAnimationFrame(next);
  }

  const sizes = new ResizeObserver((entries) => {
    for (const { target } of entries) stages.find((one) => (one.figure ?? one.section) === target)?.show();
  });

  function add(stage) {
    stages.push(stage);
    stages.sort((a, b) => (a.section.compareDocumentPosition(b.section) & 4 ? -1 : 1));
    sizes.observe(stage.figure ?? stage.section);
    return stage;
  }

  const whole = document.getElementById("mix");
  const mixAudio = whole.querySelector("audio");

  // Make a section of a transition play; `place` is its entry in the data.
  function adopt(section, place) {
    const own = section.querySelector("audio");
    const note = section.querySelector("textarea.note");
    if (note) keep(note, place);
    return add(new Stage(section, place, own ?? mixAudio, own ? 0 : place.clip_start_s));
  }

  // ---- Notes -------------------------------------------------------------------------------------------------
  const noteKey = (place) => `mixrender note ${JSON.stringify([data.title, place.from, place.to])}`;

  function keep(note, place) {
    try {
      note.value = localStorage.getItem(noteKey(place)) ?? "";
    } catch { /* a browser that keeps nothing: notes last as long as the page */ }
    note.addEventListener("input", () => {
      try {
        if (note.value) localStorage.setItem(noteKey(place), note.value);
        else localStorage.removeItem(noteKey(place));
      } catch {
        say("This browser keeps no notes: export them before you close the page.");
      }
    });
  }

  function notes() {
    const parts = [];
    for (const { place, section } of stages) {
      const text = section.querySelector("textarea.note")?.value.trim();
      if (!text) continue;
      const at = clock(place.clip_start_s + place.start_s).replace(/\.\d$/, "");
      parts.push(`${place.index}  ${place.from} → ${place.to}, at ${at}\n${text.replace(/^/gm, "   ")}\n`);
    }
    return parts.length ? `${data.title}\n\n${parts.join("\n")}` : "";
  }

  function exportNotes() {
    const text = notes();
    if (!text) return say("There are no notes yet.");
    const link = document.createElement("a");
    const address = URL.createObjectURL(new Blob([text], { type: "text/plain;charset=utf-8" }));
    link.href = address;
    link.download = `${data.title.replace(/[^\p{L}\p{N}]+/gu, "-").replace(/^-|-$/g, "") || "mix"}-notes.txt`;
    link.click();
    setTimeout(() => URL.revokeObjectURL(address), 10000);
    return say(`Notes written to ${link.download}.`);
  }

  async function copyNotes() {
    const text = notes();
    if (!text) return say("There are no notes yet.");
    try {
      await navigator.clipboard.writeText(text);
    } catch {
      const field = document.createElement("textarea");
      field.value = text;
      document.body.append(field);
      field.select();
      const copied = document.execCommand("copy");
      field.remove();
      if (!copied) return say("This browser does not let pages copy: export the notes.");
    }
    return say("Notes copied.");
  }

  // ---- Keys --------------------------------------------------------------------------------------------------
  const keys = document.getElementById("keys");

  // The stage that keys act on: the last one used, else the one that is looked at.
  function chosen() {
    if (current && stages.includes(current)) return current;
    const middle = innerHeight / 2;
    const inSight = stages.find((one) => {
      const box = one.section.getBoundingClientRect();
      return box.top <= middle && box.bottom >= middle;
    });
    const first = stages.find((one) => one.audio);
    return inSight?.audio ? inSight : first;
  }

  function go(way) {
    const at = stages.indexOf(chosen());
    const begun = current !== null || way < 0;
    const next = stages[Math.min(Math.max(at + (begun ? way : 0), 0), stages.length - 1)];
    if (next) reveal(next.section);
  }

  // Go to a section. Those that come near for the first time get their true height some frames later, which
  // would move it away again.
  function reveal(section) {
    let frames = 8;
    const align = () => {
      if (document.activeElement !== section) return;
      section.scrollIntoView();
      frames -= 1;
      if (frames > 0) requestAnimationFrame(align);
    };
    section.focus({ preventScroll: true });
    align();
  }

  function follow(event) {
    const href = event.target.closest('a[href^="#t"]')?.getAttribute("href");
    const stage = stages.find((one) => `#${one.section.id}` === href);
    if (!stage || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    history.replaceState(null, "", href);
    reveal(stage.section);
  }

  const withBars = (way) => { const stage = chosen(); if (stage?.audio) stage.step(way); };
  const withTime = (time) => { const stage = chosen(); if (stage?.audio) stage.seek(time(stage)); };
  const actions = {
    " ": () => { const stage = chosen(); if (stage?.audio) stage.toggle(); },
    ArrowLeft: (event) => (event.shiftKey ? go(-1) : withBars(-1)),
    ArrowRight: (event) => (event.shiftKey ? go(1) : withBars(1)),
    ArrowUp: (event) => (event.target.matches("input.seek") ? withBars(1) : go(-1)),
    ArrowDown: (event) => (event.target.matches("input.seek") ? withBars(-1) : go(1)),
    Home: () => withTime(() => 0),
    End: () => withTime((stage) => stage.place.duration_s),
    "?": () => keys.showModal(),
  };

  function key(event) {
    const { target } = event;
    if (event.defaultPrevented || event.ctrlKey || event.altKey || event.metaKey || keys.open) return;
    if (target.matches("textarea, select, input:not(.seek), [contenteditable]")) return;
    if (event.key === " " && target.matches("button, summary")) return;
    const action = Object.hasOwn(actions, event.key) ? actions[event.key] : null;
    if (!action) return;
    event.preventDefault();
    action(event);
  }

  // ---- Beginning ---------------------------------------------------------------------------------------------
  if (mixAudio) {
    whole.querySelector("figure").classList.add("seeks");
    add(new Stage(whole, { index: 0, duration_s: data.duration_s, clip: null }, mixAudio, 0));
  }
  for (const place of data.transitions) {
    const section = document.getElementById(`t${place.index}`);
    if (section) adopt(section, place);
  }
  document.addEventListener("keydown", key);
  document.addEventListener("click", follow);
  document.getElementById("export-notes").addEventListener("click", exportNotes);
  document.getElementById("copy-notes").addEventListener("click", copyNotes);
  document.getElementById("show-keys").addEventListener("click", () => keys.showModal());

  const linked = stages.find((one) => `#${one.section.id}` === location.hash);
  if (linked) reveal(linked.section);

  window.mixrenderPage = {
    stages,
    adopt,
    say,
    stage: (index) => stages.find((one) => one.place.index === index) ?? null,
  };
})();
