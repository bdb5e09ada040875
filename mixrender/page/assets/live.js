// Follows the server of a rehearsal: shows faults, swaps what has changed in its place, compares two versions.
//
// The server sends events: `state` first, then `faults`, `status`, `transition` (one section with its versions),
// `reload` (others, or in another order) and `around` (what stands beside the sections). What a page missed while
// it was not connected, it finds in the next `state` by the revisions of its sections, and fetches.
"use strict";
(() => {
  const page = window.mixrenderPage;
  const list = document.getElementById("transitions");
  const documents = new WeakMap(); // of each section what the server said of it, but its HTML
  const comparisons = new WeakMap();

  // ---- Places: seconds of a clip, and bars after the start of the overlap --------------------------------------
  function barsAt(place, time) {
    const { bars_s: bars, first_bar: first } = place;
    if (bars.length < 2) return null;
    const i = Math.min(Math.max(bars.findLastIndex((bar) => bar <= time), 0), bars.length - 2);
    return first + i + (time - bars[i]) / (bars[i + 1] - bars[i]);
  }

  function timeAt(place, bars) {
    const { bars_s: lines, first_bar: first } = place;
    const i = Math.min(Math.max(Math.floor(bars - first), 0), lines.length - 2);
    return lines[i] + (bars - first - i) * (lines[i + 1] - lines[i]);
  }

  // The same bar in another version; without bars, the same distance from the start of the overlap.
  function mapped(from, to, time) {
    const bars = from.bars_s.length > 1 && to.bars_s.length > 1 ? barsAt(from, time) : null;
    const there = bars === null ? to.start_s + time - from.start_s : timeAt(to, bars);
    return Math.min(Math.max(there, 0), to.duration_s);
  }

  // ---- Two versions -------------------------------------------------------------------------------------------
  const FADE_S = 0.01;
  const AHEAD_S = 0.03;
  const KEPT_SOUNDS = 4;
  let context = null;
  const sounds = new Map(); // decoded clips by their names, which are those of their bytes

  function sound(clip) {
    context ??= new AudioContext();
    let promise = sounds.get(clip);
    sounds.delete(clip);
    promise ??= fetch(clip)
      .then((answer) => {
        if (!answer.ok) throw new Error(`the server answered ${answer.status}`);
        return answer.arrayBuffer();
      })
      .then((bytes) => context.decodeAudioData(bytes));
    promise.catch(() => sounds.delete(clip));
    sounds.set(clip, promise);
    for (const name of [...sounds.keys()].slice(0, -KEPT_SOUNDS)) sounds.delete(name);
    return promise;
  }

  // What is heard of one transition. The page's own player stays in charge of playing, pausing and seeking; while
  // versions are compared it is mute, and its time follows that of the sound that is heard instead.
  class Comparison {
    constructor(section, versions) {
      this.section = section;
      this.versions = versions; // before, now
      this.stage = page.stage(Number(section.dataset.index));
      this.audio = this.stage.audio;
      this.heard = 1;
      this.buffers = null;
      this.source = null;
      this.moved = null;
      const known = versions.map((one) => one.loudness_lufs);
      // Only the louder one is made softer: nothing can clip.
      const goal = known.includes(null) ? null : Math.min(...known);
      this.gains = known.map((lufs) => (goal === null ? 1 : 10 ** ((goal - lufs) / 20)));
      this.audio.volume = this.gains[1]; // so that the first step from what plays already is level too
      this.release = new AbortController();
      const options = { signal: this.release.signal };
      this.audio.addEventListener("play", () => this.begin(), options);
      this.audio.addEventListener("pause", () => this.end(), options);
      this.audio.addEventListener("seeking", () => this.seek(), options);
      this.show();
    }

    show() {
      const holder = this.section.querySelector(".versions");
      holder.hidden = false;
      const words = [["before", "A", "before"], ["now", "B", "now"]];
      holder.replaceChildren(...words.map(([name, letter, word], i) => {
        const button = document.createElement("button");
        button.type = "button";
        button.className = "version";
        button.dataset.version = name;
        button.setAttribute("aria-pressed", String(this.heard === i));
        button.textContent = `${letter} ${word}`;
        button.addEventListener("click", () => this.choose(i));
        return button;
      }));
    }

    mark() {
      for (const [i, button] of [...this.section.querySelectorAll("button.version")].entries()) {
        button.setAttribute("aria-pressed", String(this.heard === i));
      }
    }

    get score() { return this.versions[1].place; }
    place(i) { return this.versions[i].place; }

    async prepare() {
      this.buffers ??= await Promise.all(this.versions.map((one) => sound(one.clip)));
    }

    async choose(i) {
      if (i === this.heard) return;
      const from = this.heard;
      this.heard = i;
      this.mark();
      page.say(i ? "Hearing B, the version now" : "Hearing A, the version before");
      try {
        sound(this.versions[i].clip); // makes the context while this is still the answer to a key or a click
        context.resume();
        await this.prepare();
      } catch (error) {
        this.heard = 1;
        this.mark();
        page.say(`The versions cannot be compared: ${error.message}.`);
        return;
      }
      if (this.audio.paused || this.release.signal.aborted) return;
      if (this.source) this.cross(this.timeNow(context.currentTime + AHEAD_S, from), from);
      else this.start();
    }

    // Seconds of version `i` at a time of the context, by what is being heard.
    timeNow(at, i) {
      const time = this.source.offset + Math.max(at - this.source.when, 0);
      return i === this.source.version ? time : mapped(this.place(this.source.version), this.place(i), time);
    }

    // From the version that sounds to the one chosen, at the same place, within 10 ms.
    cross(time, from) {
      const old = this.source;
      const when = context.currentTime + AHEAD_S;
      old.gain.gain.setValueAtTime(this.gains[old.version], when);
      old.gain.gain.linearRampToValueAtTime(0, when + FADE_S);
      old.node.stop(when + FADE_S);
      this.launch(mapped(this.place(from), this.place(this.heard), time), when);
    }

    launch(offset, when) {
      const node = new AudioBufferSourceNode(context, { buffer: this.buffers[this.heard] });
      const gain = new GainNode(context, { gain: 0 });
      gain.gain.setValueAtTime(0, when);
      gain.gain.linearRampToValueAtTime(this.gains[this.heard], when + FADE_S);
      node.connect(gain).connect(context.destination);
      node.start(when, offset);
      node.addEventListener("ended", () => gain.disconnect());
      this.source = { node, gain, when, offset, version: this.heard };
    }

    start() {
      const when = context.currentTime + AHEAD_S;
      this.launch(mapped(this.score, this.place(this.heard), this.audio.currentTime + AHEAD_S), when);
      this.audio.muted = true;
      this.audio.preservesPitch = false;
      clearInterval(this.timer);
      this.timer = setInterval(() => this.follow(), 100);
    }

    // The mute player keeps step with what is heard, so that the line stands where the sound is.
    follow() {
      if (!this.source || this.audio.paused || this.audio.seeking) return;
      const at = context.currentTime;
      const scored = (seconds) => {
        const time = this.timeNow(seconds, this.source.version);
        return mapped(this.place(this.source.version), this.score, time);
      };
      const apart = scored(at) - this.audio.currentTime;
      if (Math.abs(apart) > 0.3) {
        this.moved = scored(at);
        this.audio.currentTime = this.moved;
      } else {
        const pace = (scored(at + 0.1) - scored(at)) / 0.1;
        this.audio.playbackRate = Math.min(Math.max(pace + apart, 0.5), 2);
      }
    }

    async begin() {
      if (!this.buffers) {
        const wanted = this.heard;
        if (wanted === 0) this.audio.muted = true;
        await this.prepare().catch(() => { this.audio.muted = false; });
        // What plays already as it should is left to play: it is taken over when it is compared.
        if (wanted === 1 || !this.buffers || this.audio.paused || this.source) return;
      }
      context.resume();
      this.start();
    }

    end() {
      clearInterval(this.timer);
      this.halt();
      this.audio.playbackRate = 1;
    }

    halt() {
      if (!this.source) return;
      const { node, gain } = this.source;
      gain.gain.setTargetAtTime(0, context.currentTime, FADE_S / 4);
      node.stop(context.currentTime + 2 * FADE_S);
      this.source = null;
    }

    seek() {
      const own = this.moved !== null && Math.abs(this.audio.currentTime - this.moved) < 0.001;
      this.moved = null;
      if (own || !this.source || this.audio.paused) return;
      this.halt();
      this.start();
    }

    // Where the section's own picture is, whichever version is heard.
    get time() {
      if (!this.source) return this.audio.currentTime;
      return mapped(this.place(this.source.version), this.score, this.timeNow(context.currentTime, this.source.version));
    }

    remove() {
      this.release.abort();
      this.end();
      this.audio.muted = false;
    }
  }

  function compare(section) {
    comparisons.get(section)?.remove();
    comparisons.delete(section);
    const { versions } = documents.get(section);
    if (versions.length < 2 || !section.querySelector(".versions") || !section.querySelector("audio")) return;
    comparisons.set(section, new Comparison(section, versions));
  }

  // ---- Swapping -----------------------------------------------------------------------------------------------
  const sections = () => [...list.querySelectorAll("section.transition")];
  const newest = (section) => documents.get(section)?.versions.at(-1) ?? null;
  const stageOf = (section) => page.stages.find((stage) => stage.section === section) ?? null;

  function parsed(html) {
    const template = document.createElement("template");
    template.innerHTML = html;
    return document.importNode(template.content.querySelector("section"), true);
  }

  function know(section, { html, ...rest }) {
    section.dataset.revision = rest.revision;
    documents.set(section, rest);
  }

  // What the listener looks at, and where it stands, so that it stands there afterwards.
  function held() {
    const middle = innerHeight / 2;
    const inSight = sections().find((one) => {
      const box = one.getBoundingClientRect();
      return box.top <= middle && box.bottom >= middle;
    });
    const pair = documents.get(inSight ?? list)?.pair;
    const top = inSight?.getBoundingClientRect().top;
    return () => {
      const there = pair && sections().find((one) => documents.get(one)?.pair === pair);
      if (there) scrollBy({ top: there.getBoundingClientRect().top - top, behavior: "instant" });
    };
  }

  function focused(section) {
    const active = document.activeElement;
    if (!section.contains(active)) return () => {};
    if (active === section) return (fresh) => fresh.focus({ preventScroll: true });
    const kind = [active.localName, ...active.classList].join(".");
    const at = [...section.querySelectorAll(kind)].indexOf(active);
    const { selectionStart: start, selectionEnd: end } = active.localName === "textarea" ? active : {};
    return (fresh) => {
      const same = fresh.querySelectorAll(kind)[at];
      same?.focus({ preventScroll: true });
      if (start !== undefined) same?.setSelectionRange(start, end);
    };
  }

  const once = (target, kinds, limit_ms) => new Promise((done) => {
    for (const kind of kinds) target.addEventListener(kind, done, { once: true });
    setTimeout(done, limit_ms);
  });

  async function ready(audio, time) {
    audio.preload = "auto";
    audio.load();
    await once(audio, ["canplay", "error"], 5000);
    audio.currentTime = time();
    await once(audio, ["seeked", "error"], 1000);
  }

  // Put a section in the place of another. If its sound is the same, the player goes on as it is; else the new
  // one goes on from the same bar.
  async function swap(old, fresh, next) {
    const stage = stageOf(old);
    const comparison = comparisons.get(old);
    const version = next.versions.at(-1);
    const known = newest(old);
    const player = fresh.querySelector("audio");
    const same = known?.clip === version.clip;
    const time = () => mapped(known?.place ?? stage.place, version.place, comparison?.time ?? stage.audio.currentTime);
    const plays = stage?.audio && !stage.audio.paused;
    const begun = plays || (stage?.audio && stage.audio.currentTime > 0);
    if (!same && player && begun) await ready(player, time);
    const now = begun ? time() : 0;
    const stand = held();
    const focus = focused(old);
    const texts = [...old.querySelectorAll("textarea")].map((one) => one.value);
    comparison?.remove();
    comparisons.delete(old);
    stage?.remove();
    if (same && player && stage?.audio) player.replaceWith(stage.audio);
    old.replaceWith(fresh);
    know(fresh, next);
    const adopted = page.adopt(fresh, version.place);
    for (const [i, area] of fresh.querySelectorAll("textarea").entries()) area.value = texts[i] ?? area.value;
    compare(fresh);
    focus(fresh);
    if (plays || document.activeElement?.closest("section.transition") === fresh) {
      fresh.dispatchEvent(new Event("focusin")); // the keys go on acting on this one
    }
    stand();
    if (!same && begun && player) {
      if (Math.abs(player.currentTime - now) > 0.05) player.currentTime = now;
      if (plays) await adopted.play();
      comparisons.get(fresh)?.prepare().catch(() => {});
    } else if (same && plays) {
      await adopted.play();
    }
    adopted.show();
  }

  async function swapOne(next) {
    const old = sections().find((one) => documents.get(one)?.pair === next.pair);
    if (!old) return undefined; // a list that has it is on its way
    if (old.dataset.revision === next.revision) return undefined;
    return swap(old, parsed(next.html), next);
  }

  // ---- All of it ----------------------------------------------------------------------------------------------
  async function fetched(address) {
    const answer = await fetch(address);
    if (!answer.ok) throw new Error(`the server answered ${answer.status}`);
    return answer;
  }

  // What stands beside the sections: the head, the overview, the tracklist.
  async function refreshAround() {
    const text = await (await fetched("./")).text();
    const fresh = new DOMParser().parseFromString(text, "text/html");
    document.title = fresh.title;
    const stand = held();
    for (const place of ["header", "#mix"]) {
      const [old, next] = [document.querySelector(place), fresh.querySelector(place)];
      if (old.outerHTML !== next.outerHTML) old.replaceWith(document.adoptNode(next));
    }
    for (const hint of list.querySelectorAll(":scope > .hint")) hint.remove();
    list.append(...[...fresh.querySelectorAll("#transitions > .hint")].map((one) => document.adoptNode(one)));
    stand();
  }

  // A section by its number; null where another is there by now, for then its event is on its way.
  async function fetchSection({ index, pair }) {
    const answer = await fetch(`sections/${index}`);
    const sent = answer.ok ? await answer.json() : null;
    return sent?.pair === pair ? sent : null;
  }

  async function replaceAll(state) {
    const wanted = state.sections;
    const byPair = new Map(sections().map((one) => [documents.get(one)?.pair, one]));
    const stand = held();
    const kept = new Set(wanted.map((next) => next.pair));
    for (const [pair, section] of byPair) {
      if (kept.has(pair)) continue;
      comparisons.get(section)?.remove();
      stageOf(section)?.remove();
      section.remove();
    }
    let last = null;
    for (const next of wanted) {
      let section = byPair.get(next.pair);
      if (!section) {
        const sent = await fetchSection(next);
        if (!sent) return;
        section = parsed(sent.html);
        know(section, sent);
        if (last) last.after(section);
        else list.prepend(section);
        page.adopt(section, sent.versions.at(-1).place);
        compare(section);
      } else {
        if (section.dataset.revision !== next.revision) {
          const sent = await fetchSection(next);
          if (!sent) return;
          const fresh = parsed(sent.html);
          await swap(section, fresh, sent);
          section = fresh;
        }
        const inPlace = last ? last.nextElementSibling === section : list.firstElementChild === section;
        if (!inPlace && last) last.after(section);
        else if (!inPlace) list.prepend(section);
      }
      last = section;
    }
    page.stages.sort((a, b) => (a.section.compareDocumentPosition(b.section) & 4 ? -1 : 1));
    await refreshAround();
    stand();
  }

  // The state as a whole, when the page connects: nothing has to be fetched if nothing was missed.
  async function catchUp(state) {
    showFaults(state.faults);
    showStatus(state.status);
    const here = sections();
    const fits = here.length === state.sections.length
      && state.sections.every((one, i) => Number(here[i].dataset.index) === one.index
        && (documents.get(here[i])?.pair ?? one.pair) === one.pair);
    if (!fits) return replaceAll(state);
    for (const [i, one] of state.sections.entries()) {
      if (here[i].dataset.revision === one.revision) {
        if (documents.has(here[i])) continue;
        know(here[i], one);
        compare(here[i]);
      } else {
        documents.set(here[i], documents.get(here[i]) ?? { pair: one.pair, versions: [] });
        const sent = await fetchSection(one);
        if (sent) await swapOne(sent);
      }
    }
    if (around !== null && around !== state.around) await refreshAround();
    around = state.around;
    return undefined;
  }

  // ---- Words --------------------------------------------------------------------------------------------------
  const faults = document.getElementById("faults");
  const status = document.createElement("p");
  status.id = "live-status";
  status.setAttribute("role", "status");
  document.body.append(status);
  let saying = 0;
  let around = null;

  // What is scrolled to stops below the faults, not under them.
  new ResizeObserver(() => {
    document.documentElement.style.scrollPaddingTop = `${faults.offsetHeight}px`;
  }).observe(faults, { box: "border-box" });

  // A message in parts: what stands in back ticks is set as code.
  function quoted(message) {
    return message.split("`").map((part, index) => {
      if (index % 2 === 0) return document.createTextNode(part);
      const code = document.createElement("code");
      code.textContent = part;
      return code;
    });
  }

  function showFaults(found) {
    faults.tabIndex = found.length ? 0 : -1; // many faults scroll, by keys too
    if (!found.length) {
      faults.replaceChildren();
      return;
    }
    const head = document.createElement("p");
    head.textContent = found.length === 1
      ? "The plan has a fault; what was rendered before it is still here."
      : `The plan has ${found.length} faults; what was rendered before them is still here.`;
    const lines = document.createElement("ol");
    lines.append(...found.map((fault) => {
      const item = document.createElement("li");
      const where = fault.line === null ? "" : `line ${fault.line}, column ${fault.column}: `;
      item.append(...quoted(`${where}${fault.path ? `${fault.path}: ` : ""}${fault.message}`));
      if (fault.text) {
        const code = document.createElement("code");
        code.textContent = fault.text;
        item.append(document.createElement("br"), code);
      }
      return item;
    }));
    faults.replaceChildren(head, lines);
  }

  // What is over at once is not spoken of.
  function showStatus(text) {
    clearTimeout(saying);
    saying = setTimeout(() => { status.textContent = text; }, text ? 300 : 0);
  }

  // ---- Keys, and what is looked at ----------------------------------------------------------------------------
  function used() {
    const playing = page.stages.find((stage) => stage.audio && !stage.audio.paused)?.section;
    const focus = document.activeElement?.closest("section.transition");
    const middle = innerHeight / 2;
    const inSight = () => sections().find((one) => {
      const box = one.getBoundingClientRect();
      return box.top <= middle && box.bottom >= middle;
    });
    return playing ?? focus ?? inSight() ?? sections()[0] ?? null;
  }

  addEventListener("keydown", (event) => {
    if (event.key !== "b" || event.ctrlKey || event.altKey || event.metaKey || event.defaultPrevented) return;
    if (event.target.matches("textarea, select, input:not(.seek), [contenteditable]")) return;
    const section = used();
    const comparison = section && comparisons.get(section);
    if (comparison) comparison.choose(1 - comparison.heard);
    else page.say("There is only one version of this transition so far.");
  });

  const row = document.createElement("div");
  row.innerHTML = "<dt><kbd>b</kbd></dt><dd>hear the version before (A), or the one now (B), at the same bar</dd>";
  const help = document.querySelector("#keys dl");
  help?.insertBefore(row, help.lastElementChild);

  let told = 0;
  let telling = 0;
  function tell() {
    clearTimeout(telling);
    telling = setTimeout(() => {
      const index = Number(used()?.dataset.index ?? 0);
      if (!index || index === told) return;
      told = index;
      fetch(`at/${index}`).catch(() => { told = 0; });
    }, 200);
  }
  for (const kind of ["scroll", "focusin", "play"]) document.addEventListener(kind, tell, { capture: true, passive: true });

  const style = document.createElement("style");
  style.textContent = `
    html { overflow-anchor: none; }
    #faults:not(:empty) {
      position: sticky; top: 0; z-index: 5; max-height: 40vh; overflow: auto; background: var(--paper);
      white-space: normal; overflow-wrap: anywhere;
    }
    #faults p, #faults ol { margin: 0.3rem 0; }
    #live-status:not(:empty) {
      position: fixed; right: 1rem; bottom: 1rem; margin: 0; padding: 0.4rem 0.8rem; z-index: 5;
      background: var(--paper); color: var(--ink); border: 1px solid var(--mid);
    }
    @media print { #live-status { display: none; } }
  `;
  document.head.append(style);

  // ---- The stream ---------------------------------------------------------------------------------------------
  // One after another: a swap waits for its sound.
  let last = Promise.resolve();
  function then(job) {
    last = last.then(job).catch((error) => page.say(`This page could not follow: ${error.message}. Load it anew.`));
  }

  const stream = new EventSource("events");
  const on = (kind, job) => stream.addEventListener(kind, (event) => {
    const sent = JSON.parse(event.data);
    job(sent);
  });
  on("state", (sent) => then(() => catchUp(sent)));
  on("transition", (sent) => then(() => swapOne(sent)));
  on("reload", (sent) => then(() => replaceAll(sent)));
  on("around", (sent) => then(async () => { around = sent.around; await refreshAround(); }));
  on("faults", (sent) => showFaults(sent.faults));
  on("status", (sent) => showStatus(sent.status));
  stream.addEventListener("error", () => {
    showStatus(stream.readyState === EventSource.CLOSED ? "The rehearsal is over." : "The rehearsal does not answer.");
  });
})();
