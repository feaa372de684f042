"use strict";
// What is put right afterwards: each form asks for one thing; mistakes stand at their fields.
for (const form of document.querySelectorAll("form[data-what]")) {
  const field = (name) => form.elements.namedItem(name), poor = form.querySelector(".poor");
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const pad = [...form.querySelectorAll("[name^='pad.']")];
    const asked = { run: form.dataset.run, what: form.dataset.what };
    for (const name of ["reason", "note"]) if (field(name)) asked[name] = field(name).value;
    if (pad.length) asked.pad = Object.fromEntries(pad.map((i) => [i.name.slice(4), i.value]));
    const told = await ask("/api/correct", asked);
    if (!told.error) return location.reload();
    for (const old of form.querySelectorAll(".at")) old.remove();
    for (const marked of form.querySelectorAll("[aria-invalid]")) {
      marked.removeAttribute("aria-invalid");
      marked.removeAttribute("aria-describedby");
    }
    const { mistakes = [], fields = [] } = told.error.where || {};
    poor.textContent = say(told.error);
    poor.hidden = false;
    fields.forEach((name, i) => {
      const at = field(name);
      if (!at) return;
      at.setAttribute("aria-invalid", "true");
      const here = document.createElement("span");
      here.className = "at";
      here.id = `${form.dataset.what}-${name}`;
      at.setAttribute("aria-describedby", here.id);
      here.textContent = mistakes[i].slice(mistakes[i].indexOf(": ") + 2);
      at.closest("label").append(here);
    });
    return (fields.map(field).find(Boolean) || poor).focus();
  });
}
