// Ticks of the weighing list stay on this tablet; "/" goes to the search; nothing here is needed for the pages to work.
"use strict";
for (const box of document.querySelectorAll("ul.tick input[data-tick]")) {
  const key = "tick " + box.dataset.tick;
  const show = () => box.closest("label").classList.toggle("done", box.checked);
  try { box.checked = localStorage.getItem(key) === "1"; } catch { /* a tablet that keeps nothing */ }
  show();
  box.addEventListener("change", () => {
    try { if (box.checked) localStorage.setItem(key, "1"); else localStorage.removeItem(key); } catch { /* as above */ }
    show();
  });
}
document.addEventListener("keydown", (event) => {
  const typing = /^(INPUT|SELECT|TEXTAREA)$/.test(document.activeElement.tagName);
  const field = document.querySelector("[data-search]");
  if (event.key === "/" && !typing && field) { event.preventDefault(); field.focus(); }
});
// What was typed stays, should the server go away before the form is sent.
for (const form of document.querySelectorAll("form[data-keep]")) {
  const key = "typed " + location.pathname + " " + form.dataset.keep;
  try {
    const held = JSON.parse(sessionStorage.getItem(key) || "{}");
    for (const field of form.elements) if (field.name && field.type !== "hidden" && held[field.name]) field.value = held[field.name];
  } catch { /* nothing kept */ }
  form.addEventListener("input", () => {
    const typed = {};
    for (const field of form.elements) if (field.name && field.type !== "hidden") typed[field.name] = field.value;
    try { sessionStorage.setItem(key, JSON.stringify(typed)); } catch { /* as above */ }
  });
  if (document.querySelector("[data-saved]")) try { sessionStorage.removeItem(key); } catch { /* as above */ }
}
if (document.querySelector("[data-wait]")) setTimeout(() => location.reload(), 5000);
