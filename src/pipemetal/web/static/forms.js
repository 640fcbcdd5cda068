// What is typed stays on the tablet until it is booked. A form is sent from here: what is wrong is told at its field, a server
// that does not answer is told beside the form, and in both cases everything typed stands as it was.
"use strict";
const faultGone = (field) => {
  const words = document.getElementById(`fault ${field.name}`.replaceAll(" ", "-"));
  if (words) words.remove();
  delete field.dataset.refused;
  field.removeAttribute("aria-invalid");
  field.removeAttribute("aria-describedby");
};
const faultAt = (field, words) => {
  faultGone(field);
  const told = Object.assign(document.createElement("small"), {
    className: "fault",
    id: `fault ${field.name}`.replaceAll(" ", "-"),
    textContent: `▲ ${words}`
  });
  told.setAttribute("role", "alert");
  field.setAttribute("aria-invalid", "true");
  field.setAttribute("aria-describedby", told.id);
  field.after(told);
};
// The server names a quantity with its unit (gate_mm), a form sometimes without; some faults are about two fields.
const fieldOf = (form, name) => name.split(", ").flatMap((one) => [one, `w:${one}`, one.replace(/_[^_]*$/, "")])
  .map((one) => [...form.elements].find((f) => one && f.name === one && f.type !== "hidden")).find(Boolean);
const tellFaults = (form, {
  faults = [],
  ask = false
}) => {
  for (const field of form.elements)
    if (field.name) faultGone(field);
  const whole = [];
  let first = null;
  for (const {
      field: name,
      words
    }
    of faults) {
    const field = fieldOf(form, name);
    if (!field) {
      whole.push(name ? `${name}: ${words}` : words);
      continue;
    }
    faultAt(field, words);
    first = first || field;
  }
  const told = document.querySelector("[data-wrong]");
  const sure = told.querySelector("[data-sure]");
  told.hidden = whole.length === 0 && !ask;
  sure.hidden = !ask;
  sure.onclick = () => {
    form.append(Object.assign(document.createElement("input"), {
      type: "hidden",
      name: "sure",
      value: "1"
    }));
    form.requestSubmit();
  };
  told.querySelector("[data-words]").textContent = whole.join("; ");
  if (!told.hidden) form.before(told);
  for (let part = first && first.closest("details"); part; part = part.parentElement.closest("details")) part.open = true;
  if (first) first.focus({
    preventScroll: true
  });
  (told.hidden ? first : told).scrollIntoView({
    block: "center"
  });
};

const saved = document.querySelector("[data-saved]");
if (saved && held.get("sent")) held.drop(held.get("sent"));
held.drop("sent");
for (const form of document.querySelectorAll("form[data-keep]")) {
  const key = "typed " + location.pathname + " " + form.dataset.keep;
  const fields = [...form.elements].filter((f) => f.name && f.type !== "file" && f.type !== "password" && !("fresh" in f.dataset));
  const boxes = new Set(fields.filter((f) => f.type === "radio" || f.type === "checkbox").map((f) => f.name));
  let was = null;
  try {
    was = JSON.parse(held.get(key) || "null");
    // beside a field may stand what it showed (was:NAME): one that nobody touched then shows what is true now
    const touched = (name) => !name.startsWith("was:") && !("was:" + name in was && was["was:" + name] === was[name]);
    for (const f of was ? fields : []) {
      if (!(f.name in was) || !touched(f.name)) continue;
      if (boxes.has(f.name)) f.checked = was[f.name] === f.value;
      else f.value = was[f.name];
    }
    if (was)
      for (const d of form.querySelectorAll("details")) d.open = true;
  } catch {
    held.drop(key);
  }
  const keep = () => {
    // what a field kept that this page does not show (a place of a finer grid) is kept on
    const now = {
      ...was
    };
    for (const name of boxes) delete now[name];
    for (const f of fields) {
      if (!boxes.has(f.name)) now[f.name] = f.value;
      else if (f.checked) now[f.name] = f.value;
    }
    held.set(key, JSON.stringify(now));
  };
  form.addEventListener("input", (event) => {
    if (event.target.name && event.target.getAttribute("aria-invalid")) faultGone(event.target);
    keep();
  });
  const busy = (on, button) => {
    if (on) form.setAttribute("aria-busy", "true");
    else form.removeAttribute("aria-busy");
    if (button) button.toggleAttribute("data-busy", on);
  };
  form.addEventListener("submit", async (event) => {
    keep();
    // a figure that was refused is not the one that stands there: whoever sends the form looks at it once
    const refused = [...form.elements].find((f) => f.dataset.refused);
    if (refused) {
      event.preventDefault();
      delete refused.dataset.refused;
      refused.scrollIntoView({
        block: "center"
      });
      refused.focus();
      return;
    }
    held.set("sent", key);
    if (form.dataset.sure) return;
    event.preventDefault();
    if (form.hasAttribute("aria-busy")) return;
    const button = event.submitter,
      away = document.querySelector("[data-away]");
    busy(true, button);
    try {
      // a form whose page marks its own faults only asks first whether the server is there
      const answer = await ("own" in form.dataset ? fetch("/static/icon.svg", {
        cache: "no-store",
        method: "HEAD"
      }) : fetch(form.action, {
        method: "POST",
        body: new URLSearchParams(new FormData(form, button)),
        headers: {
          "x-part": "form"
        }
      }));
      away.hidden = true;
      if (answer.redirected) {
        location.assign(answer.url);
        return;
      }
      if ((answer.headers.get("content-type") || "").startsWith("application/json")) {
        held.drop("sent");
        tellFaults(form, await answer.json());
        return;
      }
      form.dataset.sure = "1";
      form.requestSubmit(button);
    } catch {
      held.drop("sent");
      form.before(away);
      away.hidden = false;
      away.scrollIntoView({
        block: "center"
      });
    } finally {
      if (!form.dataset.sure) busy(false, button);
    }
  });
}
