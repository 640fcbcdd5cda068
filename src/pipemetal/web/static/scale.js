// The reading of the shop's scale goes into the field beside whose button one taps, when the load is at rest.
"use strict";
for (const field of document.querySelectorAll("[data-mass]:not(:disabled)")) {
  const button = Object.assign(document.createElement("button"), {
    type: "button",
    className: "plain from-scale"
  });
  const words = document.documentElement.dataset.fromScale;
  button.setAttribute("aria-label", `${words}: ${field.getAttribute("aria-label") || field.labels[0]?.textContent.trim() || field.name}`);
  button.textContent = words;
  const told = document.createElement("small");
  told.setAttribute("role", "status");
  button.addEventListener("click", async (event) => {
    event.preventDefault(); // it may stand in the field's own label
    button.disabled = true;
    told.textContent = "";
    try {
      const answer = await fetch("/scale", {
        headers: {
          accept: "application/json"
        }
      });
      const said = await answer.json();
      if (said.text) {
        field.value = said.text;
        faultGone(field);
        field.dispatchEvent(new Event("input", {
          bubbles: true
        }));
        field.dispatchEvent(new Event("change", {
          bubbles: true
        }));
        told.textContent = said.told;
      } else faultAt(field, said.told || said.error || answer.statusText);
    } catch {
      faultAt(field, document.documentElement.dataset.noScale);
    }
    button.disabled = false;
  });
  field.after(button, told);
}
