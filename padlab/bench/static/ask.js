"use strict";
// What every page does: find an element, ask padlab for something, say what is wrong.
const el = (id) => document.getElementById(id);
const say = (fault) => [fault.message, fault.seen && `seen: ${fault.seen}`, fault.remedy && `try: ${fault.remedy}`].filter(Boolean).join("; ");

// Without anything to send it looks; with something it asks for a deed. A failure comes as { error }.
async function ask(path, what) {
  try {
    const answer = await fetch(path, what === undefined ? {} : { method: "POST", body: JSON.stringify(what) });
    const isJson = (answer.headers.get("content-type") || "").startsWith("application/json");
    return isJson ? await answer.json() : { error: { message: (await answer.text()).trim() } };
  } catch {
    return { error: { message: "padlab does not answer", remedy: "see to its terminal" } };
  }
}
