// Measuring: a mark on what is far off its neighbours, and how many readings are good.
"use strict";
{
  const form = document.querySelector("form[data-measure]");
  const fields = [...form.querySelectorAll("[data-expected]")];
  const median = (values) => {
    const sorted = [...values].sort((a, b) => a - b);
    const k = Math.floor(sorted.length / 2);
    return sorted.length % 2 ? sorted[k] : (sorted[k - 1] + sorted[k]) / 2;
  };
  const value = (text) => Number(String(text).replace(",", ".")) || 0;
  const ratio = (field) => value(field.value) / (value(field.dataset.typed) || 1);
  const doubtful = (field) => {
    const others = fields.filter((f) => f !== field && f.value);
    const near = others.filter((f) => Math.abs(f.dataset.row - field.dataset.row) <= 1);
    const from = near.length > 1 ? near : others;
    if (from.length > 1) return Math.abs(ratio(field) / median(from.map(ratio)) - 1) > Number(form.dataset.doubted);
    // before two others stand beside it the card's own figure judges, once a reading is whole
    return Boolean(form.dataset.alone) && figures.allowed(field.value, figures.limits(field)) &&
      Math.abs(ratio(field) - 1) > Number(form.dataset.alone);
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
  form.addEventListener("input", look);
  look();
}
