// Scan box, ticks, steps, clocks, jobs: nothing here is needed for the pages to work.
"use strict";
const held = {
  get(key) {
    try {
      return localStorage.getItem(key);
    } catch {
      return null;
    }
  },
  set(key, value) {
    try {
      localStorage.setItem(key, value);
    } catch {
      /* a tablet that keeps nothing */
    }
  },
  drop(key) {
    try {
      localStorage.removeItem(key);
    } catch {
      /* as above */
    }
  },
};
// One menu of the header is open at a time; the search takes the cursor within the tap itself, so that no first key is lost.
const menus = document.querySelectorAll(".line details");
const opened = (menu) => {
  for (const other of menus) other.open = other === menu;
  menu.querySelector("[data-scan]")?.focus();
};
for (const menu of menus) menu.querySelector("summary").addEventListener("click", (event) => {
  event.preventDefault();
  if (menu.open) menu.open = false;
  else opened(menu);
});
const comma = document.documentElement.dataset.comma === "1";
const numberOf = (text) => Number(String(text).replace(",", ".").replace(/[^\d.+-]/g, "")) || 0;
const shown = (value, decimals) => {
  const t = value.toFixed(decimals);
  return comma ? t.replace(".", ",") : t;
};

// "/" goes to the scan box. A scanner types evenly fast and ends with Enter: wherever the cursor was, its code is looked
// up, and a field that it ran into gets back what stood there. No hand types six keys in a row so fast.
const SCAN_GAP_MS = 100,
  SCAN_IN_FIELD = 4;
let typed = "",
  last = 0,
  before = "";
document.addEventListener("keydown", (event) => {
  const field = document.activeElement,
    typing = /^(INPUT|SELECT|TEXTAREA)$/.test(field.tagName);
  const box = document.querySelector("[data-scan]");
  if (!box || field === box || field.type === "password" || event.ctrlKey || event.altKey || event.metaKey) return;
  const now = performance.now();
  if (now - last > SCAN_GAP_MS) {
    typed = "";
    before = typing ? field.value : "";
  }
  last = now;
  if (event.key === "Enter" && typed.length >= (typing ? SCAN_IN_FIELD : 2)) {
    event.preventDefault();
    event.stopPropagation();
    if (typing) {
      field.value = before;
      field.dispatchEvent(new Event("input", {
        bubbles: true
      }));
    }
    location.assign("/scan?code=" + encodeURIComponent(typed));
  } else if (event.key.length === 1) {
    typed += event.key;
    if (!typing && event.key === "/" && typed === "/") {
      event.preventDefault();
      opened(box.closest("details"));
      box.select();
      typed = "";
    }
  } else if (event.key !== "Shift") {
    typed = ""; // a scanner sends no Tab, arrow or Backspace: a hand that types fast does
  }
}, true);

// A photo of a label is sent as soon as it is taken.
for (const photo of document.querySelectorAll("[data-photo]")) photo.addEventListener("change", () => {
  if (photo.files.length) photo.form.submit();
});

for (const box of document.querySelectorAll("ul.tick input[data-tick]")) {
  const key = "tick " + box.dataset.tick;
  const show = () => box.closest("label").classList.toggle("done", box.checked);
  box.checked = held.get(key) === "1";
  show();
  box.addEventListener("change", () => {
    if (box.checked) held.set(key, "1");
    else held.drop(key);
    show();
  });
}

for (const button of document.querySelectorAll("[data-step]")) {
  button.addEventListener("click", () => {
    const field = document.getElementById(button.dataset.for);
    field.value = shown(numberOf(field.value) + Number(button.dataset.step), Number(button.dataset.decimals));
    field.dispatchEvent(new Event("input", {
      bubbles: true
    }));
  });
}
for (const button of document.querySelectorAll("[data-as-planned]")) {
  button.addEventListener("click", () => {
    for (const f of button.form.querySelectorAll("[data-planned]"))
      if (!f.value) f.value = f.dataset.planned;
    button.form.dispatchEvent(new Event("input", {
      bubbles: true
    }));
  });
}
// The push that the beat timed stands in the log.
const push = document.getElementById("f-push_time_s");
if (push && held.get("push s")) {
  push.value = shown(Number(held.get("push s")), 1);
  held.drop("push s");
}

for (const keys of document.querySelectorAll("[data-keys]")) {
  const field = keys.closest("form").querySelector("[name=secret]");
  keys.hidden = false;
  keys.addEventListener("click", (event) => {
    const key = event.target.dataset.key;
    if (key) field.value = key === "back" ? field.value.slice(0, -1) : field.value + key;
  });
}

for (const clock of document.querySelectorAll("[data-clock]")) {
  const key = "fire " + clock.dataset.clock,
    left = clock.querySelector("[data-left]");
  const show = () => {
    const lit = Number(held.get(key));
    if (!lit) return;
    const ready = new Date(lit + Number(clock.dataset.hours) * 3600e3);
    left.textContent = ready > new Date() ?
      left.dataset.ready.replace("{time}", ready.toLocaleTimeString(document.documentElement.lang, {
        hour: "2-digit",
        minute: "2-digit"
      })) :
      left.dataset.now;
  };
  clock.querySelector("button").addEventListener("click", () => {
    held.set(key, String(Date.now()));
    show();
  });
  show();
  setInterval(show, 20e3);
}

// While something is typed into the search, what is found stands below it; arrows go through it.
for (const box of document.querySelectorAll("[data-scan]")) {
  const list = box.form.querySelector("[data-suggested]");
  let waiting,
    asked = 0;
  box.addEventListener("input", () => {
    clearTimeout(waiting);
    const mine = ++asked;
    waiting = setTimeout(async () => {
      try {
        const answer = await fetch("/find?q=" + encodeURIComponent(box.value), {
          headers: {
            "x-part": "found"
          }
        });
        const found = box.value.trim() && answer.ok ? await answer.text() : "";
        if (mine === asked) list.innerHTML = found;
      } catch {
        /* Enter still searches */
      }
    }, 150);
  });
  box.form.addEventListener("keydown", (event) => {
    const way = {
      ArrowDown: 1,
      ArrowUp: -1
    } [event.key];
    const steps = [box, ...list.querySelectorAll("a")];
    const to = way && steps[steps.indexOf(document.activeElement) + way];
    if (!to) return;
    event.preventDefault();
    to.focus();
  });
}

const trial = document.querySelector("form[data-try]");
if (trial) {
  let waiting;
  trial.addEventListener("input", () => {
    clearTimeout(waiting);
    waiting = setTimeout(async () => {
      try {
        const answer = await fetch(trial.dataset.try || trial.action, {
          method: "POST",
          body: new URLSearchParams(new FormData(trial)),
          headers: {
            "x-part": "1"
          }
        });
        document.querySelector("[data-tried]").innerHTML = await answer.text();
      } catch {
        /* the button is still there */
      }
    }, 400);
  });
}

if (document.querySelector('[data-job][data-state="waiting"], [data-job][data-state="running"]')) {
  setInterval(async () => {
    let jobs;
    try {
      jobs = await (await fetch("/jobs.json", {
        cache: "no-store"
      })).json();
    } catch {
      return;
    }
    for (const job of jobs) {
      const card = document.querySelector(`[data-job="${job.id}"]`);
      if (!card) continue;
      if (card.dataset.state !== job.state) {
        location.reload();
        return;
      }
      card.querySelector("progress").value = job.percent;
      if (job.state === "running") card.querySelector(".said").textContent = job.words;
    }
  }, 1000);
}

// At the scale: how much is weighed, a tick at each lot that is.
const weighing = document.querySelector("form[data-weighing]");
if (weighing) {
  const progress = document.querySelector("[data-progress]");
  const show = () => {
    let sum = 0;
    for (const field of weighing.querySelectorAll("[data-planned]")) {
      sum += numberOf(field.value);
      field.closest("li").classList.toggle("is-weighed", field.value !== "");
    }
    if (!progress) return;
    progress.querySelector("[data-sum]").textContent = shown(sum, 1);
    progress.querySelector("progress").value = (100 * sum) / Math.max(numberOf(progress.dataset.whole), 1e-9);
  };
  weighing.addEventListener("input", show);
  show();
}

// A link to a folded part of the page opens it; so does an address that names one.
const unfold = () => {
  const part = location.hash.length > 1 && document.getElementById(decodeURIComponent(location.hash.slice(1)));
  if (part && part.tagName === "DETAILS") {
    part.open = true;
    part.scrollIntoView();
  }
};
window.addEventListener("hashchange", unfold);
unfold();

// What this tablet has seen stays on it: where the server is away its pages are shown as they were.
if ("serviceWorker" in navigator && window.isSecureContext) {
  navigator.serviceWorker.register("/sw.js").catch(() => {
    /* the pages work without it */
  });
  for (const form of document.querySelectorAll("form[action='/leave']"))
    form.addEventListener("submit", () => navigator.serviceWorker.controller?.postMessage("forget"));
}
