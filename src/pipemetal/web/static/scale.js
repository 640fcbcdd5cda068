// The reading of the shop's scale goes into the field beside whose button one taps, when the load is at rest.
"use strict";
const scaleParts = document.querySelector("[data-from-scale]");
for (const field of document.querySelectorAll("[data-mass]:not(:disabled)")) {
  const [button, told] = scaleParts.content.cloneNode(true).children;
  const about = field.getAttribute("aria-label") || field.labels[0]?.textContent || field.name;
  button.setAttribute("aria-label", `${button.textContent.trim()}: ${about.trim().replace(/\s+/g, " ")}`);
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
        for (const kind of ["input", "change"])
          field.dispatchEvent(new Event(kind, {
            bubbles: true
          }));
        told.textContent = said.told;
      } else faultAt(field, said.told || said.error || answer.statusText);
    } catch {
      faultAt(field, scaleParts.dataset.away);
    }
    button.disabled = false;
  });
  // in a row of steps it stands below the three, else right behind the field
  const steps = field.closest(".stepper");
  if (steps) steps.append(button, told);
  else field.after(button, told);
}
