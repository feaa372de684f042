"use strict";
// Which rig: the page asks for it, and comes again as the page at that rig.
for (const button of document.querySelectorAll("[data-rig]")) button.addEventListener("click", async () => {
  let fault = null;
  try {
    const answer = await fetch("/api/rig", { method: "POST", body: JSON.stringify({ rig: button.dataset.rig }) });
    if (answer.ok) { location.reload(); return; }
    const isJson = (answer.headers.get("content-type") || "").startsWith("application/json");
    fault = isJson ? (await answer.json()).error.message : (await answer.text()).trim();
  } catch {
    fault = "padlab does not answer; see to its terminal";
  }
  document.getElementById("fault").textContent = fault;
});
