"use strict";
// The page at the rig. It shows what padlab says and asks for what a person pressed; it decides nothing.
const MM_PER_THOU = 0.0254;
const TEXT_MS = 100;                // figures are written so often: quicker ones cannot be read
const QUIET_MS = 400;               // ... and everything so often for who wants little motion
const HEARD_MS = 6000;
// A foot switch is a keyboard with one key or two; these are what they are sold with.
const STEP_KEYS = [" ", "Enter", "PageDown", "F9", ...Array.from({ length: 12 }, (_, i) => `F${13 + i}`)];
const AGAIN_KEYS = ["Backspace", "PageUp"];
const PRESSED = ["stroke", "bare", "hold", "keep"];
const ZERO_KEY = "F8";
const loop = new Loop(el("loop"));
const quiet = matchMedia("(prefers-reduced-motion: reduce)");
let state = {}, figures = {}, progress = "", at = -1, thou = localStorage.getItem("padlab.unit") === "thou";
let isDue = false, written = 0, isNew = false, hasRun = false;

const put = (id, text) => { const e = el(id); if (e && e.textContent !== text) e.textContent = text; };
const show = (id, is) => { const e = el(id); if (e) e.hidden = !is; };
const known = (v) => v !== null && v !== undefined;
const number = (v, digits) => (known(v) ? v.toFixed(digits).replace("-", "\u2212") : "–");
const make = (tag, text, kind) => { const e = document.createElement(tag); e.textContent = text; if (kind) e.className = kind; return e; };
const running = () => state.phase === "recording" || state.phase === "starting";

function units() {
  loop.thou = thou;
  put("place-unit", thou ? "thou" : "mm");
  put("units", thou ? "show mm" : "show thou");
  el("units").setAttribute("aria-pressed", String(thou));
  loop.redraw();
}

function write() {
  const f = figures;
  const length = (mm, digits) => number(thou && known(mm) ? mm / MM_PER_THOU : mm, thou ? digits - 2 : digits);
  put("force", number(f.force_n, 2));
  put("place", length(f.displacement_mm, 3));
  put("rate", known(f.rate) ? `${f.rate.toFixed(f.rate < 10 ? 1 : 0)} lines/s` : "–");
  const noise = [];
  if (known(f.noise_n)) noise.push(`${f.noise_n.toFixed(3)} N`);
  if (known(f.noise_mm)) noise.push(thou ? `${(f.noise_mm / MM_PER_THOU).toFixed(2)} thou` : `${(1000 * f.noise_mm).toFixed(1)} µm`);
  put("noise", noise.join(", ") || "–");
  put("lost", known(f.lost_lines) ? String(f.lost_lines) : "–");
  put("bad", known(f.bad_lines) ? String(f.bad_lines) : "–");
  if (running() && state.run) put("progress", progress || state.run.title);
}

function gauge() {
  const force = figures.force_n || 0, target = running() && state.run && state.run.target;
  const top = target ? Math.max(1, 1.5 * target[1]) : Math.max(1, 1.2 * force);
  const share = (n) => Math.max(0, Math.min(1, n / top));
  show("band", target);
  el("gauge").dataset.in = String(Boolean(target) && force >= target[0] && force <= target[1]);
  if (target) {
    el("band").style.left = `${100 * share(target[0])}%`;
    el("band").style.width = `${100 * (share(target[1]) - share(target[0]))}%`;
    put("target", `wanted: ${number(target[0], 1)} to ${number(target[1], 1)} N`);
  }
  show("target", target);
  el("needle").style.left = `${100 * share(force)}%`;
}

// One picture, asked for only where something is new: a page at which nothing happens draws nothing.
function picture(now) {
  isDue = false;
  let more = false;
  if (!(quiet.matches && running() && now - written < QUIET_MS)) {
    more = loop.picture();
    gauge();
    if (now - written >= TEXT_MS) { written = now; isNew = false; write(); }
  } else more = true;
  if (more || isNew) due();
}
function due() { if (!isDue) { isDue = true; requestAnimationFrame(picture); } }

function prompts() {
  const run = state.run;
  if (running() && run) put("prompt", run.prompt);
  else {
    const form = el("form"), ready = !form ? "Ready." : el("pad").hidden ? "Ready to start." : "Ready: say what pad it is, then start.";
    put("prompt", state.phase === "lost" ? "The rig is not there." : ready);
    put("progress", state.rig ? `rig ${state.rig.name}` : "");
  }
  const last = running() ? (state.said || []).filter((s) => s.tone !== "prompt").slice(-1)[0] : null;
  show("judged", running());
  put("judged", last ? last.text : "");
  el("judged").className = `judged ${last ? last.tone : ""}`;
  const trouble = state.trouble;
  show("trouble", trouble);
  if (trouble) put("trouble", trouble.message + (trouble.seen ? ` (${trouble.seen})` : "") + (trouble.remedy ? `: ${trouble.remedy}` : ""));
}

function lists() {
  const said = state.said || [], newest = said.length ? said[said.length - 1].n : 0, list = el("said");
  if (Number(list.dataset.newest || 0) !== newest || list.children.length !== Math.min(said.length, 30)) {
    list.replaceChildren(...said.slice(-30).reverse().map((s) => make("li", s.text, s.tone === "prompt" ? "" : s.tone)));
    list.dataset.newest = newest;
  }
  const run = state.run, steps = el("steps");
  const key = run ? `${run.id}${run.index}${run.count}${run.steps.length}${running()}` : "";
  if (steps.dataset.key === key) return;
  steps.dataset.key = key;
  steps.replaceChildren(...(run ? run.steps : []).map((s, i) => {
    const done = i < run.index, now = i === run.index && running();
    const item = make("li", `${s.label}: ${s.words}`, done ? "done" : now ? "now" : "");
    if (done) item.append(make("span", " done", "good"));
    if (now) { item.setAttribute("aria-current", "step"); if (s.count > 1) item.append(make("span", ` ${run.count} of ${s.count}`)); }
    return item;
  }));
}

function result() {
  const r = state.result, box = el("result");
  show("result", r);
  const key = r ? JSON.stringify(r) : "";
  if (box.dataset.key === key) return;
  box.dataset.key = key;
  if (!r) { box.replaceChildren(); return; }
  const heading = { complete: "The run is complete.", interrupted: "The run ended early; what was recorded is kept.", failed: "The run did not go." }[r.state] || r.state;
  // The next pad is another one: two of them under one name would count as one.
  if (hasRun && r.kind === "pad" && r.state === "complete" && el("form")) el("form").elements["pad.id"].value = "";
  hasRun = false;
  box.replaceChildren(make("h2", heading, r.state === "complete" ? "good" : "poor"));
  if (r.why) box.append(make("p", r.why));
  if (r.fault && r.fault.seen) box.append(make("p", `Seen: ${r.fault.seen}`));
  if (r.fault && r.fault.remedy) box.append(make("p", `Try: ${r.fault.remedy}`));
  for (const m of r.marks) box.append(make("p", m, "small"));
  if (r.run) {
    const link = make("a", r.kind === "pad" ? `Fit run ${r.run}` : `Look at run ${r.run}`);
    link.href = `/run/${encodeURIComponent(r.run)}`;
    const line = make("p", "");
    line.append(link);
    box.append(line);
  }
}

// What the readings rest on: a word beside each figure, the rest below.
function trust() {
  const told = state.rig ? state.rig.trust : [];
  for (const [quantity, id] of [["force", "force-trust"], ["displacement", "place-trust"]]) {
    const one = told.find((t) => t.quantity === quantity);
    put(id, one ? one.words : "");
    el(id).className = `trust ${one ? one.weight : ""}`;
    el(id).closest(".figure").hidden = Boolean(state.rig) && !one;
  }
  show("gauge", !state.rig || told.some((t) => t.quantity === "force"));
  put("trust", told.map((t) => `${t.quantity}: ${t.words}, ${t.more}`).join("; "));
}

function shown() {
  const bench = el("bench"), run = state.run, drives = Boolean(state.may_drive);
  if (state.rig && state.rig.name !== bench.dataset.rig) { location.reload(); return; }   // chosen in another tab
  document.body.dataset.phase = state.phase;
  bench.classList.toggle("idle", !running() && !state.result);
  show("ask", !running());
  show("go", !running());
  if (running() && el("form")) { if (el("mistakes").children.length) told(el("form"), []); hasRun = true; }
  show("broken", !running() && !run);
  show("beside", Boolean(run));
  show("stop", running());
  el("stop").disabled = !running();
  show("confirm", running() && run && run.by_weights && drives);
  show("again", running() && run && !run.has_motor && drives && run.steps.some((s) => PRESSED.includes(s.do)));
  show("zero", !running() && drives);
  if (el("zero")) {
    el("zero").setAttribute("aria-pressed", String(Boolean(state.zero)));
    el("zero").firstChild.textContent = state.zero ? "As read " : "Zero ";
  }
  show("force-net", state.zero && known(state.zero.force_n) || running() && run && run.zero_taken && !run.by_weights);
  show("place-net", state.zero && known(state.zero.displacement_mm));
  if (!running()) put("heard", state.zero ? "shown from zero; a run takes its own" : "");
  trust(); prompts(); lists(); result();
  isNew = true;
}

function connect() {
  const socket = new WebSocket(`ws://${location.host}/live`);
  let beat = null, wasOpen = false;
  socket.onopen = () => {
    wasOpen = true;
    show("offline", false);
    beat = setInterval(() => socket.readyState === WebSocket.OPEN && socket.send("here"), 500);
  };
  socket.onmessage = (event) => {
    const message = JSON.parse(event.data);
    if (message.figures) { figures = message.figures; progress = message.progress; isNew = true; }
    if (message.state) { state = message.state; shown(); }
    if (message.loop !== undefined) {
      if (message.loop !== at) { at = message.loop; loop.clear(state.axes); }
      loop.add(message.points);
    }
    due();
  };
  socket.onclose = () => { clearInterval(beat); at = -1; setTimeout(() => again(wasOpen), 1000); };
}

// Is padlab there, and does it know this tab? Only then a socket is asked for again.
async function again(wasOpen) {
  let known = null;
  try { known = (await fetch("/static/rig.css", { method: "HEAD" })).ok; } catch { known = null; }
  if (known && wasOpen) { connect(); return; }
  put("offline", known ? "Too many tabs look on at this bench: close one; this one tries again."
    : known === false
    ? "padlab bench was started anew and does not know this page: open the newest link that stands in its terminal."
    : "The page does not hear from padlab. A run goes on by itself and is kept; see to the terminal in which padlab bench was started.");
  show("offline", true);
  if (known) connect(); else setTimeout(() => again(true), known === false ? 5000 : 1000);
}

let isHeard = null;
async function press(path, what, key) {
  const answer = await ask(path, what || {});
  const words = answer.error ? answer.error.message : answer.words;
  if (!words) return;
  put("heard", key ? `${key} was heard: ${words}` : words);
  clearTimeout(isHeard);
  isHeard = setTimeout(() => put("heard", ""), HEARD_MS);
}
const zero = (key) => press("/api/zero", { on: !state.zero }, key);

function kindOfForm() {
  const form = el("form"), chosen = form.elements.procedure.selectedOptions[0], kind = chosen.dataset.kind;
  show("pad", kind === "pad");
  show("pad-id", kind === "pad");
  show("latitude", chosen.dataset.weights);
  show("rest", chosen.dataset.rest);
  put("rest", `The pad must have lain without load for ${chosen.dataset.rest} h before; say under "The room" how it was kept.`);
  put("note-name", kind === "touch" ? "Session: who plays, and what" : "Note");
  const told = ["material", "lot", "material_class", "outer_diameter", "inner_diameter", "thickness"]
    .map((key) => form.elements[`pad.${key}`].value.trim()).filter((text) => text);
  prompts();
  put("pad-told", told.length > 1 ? told.join(", ") : "to be filled in");
}

// Mistakes, all at once: each at its field, and by the name that stands there above the button that starts.
function told(form, mistakes) {
  for (const field of form.querySelectorAll("[aria-invalid]")) { field.removeAttribute("aria-invalid"); field.removeAttribute("aria-describedby"); }
  for (const note of form.querySelectorAll(".at-field")) note.remove();
  let first = null;
  el("mistakes").replaceChildren(...mistakes.map((words, number) => {
    const key = words.split(":")[0], field = form.elements[`pad.${key}`] || form.elements[key];
    if (!field || !field.setAttribute) return make("li", words);
    const label = field.labels[0], about = words.slice(key.length + 1).trim(), note = make("span", about, "at-field poor");
    const name = label.cloneNode(true);
    for (const inside of name.querySelectorAll("input, select")) inside.remove();
    note.id = `mistake-${number}`;
    label.append(note);
    field.setAttribute("aria-invalid", "true");
    field.setAttribute("aria-describedby", note.id);
    const hidden = field.closest("details");
    if (hidden) hidden.open = true;
    if (!first || field.compareDocumentPosition(first) & Node.DOCUMENT_POSITION_FOLLOWING) first = field;
    return make("li", `${name.textContent.trim()}: ${about}`);
  }));
  if (first) first.focus();
}

const form = el("form");
if (form) {
  form.addEventListener("input", kindOfForm);
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (form.dataset.asking) return;                     // a second press of the button asks nothing again
    form.dataset.asking = "yes";
    const what = { pad: {} };
    for (const field of form.elements) {
      if (!field.name) continue;
      const value = field.type === "checkbox" ? field.checked : field.value;
      if (field.name.startsWith("pad.")) what.pad[field.name.slice(4)] = value; else what[field.name] = value;
    }
    const fault = (await ask("/api/start", what)).error;
    delete form.dataset.asking;
    told(form, fault ? (fault.where && fault.where.mistakes) || [say(fault)] : []);
    if (fault) return;
    form.elements.cautions.checked = false;
    if (form.elements.move) form.elements.move.checked = false;
    el("go").blur();
    scrollTo(0, 0);
  });
  // Another stock is of another class, perhaps: it is asked for again, never taken over in silence.
  form.elements["pad.material"].addEventListener("input", () => { form.elements["pad.material_class"].value = ""; });
  kindOfForm();
  if (!form.elements["pad.material"].value) el("pad").open = true;
}
if (el("take")) el("take").addEventListener("click", async () => {
  const answer = await ask("/api/rig", { rig: el("rig").value });
  if (answer.error) put("no-rig", say(answer.error)); else location.reload();
});
const pressed = (id, then) => el(id) && el(id).addEventListener("click", (event) => {
  if (event.detail) el(id).blur();              // by a pointer: else the foot switch would press it again
  then();
});
pressed("units", () => { thou = !thou; localStorage.setItem("padlab.unit", thou ? "thou" : "mm"); units(); write(); });
pressed("stop", () => ask("/api/stop", {}));
pressed("confirm", () => press("/api/confirm"));
pressed("again", () => press("/api/again"));
pressed("zero", () => zero());
addEventListener("keydown", (event) => {
  const { key, target } = event, drives = Boolean(state.may_drive);
  if (key === "Escape") ask("/api/stop", {});
  if (!drives || event.repeat || event.ctrlKey || event.altKey || event.metaKey) return;
  const typing = target.matches && target.matches("input, select, textarea");
  const onButton = target.matches && target.matches("summary, a, button") && (key === " " || key === "Enter");
  if (key === ZERO_KEY && !running()) { event.preventDefault(); zero(key); return; }
  if (!running() || typing || (onButton && target.id !== "stop")) return;
  const name = key === " " ? "Space" : key;
  if (STEP_KEYS.includes(key)) { event.preventDefault(); press("/api/confirm", {}, name); }
  if (AGAIN_KEYS.includes(key)) { event.preventDefault(); press("/api/again", {}, name); }
});
units();
connect();
