"use strict";
// A table that was recorded elsewhere: the file goes to padlab, its guess is put right here and confirmed.
const MM_PER_THOU = 0.0254;
// What one unit is in newtons, millimetres, seconds: only to show how large the numbers of a column are.
const SIZE = { N: 1, mN: 1e-3, kN: 1e3, gf: 9.80665e-3, kgf: 9.80665, lbf: 4.4482216, ozf: 0.27801385,
  mm: 1, um: 1e-3, m: 1e3, cm: 10, in: 25.4, thou: MM_PER_THOU, s: 1, ms: 1e-3, us: 1e-6, min: 60, h: 3600 };

function wrong(words) {
  el("working").hidden = true;
  el("fault").hidden = !words;
  el("fault").textContent = words;
}

// -- the file ------------------------------------------------------------------------------------------------

function send(file) {
  const most = Number(el("choose").dataset.most);
  wrong("");
  if (file.size > most) return wrong(`${file.name} has ${Math.ceil(file.size / 1e6)} MB; at most ${most >> 20} MB come in here. Try padlab import.`);
  const wire = new XMLHttpRequest();
  wire.open("POST", `/api/table?name=${encodeURIComponent(file.name.slice(0, 200))}`);
  wire.upload.onprogress = (event) => { if (event.lengthComputable) el("bar").value = event.loaded / event.total; };
  wire.onload = () => {
    let told;
    try { told = JSON.parse(wire.responseText); } catch { told = { error: { message: wire.responseText.trim() || "padlab did not take it" } }; }
    if (told.error) wrong(say(told.error)); else location.href = `/take-in/${told.id}`;
  };
  wire.onerror = () => wrong("The file did not come in: padlab refused it or does not answer. See to its terminal.");
  wire.onabort = () => wrong("Cancelled; nothing of it is kept.");
  el("cancel").onclick = () => wire.abort();
  el("words").textContent = `${file.name} comes in`;
  el("working").hidden = false;
  wire.send(file);
  return undefined;
}

if (el("choose")) {
  const drop = el("drop");
  el("file").addEventListener("change", (event) => { if (event.target.files.length) send(event.target.files[0]); });
  for (const kind of ["dragenter", "dragover"]) drop.addEventListener(kind, (event) => { event.preventDefault(); drop.dataset.over = ""; });
  drop.addEventListener("dragleave", () => { delete drop.dataset.over; });
  drop.addEventListener("drop", (event) => {
    event.preventDefault();
    delete drop.dataset.over;
    if (event.dataTransfer.files.length) send(event.dataTransfer.files[0]);
  });
}

// -- work that goes on -----------------------------------------------------------------------------------------

async function follow(id, ended) {
  if (el("cancel")) el("cancel").onclick = () => ask("/api/cancel", { id });
  for (;;) {
    const told = await ask(`/api/made/${id}`);
    if (told.error || told.state !== "running") return ended(told);
    el("words").textContent = told.words;
    await new Promise((next) => setTimeout(next, 200));
  }
}

if (el("follow")) {
  follow(el("follow").dataset.work, (told) => {
    if (told.error) wrong(say(told.error));
    else if (told.state === "cancelled") wrong("Cancelled.");
    else location.reload();
  });
}

if (el("away")) {
  el("away").addEventListener("click", async () => {
    const told = await ask("/api/put-away", { id: el("away").dataset.id });
    if (told.error) { if (el("wrong")) el("wrong").hidden = false; el("fault").hidden = false; el("fault").textContent = say(told.error); } else location.href = "/take-in";
  });
}

// -- what it holds ----------------------------------------------------------------------------------------------

const form = el("table");
if (form) {
  const field = (name) => form.elements.namedItem(name);
  const columns = [...form.querySelectorAll(".column")].map((row) => {
    const at = row.dataset.column, of = (what) => field(`c${at}.${what}`);
    return { row, at, quantity: of("quantity"), unit: of("unit"), way: of("way"), right: of("right") };
  });
  const number = (v) => (Math.abs(v) >= 100 ? v.toFixed(0) : String(Number(v.toPrecision(3)))).replace("-", "\u2212");

  function span(c) {
    const low = Number(c.row.dataset.low), high = Number(c.row.dataset.high), unit = c.unit.value;
    if (c.row.dataset.low === undefined) return "";
    const plain = `from ${number(low)} to ${number(high)}`;
    if (!SIZE[unit] || c.unit.closest("label").hidden) return plain;
    const size = (v) => v * SIZE[unit], long = (mm) => `${number(mm)} mm (${number(mm / MM_PER_THOU)} thou)`;
    if (c.quantity.value === "displacement") return `${plain}: moves ${long(size(high - low))}`;
    if (c.quantity.value === "thickness") return `${plain}: ${long(size(low))} to ${long(size(high))}`;
    if (c.quantity.value === "force") return `${plain}: spans ${number(size(high - low))} N`;
    if (c.quantity.value === "time") return `${plain}: ${number(size(high - low))} s`;
    return plain;
  }

  function show(c) {
    const used = c.quantity.value !== "", template = el(`units-${c.quantity.value}`);
    c.unit.closest("label").hidden = !used || !template || template.content.children.length < 2;
    c.way.closest("label").hidden = !el(`ways-${c.quantity.value}`);
    c.right.closest("label").hidden = !used;
    c.row.toggleAttribute("data-unused", !used);
    c.row.toggleAttribute("data-right", used && c.right.checked);
    c.row.querySelector(".says").textContent = span(c);
  }

  function offer(c) {
    const units = el(`units-${c.quantity.value}`), ways = el(`ways-${c.quantity.value}`), before = c.unit.value;
    c.unit.replaceChildren(...(units ? [...units.content.cloneNode(true).children] : []));
    c.unit.value = [...c.unit.options].some((o) => o.value === before) ? before : "";
    c.way.replaceChildren(...(ways ? [...ways.content.cloneNode(true).children] : []));
    c.right.checked = false;
  }

  function kinds() {
    const kind = field("kind").value;
    for (const part of form.querySelectorAll("[data-for]")) part.hidden = !part.dataset.for.split(" ").includes(kind);
    for (const c of columns) {
      for (const option of c.quantity.options) {
        const fits = !option.value || !kind || option.dataset.kinds.split(" ").includes(kind);
        option.hidden = option.disabled = !fits;
        if (!fits && option.selected) { c.quantity.value = ""; offer(c); }
      }
      show(c);
    }
  }

  for (const c of columns) {
    c.quantity.addEventListener("change", () => { offer(c); show(c); });
    for (const one of [c.unit, c.way]) one.addEventListener("change", () => { c.right.checked = false; show(c); });
    c.right.addEventListener("change", () => show(c));
  }
  field("kind").addEventListener("change", kinds);
  if (el("fill")) {
    el("fill").addEventListener("change", () => {
      const pad = el("fill").selectedOptions[0].dataset;
      for (const input of form.querySelectorAll("[name^='pad.']")) {
        const key = input.name.slice(4).replace(/_(.)/g, (all, letter) => letter.toUpperCase());
        if (pad[key] !== undefined) input.value = pad[key];
      }
    });
  }

  function tell(fault) {
    for (const marked of form.querySelectorAll("[aria-invalid]")) { marked.removeAttribute("aria-invalid"); marked.removeAttribute("aria-describedby"); }
    for (const old of form.querySelectorAll(".at")) old.remove();
    const where = fault.where || {}, mistakes = where.mistakes || [], fields = where.fields || [];
    wrong(fields.length ? fault.message
      : `Nothing is on the shelf. ${mistakes.length ? `The table has mistakes; try: ${fault.remedy}` : say(fault)}`);
    el("mistakes").replaceChildren(...mistakes.map((words, i) => {
      const item = document.createElement("li");
      item.textContent = words;
      item.id = `mistake-${i}`;
      const at = fields[i] && field(fields[i]);
      if (at) {
        at.setAttribute("aria-invalid", "true");
        at.setAttribute("aria-describedby", item.id);
        const here = document.createElement("span");
        here.className = "at";
        here.setAttribute("aria-hidden", "true");
        here.textContent = words.slice(words.indexOf(": ") + 2);
        (at.type === "checkbox" && at.closest(".column") || at.closest("label")).append(here);
      }
      return item;
    }));
    const link = document.createElement("a");
    if (where.run) { link.href = `/run/${where.run}`; link.textContent = `To run ${where.run}`; }
    if (where.going_on) { link.href = location.pathname; link.textContent = "See how far it is"; }
    el("there").replaceChildren(...(link.href ? [link] : []));
    el("wrong").hidden = false;
    const first = fields.map(field).find(Boolean);
    (first || el("wrong")).focus();
  }

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const text = (name) => (field(name) ? field(name).value : ""), ticked = (name) => field(name).checked;
    const asked = {
      id: form.dataset.id, reading: Number(form.dataset.reading), kind: text("kind"), decimal: text("decimal"),
      columns: columns.filter((c) => c.quantity.value).map((c) => ({ column: Number(c.at), quantity: c.quantity.value,
        unit: c.unit.value, way: c.way.value, right: c.right.checked })),
      pad: Object.fromEntries([...form.querySelectorAll("[name^='pad.']")].map((i) => [i.name.slice(4), i.value])),
      date: text("date"), time: text("time"), note: text("note"), stop: text("stop"), control: ticked("control"),
      material: text("material"), lot: text("lot"), foot: text("foot"), standard: ticked("standard") };
    const told = await ask("/api/take-in", asked);
    if (told.error) return tell(told.error);
    el("wrong").hidden = true;
    el("working").hidden = false;
    form.querySelector(".go").disabled = true;
    return follow(told.id, (end) => {
      form.querySelector(".go").disabled = false;
      if (end.state === "done") location.reload();
      else if (end.state === "cancelled") tell({ message: "Cancelled. See under On file whether it was there by then." });
      else tell(end.error || end.fault);
    });
  });
  kinds();
}
