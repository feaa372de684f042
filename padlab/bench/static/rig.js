"use strict";
// The page at the rig. It shows what padlab says and asks for what a person pressed; it decides nothing.
const el = (id) => document.getElementById(id);
const MM_PER_THOU = 0.0254;
const loop = new Loop(el("loop"));
const quiet = matchMedia("(prefers-reduced-motion: reduce)");
let state = {}, at = -1, thou = localStorage.getItem("padlab.unit") === "thou", last = 0;

const put = (id, text) => { const e = el(id); if (e.textContent !== text) e.textContent = text; };
const number = (v, digits) => (v === null || v === undefined ? "–" : v.toFixed(digits).replace("-", "\u2212"));
const make = (tag, text, kind) => { const e = document.createElement(tag); e.textContent = text; if (kind) e.className = kind; return e; };
const running = () => state.phase === "recording" || state.phase === "starting";

async function ask(path, what) {
  try {
    const answer = await fetch(path, { method: "POST", body: JSON.stringify(what || {}) });
    const told = answer.headers.get("content-type").startsWith("application/json") ? await answer.json()
      : { error: { message: (await answer.text()).trim() } };
    return told;
  } catch {
    return { error: { message: "padlab does not answer; see to its terminal" } };
  }
}

function units() {
  loop.thou = thou;
  put("place-unit", thou ? "thou" : "mm");
  put("units", thou ? "show mm" : "show thou");
  el("units").setAttribute("aria-pressed", String(thou));
  loop.redraw();
}

function figures() {
  const f = state.figures || {}, length = (mm, digits) => (thou ? number(mm === null || mm === undefined ? mm : mm / MM_PER_THOU, digits - 2) : number(mm, digits));
  put("force", number(f.force_n, 2));
  put("place", length(f.displacement_mm, 3));
  put("rate", f.rate === null || f.rate === undefined ? "–" : `${f.rate.toFixed(f.rate < 10 ? 1 : 0)} lines/s`);
  const noise = [];
  if (f.noise_n !== null && f.noise_n !== undefined) noise.push(`${f.noise_n.toFixed(3)} N`);
  if (f.noise_mm !== null && f.noise_mm !== undefined) noise.push(thou ? `${(f.noise_mm / MM_PER_THOU).toFixed(2)} thou` : `${(1000 * f.noise_mm).toFixed(1)} µm`);
  put("noise", noise.join(", ") || "–");
  put("lost", f.lost_lines === undefined ? "–" : String(f.lost_lines));
  put("bad", f.bad_lines === undefined ? "–" : String(f.bad_lines));
  put("trust", state.rig ? state.rig.trust.join("; ") : "–");
  gauge(f.force_n);
}

function gauge(force) {
  const target = running() && state.run && state.run.target;
  const top = target ? Math.max(1, 1.5 * target[1]) : Math.max(1, 1.2 * (force || 0));
  const share = (n) => Math.max(0, Math.min(1, n / top));
  el("band").hidden = !target;
  el("gauge").dataset.in = String(Boolean(target) && force >= target[0] && force <= target[1]);
  if (target) {
    el("band").style.left = `${100 * share(target[0])}%`;
    el("band").style.width = `${100 * (share(target[1]) - share(target[0]))}%`;
    put("target", `wanted: ${number(target[0], 1)} to ${number(target[1], 1)} N`);
  } else put("target", "\u00a0");
  el("needle").style.left = `${100 * share(force || 0)}%`;
}

function prompts() {
  const run = state.run;
  if (running() && run) {
    put("prompt", run.prompt);
    put("progress", run.progress || run.title);
  } else {
    put("prompt", state.phase === "no rig" ? "Choose a rig below." : state.phase === "lost" ? "The rig is not there." : "Ready.");
    put("progress", state.rig ? `rig ${state.rig.name}` : "");
  }
  const last = running() ? (state.said || []).filter((s) => s.tone !== "prompt").slice(-1)[0] : null;
  put("judged", last ? last.text : "");
  el("judged").className = `judged ${last ? last.tone : ""}`;
  const trouble = state.trouble;
  el("trouble").hidden = !trouble;
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
  box.hidden = !r;
  const key = r ? JSON.stringify(r) : "";
  if (box.dataset.key === key) return;
  box.dataset.key = key;
  if (!r) { box.replaceChildren(); return; }
  const heading = { complete: "The run is complete.", interrupted: "The run ended early; what was recorded is kept.", failed: "The run did not go." }[r.state] || r.state;
  box.replaceChildren(make("h2", heading, r.state === "complete" ? "good" : "poor"));
  if (r.why) box.append(make("p", r.why));
  if (r.fault && r.fault.seen) box.append(make("p", `Seen: ${r.fault.seen}`));
  if (r.fault && r.fault.remedy) box.append(make("p", `Try: ${r.fault.remedy}`));
  for (const m of r.marks) box.append(make("p", m, "small"));
  if (r.run) {
    const link = make("a", `Look at run ${r.run}`);
    link.href = `/run/${encodeURIComponent(r.run)}`;
    const line = make("p", "");
    line.append(link);
    box.append(line);
  }
}

function show() {
  el("stop").disabled = !running();
  el("confirm").hidden = !(running() && state.run && state.run.by_weights);
  el("confirm").disabled = !(running() && state.run && state.run.by_weights && state.may_drive);
  document.body.dataset.phase = state.phase;
  const ask = el("ask");
  if (ask) ask.hidden = running();
  figures(); prompts(); lists(); result();
}

function connect() {
  const socket = new WebSocket(`ws://${location.host}/live`);
  let beat = null;
  socket.onopen = () => {
    el("offline").hidden = true;
    beat = setInterval(() => socket.readyState === WebSocket.OPEN && socket.send("here"), 500);
  };
  socket.onmessage = (event) => {
    const message = JSON.parse(event.data);
    if (message.loop !== undefined) {
      if (message.loop !== at) { at = message.loop; loop.clear(); }
      loop.add(message.points);
    }
    if (message.state) {
      state = JSON.parse(message.state);
      const now = performance.now();
      if (!quiet.matches || now - last > 400 || !running()) { last = now; show(); }
    }
  };
  socket.onclose = () => {
    clearInterval(beat);
    el("offline").hidden = false;
    at = -1;
    setTimeout(connect, 1000);
  };
}

function kindOfForm() {
  const form = el("form"), chosen = form.elements.procedure.selectedOptions[0];
  el("pad").hidden = chosen.dataset.kind !== "pad";
  el("latitude").hidden = !chosen.dataset.weights;
}

function told(form, mistakes) {
  const list = el("mistakes");
  list.replaceChildren(...mistakes.map((m) => make("li", m)));
  for (const field of form.querySelectorAll("[aria-invalid]")) field.removeAttribute("aria-invalid");
  let first = null;
  for (const m of mistakes) {
    const key = m.split(":")[0], field = form.elements[`pad.${key}`] || form.elements[key];
    if (field && field.setAttribute) { field.setAttribute("aria-invalid", "true"); first = first || field; }
  }
  if (first) { const hidden = first.closest("details"); if (hidden) hidden.open = true; first.focus(); }
}

const form = el("form");
if (form) {
  form.addEventListener("change", kindOfForm);
  form.elements.rig.addEventListener("change", async () => {
    const answer = await ask("/api/rig", { rig: form.elements.rig.value });
    if (answer.error) told(form, [answer.error.message]); else location.reload();
  });
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const what = { pad: {} };
    for (const field of form.elements) {
      if (!field.name || field.name === "rig") continue;
      const value = field.type === "checkbox" ? field.checked : field.value;
      if (field.name.startsWith("pad.")) what.pad[field.name.slice(4)] = value; else what[field.name] = value;
    }
    const answer = await ask("/api/start", what);
    const fault = answer.error;
    told(form, fault ? (fault.where && fault.where.mistakes) || [[fault.message, fault.seen && `seen: ${fault.seen}`, fault.remedy && `try: ${fault.remedy}`].filter(Boolean).join("; ")] : []);
    if (!fault) { form.elements.cautions.checked = false; if (form.elements.move) form.elements.move.checked = false; el("go").blur(); scrollTo(0, 0); }
  });
  kindOfForm();
}
el("units").addEventListener("click", () => { thou = !thou; localStorage.setItem("padlab.unit", thou ? "thou" : "mm"); units(); figures(); });
el("stop").addEventListener("click", () => ask("/api/stop"));
el("confirm").addEventListener("click", () => ask("/api/confirm"));
addEventListener("keydown", (event) => {
  if (event.key === "Escape") ask("/api/stop");
  const typing = event.target.matches && event.target.matches("input, select, textarea, summary, a, button");
  const weighing = running() && state.run && state.run.by_weights;
  if ((event.key === " " || (event.key === "Enter" && weighing)) && running() && !event.repeat && !(typing && event.target.id !== "stop")) { event.preventDefault(); ask("/api/confirm"); }
});
units();
connect();
