"use strict";
// Forms that ask for something: what was filled in is sent whole; mistakes come back all at once, each at its field.
const mistakesOf = (fault) => (fault.where && Array.isArray(fault.where.mistakes) && fault.where.mistakes.length ? fault.where.mistakes : [say(fault)]);
const LARGEST_FILE = 48 * 1024;

function labelled(field) {
  const words = [...field.labels[0].childNodes].filter((one) => one.nodeType === Node.TEXT_NODE).map((one) => one.textContent.trim()).join("");
  if (field.name.startsWith("stop.")) return `${field.closest("fieldset").querySelector("legend").textContent}, ${words}`;
  const place = /^valve\.(\d)\.(down|up)\./.exec(field.name);
  return place ? `Valve ${place[1]}, ${place[2]} stop, ${words}` : words;
}

function wrong(form, fault) {
  const list = fault ? mistakesOf(fault) : [], places = el("mistakes");
  for (const field of form.querySelectorAll("[aria-invalid]")) { field.removeAttribute("aria-invalid"); field.removeAttribute("aria-describedby"); }
  for (const note of form.querySelectorAll(".at-field")) note.remove();
  let first = null;
  places.replaceChildren(...list.map((words, number) => {
    const item = document.createElement("li"), key = words.split(":")[0], field = form.elements[key];
    item.textContent = words;
    if (!field || !field.setAttribute || field.closest("[hidden]") || !field.labels.length) return item;
    const note = document.createElement("span"), about = words.slice(key.length + 1).trim();
    item.textContent = `${labelled(field)}: ${about}`;
    note.textContent = about;
    note.className = "at-field poor";
    note.id = `mistake-${number}`;
    field.labels[0].append(note);
    field.setAttribute("aria-invalid", "true");
    field.setAttribute("aria-describedby", note.id);
    if (!first || field.compareDocumentPosition(first) & Node.DOCUMENT_POSITION_FOLLOWING) first = field;
    return item;
  }));
  if (first) {
    for (let box = first.closest("details"); box; box = box.parentElement.closest("details")) box.open = true;
    first.focus();
  } else if (list.length) places.scrollIntoView({ block: "center" });
}

async function fileOf(input) {
  const file = input.files[0];
  if (!file) return {};
  if (file.size > LARGEST_FILE) return { name: file.name, text: "", large: file.size };
  const bytes = await file.arrayBuffer();
  try {
    return { name: file.name, text: new TextDecoder("utf-8", { fatal: true }).decode(bytes) };
  } catch {
    return { name: file.name, text: "", binary: true };
  }
}

const refused = (file) => (file.large ? { message: `${file.name} is too large: ${file.large} bytes, at most ${LARGEST_FILE}` }
  : file.binary ? { message: `${file.name} is no text in UTF-8` } : null);

function filledIn(form) {
  const fields = {};
  for (const field of form.querySelectorAll("[data-source=form] [name]")) fields[field.name] = field.type === "checkbox" ? field.checked : field.value;
  if (form.elements.touch.value !== "file") fields.touch = form.elements.touch.value;
  return fields;
}

async function asked(form) {
  const what = { what: form.dataset.what };
  for (const field of form.elements) {
    if (!field.name || field.name === "run" || field.closest("[data-source=form]") || field.type === "file") continue;
    if (field.type === "radio" && !field.checked) continue;
    what[field.name] = field.type === "checkbox" ? field.checked : field.value;
  }
  const boxes = [...form.querySelectorAll("[name=run]")];
  if (boxes.length) what.runs = boxes.filter((box) => box.checked).map((box) => box.value);
  const source = what.source;
  if (form.elements.file && (!source || source === "file")) Object.assign(what, await fileOf(form.elements.file));
  if (source === "form") what.fields = filledIn(form);
  return what;
}

function choices(form) {
  const boxes = [...form.querySelectorAll("[name=run]")], all = el("all");
  if (!all) return;
  const count = () => {
    const some = boxes.filter((box) => box.checked).length;
    el("chosen").textContent = `${some} of ${boxes.length} chosen`;
    all.checked = some > 0 && some === boxes.length;
    all.indeterminate = some > 0 && some < boxes.length;
  };
  all.addEventListener("change", () => { for (const box of boxes) box.checked = all.checked; count(); });
  for (const box of boxes) box.addEventListener("change", count);
  count();
}

function sources(form) {
  const show = () => {
    const one = form.querySelector("[name=source]:checked");
    for (const part of form.querySelectorAll("[data-source]")) part.hidden = !one || part.dataset.source !== one.value;
    el("keep").hidden = el("empty").hidden = !one || one.value !== "form";
    const asFile = form.elements.touch.options[0];
    asFile.textContent = one && one.value === "form" ? "medium, unless chosen" : "as the file says";
  };
  for (const one of form.querySelectorAll("[name=source]")) one.addEventListener("change", show);
  show();
  el("keep").addEventListener("click", async () => {
    const told = await ask("/api/instrument", { fields: filledIn(form) });
    wrong(form, told.error);
    if (told.error) return;
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([told.text], { type: "application/toml" }));
    link.download = "instrument.toml";
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  });
}

async function planned(file, isWanted) {
  const begun = await ask("/api/work", { what: "plan", ...file });
  for (let told = begun; ; told = await ask(`/api/made/${begun.id}`)) {
    if (told.error) return told;
    if (told.state !== "running") return told.state === "done" ? told.told : { error: told.fault || { message: "it was cancelled" } };
    if (!isWanted()) return ask("/api/cancel", { id: begun.id });
    await new Promise((next) => setTimeout(next, 200));
  }
}

function spec(form) {
  const input = form.elements.file, lot = form.elements.lot;
  let newest = 0;
  input.addEventListener("change", async () => {
    const mine = ++newest;
    el("judge").disabled = true;
    el("plan").hidden = true;
    const file = await fileOf(input);
    el("planning").hidden = false;
    const told = refused(file) ? { error: refused(file) } : await planned(file, () => mine === newest);
    if (mine !== newest) return;                         // another file was chosen meanwhile
    el("planning").hidden = true;
    wrong(form, told.error);
    if (told.error) return;
    const first = told.plan.indexOf("");
    el("plan-head").textContent = told.plan[0];
    el("plan-first").textContent = told.plan.slice(1, first < 0 ? undefined : first).map((line) => line.trim()).join("; ").replaceAll(",;", ",") + ".";
    el("plan-words").textContent = told.plan.join("\n");
    lot.replaceChildren(...told.lots.map((name) => { const one = document.createElement("option"); one.value = one.textContent = name; return one; }));
    el("no-lot").hidden = told.lots.length > 0;
    lot.closest(".grid").hidden = told.lots.length === 0;
    el("judge").disabled = told.lots.length === 0;
    el("plan").hidden = false;
  });
  if (input.files.length) input.dispatchEvent(new Event("change"));       // chosen before the page was loaded again
}

function kept(form, told) {
  form.hidden = true;
  el("kept").hidden = false;
  const outside = told.stops.filter(({ look }) => look === "poor").length;
  el("told").textContent = `On file: ${told.file}${outside ? `; ${outside} of the checks stands outside, see below` : ""}`;
  el("told").className = outside ? "told poor" : "told good";
  el("more").replaceChildren(...told.stops.map(({ words, look }) => {
    const item = document.createElement("li");
    item.textContent = words;
    if (look) item.className = look;
    return item;
  }));
}

// Whoever looks at an answer and comes back finds the form as it was; an instrument that was filled in, always.
// It is kept in this tab, and goes with it.
const keptAs = `padlab.asked.${location.pathname}`;
function remembered(form) {
  const isTicked = (field) => ["checkbox", "radio"].includes(field.type), inForm = (field) => field.closest("[data-source=form]");
  const named = (field) => (isTicked(field) ? `${field.name}=${field.value}` : field.name);
  const fields = [...form.elements].filter((field) => field.name && !["file", "hidden"].includes(field.type));
  const [came] = performance.getEntriesByType("navigation"), isBack = Boolean(came) && came.type === "back_forward";
  let kept;
  try { kept = JSON.parse(sessionStorage.getItem(keptAs)) || {}; } catch { kept = {}; }
  for (const field of fields) {
    const was = kept[named(field)];
    if (was === undefined || !(isBack || inForm(field))) continue;
    if (isTicked(field)) field.checked = was === true;
    else if (field.tagName !== "SELECT" || [...field.options].some((one) => one.value === was)) field.value = was;
    if (was && inForm(field)) for (let box = field.closest("details"); box; box = box.parentElement.closest("details")) box.open = true;
  }
  const keep = () => {
    const now = Object.fromEntries(fields.map((field) => [named(field), isTicked(field) ? field.checked : field.value]));
    try { sessionStorage.setItem(keptAs, JSON.stringify(now)); } catch { /* full: then it is not kept */ }
  };
  for (const kind of ["input", "change"]) form.addEventListener(kind, keep);
  if (!el("empty")) return;
  el("empty").addEventListener("click", () => {
    for (const field of fields.filter(inForm)) if (isTicked(field)) field.checked = false; else field.value = "";
    keep();
  });
}

for (const form of document.querySelectorAll("form.asks")) {
  remembered(form);
  choices(form);
  if (form.querySelector("[name=source]")) sources(form);
  if (form.dataset.what === "lot") spec(form);
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (form.dataset.asking) return;                     // a second press of the button asks nothing again
    form.dataset.asking = "yes";
    const what = await asked(form);
    const told = refused(what) ? { error: refused(what) } : await ask(form.dataset.post || "/api/work", what);
    delete form.dataset.asking;
    wrong(form, told.error);
    if (told.error) return;
    if (!form.dataset.post) location.href = `/made/${told.id}`;
    else { sessionStorage.removeItem(keptAs); kept(form, told); }
  });
}
