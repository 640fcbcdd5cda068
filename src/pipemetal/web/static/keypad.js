// Numbers with gloves: one big keypad for every field that says what it allows. What can become no allowed number is refused
// at its field before it is entered; what is complete goes on to the next place by itself.
"use strict";
const figures = {
  separator: document.documentElement.dataset.comma === "1" ? "," : ".",
  limits: (field) => ({
    least: Number(field.dataset.least),
    most: Number(field.dataset.most),
    decimals: Number(field.dataset.decimals || 0)
  }),
  number: (text) => Number(String(text).replace(",", ".")),
  // whether a figure, or what it may still grow into, is allowed
  possible(text, {
    least,
    most,
    decimals
  }) {
    const parts = /^(0|[1-9]\d*)(?:[.,](\d*))?$/.exec(text);
    if (!parts) return text === "";
    const [, whole, part] = parts;
    if (part !== undefined) {
      if (decimals === 0 || part.length > decimals) return false;
      const from = Number(`${whole}.${part || 0}`);
      return from <= most && from + 10 ** -part.length - 10 ** -decimals >= least - 1e-9;
    }
    for (let from = Number(whole), wide = 1; from <= most; from *= 10, wide *= 10) {
      if (from + wide - 10 ** -decimals >= least - 1e-9) return true;
      if (from === 0) return false;
    }
    return false;
  },
  // the text with one key more; the point is set by itself where only it makes sense; null where nothing allowed can come of it
  typed(text, key, limits) {
    for (const next of [text + key, text && !/[.,]/.test(text) ? text + figures.separator + key : ""])
      if (next && figures.possible(next, limits)) return next;
    return null;
  },
  complete(text, limits) {
    if (text === "" || !figures.allowed(text, limits)) return false;
    return [..."0123456789"].every((key) => figures.typed(text, key, limits) === null);
  },
  allowed: (text, {
    least,
    most
  }) => figures.number(text) >= least - 1e-9 && figures.number(text) <= most + 1e-9
};

for (const pad of document.querySelectorAll("[data-figures]")) {
  const fields = [...document.querySelectorAll("[data-most]:not(:disabled)")];
  const docked = "docked" in pad.dataset,
    root = document.documentElement;
  let here = null,
    fresh = false;
  const changed = () => here.dispatchEvent(new Event("input", {
    bubbles: true
  }));
  const go = (field) => {
    if (here) here.classList.remove("here");
    here = field;
    here.classList.add("here");
    fresh = true;
    if (!docked) return;
    pad.hidden = false;
    pad.querySelector("[data-about]").textContent = field.getAttribute("aria-label") ||
      (field.labels[0] ? field.labels[0].textContent.trim() : "");
    const planned = pad.querySelector('[data-key="planned"]');
    planned.disabled = !field.dataset.planned;
    planned.querySelector("b").textContent = field.dataset.planned || "–";
    root.style.setProperty("--pad", `${pad.offsetHeight}px`);
    root.style.setProperty("--edge", `${document.querySelector(".edge").offsetHeight}px`);
    root.classList.add("with-pad");
    pad.classList.remove("left");
    field.scrollIntoView({
      block: "nearest"
    });
    const [own, held] = [pad.getBoundingClientRect(), field.getBoundingClientRect()];
    pad.classList.toggle("left", held.right > own.left && held.bottom > own.top && held.left > own.width);
  };
  const close = () => {
    if (here) here.classList.remove("here");
    pad.hidden = true;
    root.classList.remove("with-pad");
  };
  const refuse = () => {
    faultAt(here, here.dataset.allowed);
    here.dataset.refused = "yes";
  };
  const next = () => {
    if (/^[\d.,]+$/.test(here.value) && !figures.allowed(here.value, figures.limits(here))) {
      refuse();
      return;
    }
    const k = fields.indexOf(here);
    // at the scale and in the log one goes on down the page; on a grid to the next place that is open
    const others = [...fields.slice(k + 1), ...(docked ? [] : fields.slice(0, k))].filter((f) => f.getClientRects().length);
    const open = others.find((f) => docked || f.value === "");
    if (open) open.focus();
    else if (docked) close();
  };
  const put = (text) => {
    here.value = text;
    fresh = false;
    faultGone(here);
    changed();
    if (figures.complete(text, figures.limits(here))) next();
  };
  const type = (key) => {
    const text = figures.typed(fresh ? "" : here.value, key, figures.limits(here));
    if (text === null) refuse();
    else put(text);
  };
  const step = (way) => {
    const limits = figures.limits(here);
    const from = here.value || here.dataset.planned || here.dataset.typed || String(limits.least);
    const value = figures.number(from) + way * Number(here.dataset.by || 10 ** -limits.decimals);
    const text = value.toFixed(limits.decimals).replace(".", figures.separator);
    if (!figures.allowed(text, limits)) {
      refuse();
      return;
    }
    here.value = text;
    fresh = true;
    faultGone(here);
    changed();
  };
  const KEYS = {
    next,
    close,
    less: () => step(-1),
    more: () => step(1),
    planned: () => {
      here.value = here.dataset.planned;
      faultGone(here);
      changed();
      next();
    },
    back: () => {
      here.value = here.value.slice(0, -1);
      fresh = false;
      faultGone(here);
      changed();
    },
    ".": () => type(figures.separator)
  };
  pad.addEventListener("pointerdown", (event) => event.preventDefault()); // the field keeps the cursor
  pad.addEventListener("click", (event) => {
    const key = event.target.closest("[data-key]")?.dataset.key;
    if (!key || !here) return;
    if (KEYS[key]) KEYS[key]();
    else type(key);
  });
  for (const field of fields) {
    field.inputMode = "none"; // the keypad is the keyboard; a real one types as ever
    field.autocomplete = "off";
    field.addEventListener("focus", () => {
      go(field);
      field.select();
    });
    field.addEventListener("beforeinput", (event) => {
      if (event.inputType !== "insertText" || !event.data) return;
      const [from, to] = [field.selectionStart, field.selectionEnd];
      const whole = field.value.slice(0, from),
        after = field.value.slice(to);
      const text = whole + event.data + after;
      fresh = false;
      // a figure with its own unit is left to the server
      if (!/^[\d.,]*$/.test(text) || figures.possible(text, figures.limits(field))) return;
      event.preventDefault();
      const pointed = after ? null : figures.typed(whole, event.data, figures.limits(field));
      if (pointed === null) refuse();
      else put(pointed);
    });
    field.addEventListener("input", (event) => {
      if (event.inputType === "insertText" && /^[\d.,]+$/.test(field.value) && figures.complete(field.value, figures.limits(field))) next();
    });
    field.addEventListener("change", () => {
      if (/^[\d.,]+$/.test(field.value) && !figures.allowed(field.value, figures.limits(field))) faultAt(field, field.dataset.allowed);
    });
    field.addEventListener("keydown", (event) => {
      if (event.key === "Escape" && docked) close();
      if (event.key !== "Enter") return;
      event.preventDefault();
      next();
    });
  }
  if (docked) {
    document.addEventListener("focusin", (event) => {
      if (!pad.contains(event.target) && !fields.includes(event.target)) close();
    });
  } else go(fields.find((f) => f.value === "") || fields[0]);
}
