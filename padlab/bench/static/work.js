"use strict";
// Work that takes a while: begun, watched, cancelled, and the page that it made. Also the choice of runs.
const el = (id) => document.getElementById(id);
const say = (fault) => [fault.message, fault.seen && `seen: ${fault.seen}`, fault.remedy && `try: ${fault.remedy}`].filter(Boolean).join("; ");

async function ask(path, what) {
  try {
    const answer = await fetch(path, what === undefined ? {} : { method: "POST", body: JSON.stringify(what) });
    return answer.headers.get("content-type").startsWith("application/json") ? await answer.json()
      : { error: { message: (await answer.text()).trim() } };
  } catch {
    return { error: { message: "padlab does not answer", remedy: "see to its terminal" } };
  }
}

function ended(words, fault) {
  document.querySelector(".working").hidden = true;
  if (!fault) return;
  el("fault").hidden = false;
  el("fault").textContent = words;
}

async function follow(id) {
  el("cancel").onclick = () => ask("/api/cancel", { id });
  for (;;) {
    const told = await ask(`/api/work/${id}`);
    if (told.error) return ended(say(told.error), true);
    el("words").textContent = told.words;
    if (told.total) { el("bar").max = told.total + 1; el("bar").value = told.done; }
    if (told.state === "failed") return ended(say(told.fault), true);
    if (told.state === "cancelled") return ended("Cancelled; nothing of it is kept.", true);
    if (told.state === "done") {
      ended("", false);
      el("open").href = el("made").src = `/report/${id}`;
      el("made").hidden = el("alone").hidden = false;
      el("files").replaceChildren(...told.files.map(({ name, title }) => {
        const item = document.createElement("li"), link = document.createElement("a");
        link.href = `/download/${id}/${name}`;
        link.textContent = `Keep: ${title} (${name})`;
        item.append(link);
        return item;
      }));
      return undefined;
    }
    await new Promise((next) => setTimeout(next, 250));
  }
}

const box = el("work");
if (box && box.dataset.id) follow(box.dataset.id);
else if (box) {
  ask("/api/work", { what: box.dataset.what, runs: box.dataset.runs.split(" ") })
    .then((told) => (told.error ? ended(say(told.error), true) : follow(told.id)));
}

const compare = el("compare");
if (compare) {
  const boxes = [...document.querySelectorAll("[name=run]")], all = el("all");
  const count = () => { el("chosen").textContent = `${boxes.filter((b) => b.checked).length} chosen`; };
  all.addEventListener("change", () => { for (const b of boxes) b.checked = all.checked; count(); });
  for (const b of boxes) b.addEventListener("change", count);
  compare.addEventListener("submit", async (event) => {
    event.preventDefault();
    const field = compare.elements;
    const told = await ask("/api/work", { what: "compare", runs: boxes.filter((b) => b.checked).map((b) => b.value),
      touch: field.touch.value, limit: field.limit.value, holding: field.holding.value, stop: field.stop.value });
    if (told.error) { el("fault").hidden = false; el("fault").textContent = say(told.error); } else location.href = `/work/${told.id}`;
  });
  count();
}
