"use strict";
// Work that takes a while: begun, watched, cancelled, and the files that it made.

function ended(words, fault) {
  document.querySelector(".working").hidden = true;
  if (!fault) return;
  el("fault").hidden = false;
  el("fault").textContent = words;
}

function listed(words, href) {
  const item = document.createElement("li"), link = document.createElement("a");
  link.href = href;
  link.textContent = words;
  item.append(link);
  return item;
}

function answered(answer) {
  if (!answer) return;
  el("told").textContent = answer.words;
  el("told").classList.add(answer.look);
  el("told").hidden = false;
  el("more").hidden = !answer.more || answer.more.length === 0;
  el("more").replaceChildren(...(answer.more || []).map((words) => { const item = document.createElement("li"); item.textContent = words; return item; }));
}

async function follow(id) {
  el("cancel").onclick = () => ask("/api/cancel", { id });
  for (;;) {
    const told = await ask(`/api/made/${id}`);
    if (told.error) return ended(say(told.error), true);
    el("words").textContent = told.words;
    if (told.total) { el("bar").max = told.total + 1; el("bar").value = told.done; }
    if (told.state === "failed") return ended(say(told.fault), true);
    if (told.state === "cancelled") return ended("Cancelled; nothing of it is kept.", true);
    if (told.state === "done") {
      ended("", false);
      answered(told.told);
      if (!told.files.length) return undefined;
      el("made").src = `/report/${id}`;
      el("made").hidden = el("alone").hidden = false;
      const next = told.what === "choose" ? [listed("When they are fitted: keep it on file", `/fitted/${id}`)] : [];
      const pages = told.files.filter(({ name }) => name.endsWith(".html")).map(({ name, title }) => {
        const open = listed(`Open alone, to print: ${title}`, `/report/${id}/${name}`);
        Object.assign(open.firstChild, { target: "_blank", rel: "noopener" });
        return open;
      });
      el("files").replaceChildren(...next, ...pages, ...told.files.map(({ name, title }) => listed(`Keep: ${title} (${name})`, `/download/${id}/${name}`)));
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
