// Measuring with gloves: big keys, the next open place, and a mark on what is far off its neighbours.
"use strict";
{
  const form = document.querySelector("form[data-measure]");
  const fields = [...form.querySelectorAll("[data-expected]")];
  const separator = document.documentElement.dataset.comma === "1" ? "," : ".";
  const median = (values) => {
    const sorted = [...values].sort((a, b) => a - b);
    const k = Math.floor(sorted.length / 2);
    return sorted.length % 2 ? sorted[k] : (sorted[k - 1] + sorted[k]) / 2;
  };
  const value = (text) => Number(String(text).replace(",", ".")) || 0;
  const column = (field) => Number(field.name.slice(1).split("-")[0]);
  let here = fields[0];

  const ratio = (field) => value(field.value) / (value(field.dataset.typed) || 1);
  const doubtful = (field) => {
    const others = fields.filter((f) => f !== field && f.value);
    const near = others.filter((f) => Math.abs(column(f) - column(field)) <= 1);
    const from = near.length > 1 ? near : others;
    return from.length > 1 && Math.abs(ratio(field) / median(from.map(ratio)) - 1) > Number(form.dataset.doubted);
  };
  const look = () => {
    let good = 0;
    let wrong = 0;
    for (const field of fields) {
      const doubted = field.value !== "" && doubtful(field);
      const keep = form.querySelector(`[data-keep-one="${field.name}"]`);
      field.classList.toggle("doubtful", doubted);
      field.classList.toggle("open", field.value === "");
      keep.hidden = !doubted;
      if (!doubted) keep.querySelector("input").checked = false;
      const left = doubted && !keep.querySelector("input").checked;
      if (field.value !== "") left ? wrong++ : good++;
    }
    form.querySelector("[data-doubt]").hidden = wrong === 0;
    document.querySelector("[data-told]").textContent = form.dataset.words
      .replace("@", good).replace("#", wrong).replace("%", fields.length - good - wrong);
    const state = document.querySelector(".headline .state span");
    if (state) state.textContent = state.textContent.replace(/^\d+/, good + wrong);
  };
  const go = (field) => {
    here.classList.remove("here");
    here = field;
    here.classList.add("here");
  };
  const typed = () => here.dispatchEvent(new Event("input", {
    bubbles: true
  }));

  for (const field of fields) field.addEventListener("focus", () => go(field));
  form.addEventListener("input", look);
  form.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || !fields.includes(event.target)) return;
    event.preventDefault();
    next();
  });
  const next = () => {
    const k = fields.indexOf(here);
    const order = [...fields.slice(k + 1), ...fields.slice(0, k)];
    const open = order.find((f) => f.value === "");
    if (open) open.focus();
  };
  form.querySelector("[data-figures]").addEventListener("click", (event) => {
    const key = event.target.closest("[data-key]")?.dataset.key;
    if (!key) return;
    if (key === "next") next();
    else if (key === "back") here.value = here.value.slice(0, -1);
    else here.value += key === "." ? separator : key;
    if (key !== "next") typed();
  });
  go(fields.find((f) => f.value === "") || here);
  look();
}
