"use strict";
// Which rig: the page asks for it, and comes again as the page at that rig.
for (const button of document.querySelectorAll("[data-rig]")) button.addEventListener("click", async () => {
  const { error } = await ask("/api/rig", { rig: button.dataset.rig });
  if (error) el("fault").textContent = say(error); else location.reload();
});
