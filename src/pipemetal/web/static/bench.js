// The cutting bench: blanks moved by finger, mouse or keys. Edges and neighbours are looked at here, thickness by the server.
"use strict";
(() => {
  const box = document.querySelector("[data-bench]");
  if (!box) return;
  const sheet = JSON.parse(box.dataset.bench),
    say = JSON.parse(box.dataset.say),
    fixed = box.dataset.fixed === "1";
  const svg = box.querySelector("svg.over"),
    told = box.querySelector("[data-told]"),
    key = "bench " + sheet.plan;
  // Each tab has a draft of its own; a new tab begins with the one that was stored last.
  const ownTab = window.sessionStorage;
  const NS = "http://www.w3.org/2000/svg",
    W = sheet.width_mm,
    L = sheet.length_mm,
    inch = box.dataset.unit === "in";
  const shown = (mm) => inch ? (mm / 25.4).toFixed(2) + " in" : Math.round(mm) + " mm";
  const make = (name, values, parent) => {
    const e = document.createElementNS(NS, name);
    for (const [k, v] of Object.entries(values)) {
      if (k === "font-size") e.style.fontSize = `${v}px`;
      else e.setAttribute(k, v);
    }
    if (parent) parent.append(e);
    return e;
  };
  // The draft of the whole plan: where blanks were moved or pinned, with their shape, so that other sheets can show them.
  let draft = {};
  try {
    draft = JSON.parse(ownTab.getItem(key) ?? localStorage.getItem(key) ?? "{}");
  } catch {
    draft = {};
  }
  if (document.querySelector("[data-saved]")) draft = {};
  const store = () => {
    const text = JSON.stringify(draft);
    try {
      ownTab.setItem(key, text);
      localStorage.setItem(key, text);
    } catch {
      /* a tablet that keeps nothing */
    }
    const count = Object.keys(draft).length,
      bar = box.querySelector("[data-draft]");
    bar.hidden = fixed || count === 0;
    box.querySelector("[data-changed]").textContent = say.changed.replace("{count}", count);
  };
  const home = Object.fromEntries(sheet.blanks.map((b) => [b.blank, b]));
  const blanks = sheet.blanks.map((b) => ({
    ...b,
    sheet: sheet.sheet,
    pinned: false
  })).filter((b) => !draft[b.blank] || draft[b.blank].sheet === sheet.sheet);
  for (const d of Object.values(draft)) {
    const mine = blanks.find((b) => b.blank === d.blank);
    if (mine) Object.assign(mine, d);
    else if (d.sheet === sheet.sheet) blanks.push({
      ...d
    });
  }
  let chosen = null,
    swapping = null,
    fits = [],
    faults = {},
    asked = 0,
    waiting;

  svg.setAttribute("viewBox", `0 0 ${L} ${W}`);
  const band = make("g", {
      class: "fits"
    }, svg),
    body = make("g", {}, svg);
  make("rect", {
    x: sheet.trim_mm,
    y: sheet.trim_mm,
    width: L - 2 * sheet.trim_mm,
    height: W - 2 * sheet.trim_mm,
    class: "trim"
  }, svg);
  for (const area of sheet.no_go) make("polygon", {
    points: area.map(([x, y]) => `${x},${W - y}`).join(" "),
    class: "nogo"
  }, svg);
  for (let x = 500; x < L; x += 500) make("line", {
    x1: x,
    x2: x,
    y1: W,
    y2: W - Math.min(40, W / 12),
    class: "ruler"
  }, svg);

  const shape = (b) => b.corners.length ? b.corners.map(([x, y]) => [b.x_mm + x, b.y_mm + y]) : [
    [b.x_mm, b.y_mm],
    [b.x_mm + b.length_mm, b.y_mm],
    [b.x_mm + b.length_mm, b.y_mm + b.width_mm],
    [b.x_mm, b.y_mm + b.width_mm]
  ];
  const inside = ([x, y], polygon) => {
    let odd = false;
    for (let i = 0, j = polygon.length - 1; i < polygon.length; j = i++) {
      const [xi, yi] = polygon[i], [xj, yj] = polygon[j];
      if (yi > y !== yj > y && x < ((xj - xi) * (y - yi)) / (yj - yi) + xi) odd = !odd;
    }
    return odd;
  };
  const crosses = (p, q) => {
    for (let i = 0; i < p.length; i++)
      for (let k = 0; k < q.length; k++) {
        const [a, b, c, d] = [p[i], p[(i + 1) % p.length], q[k], q[(k + 1) % q.length]];
        const side = (u, v, w) => (v[0] - u[0]) * (w[1] - u[1]) - (v[1] - u[1]) * (w[0] - u[0]);
        if (side(a, b, c) * side(a, b, d) < 0 && side(c, d, a) * side(c, d, b) < 0) return true;
      }
    return inside(p[0], q) || inside(q[0], p);
  };
  const near = (a, b) => a.x_mm < b.x_mm + b.length_mm + sheet.kerf_mm - 0.05 && b.x_mm < a.x_mm + a.length_mm + sheet.kerf_mm - 0.05 &&
    a.y_mm < b.y_mm + b.width_mm + sheet.kerf_mm - 0.05 && b.y_mm < a.y_mm + a.width_mm + sheet.kerf_mm - 0.05;
  const wrong = (b) => {
    const t = sheet.trim_mm - 0.05;
    if (b.x_mm < t || b.y_mm < t || b.x_mm + b.length_mm > L - t || b.y_mm + b.width_mm > W - t) return say.outside;
    for (const o of blanks) {
      if (o === b || !near(b, o)) continue;
      if (b.corners.length || o.corners.length ? crosses(shape(b), shape(o)) : true) return say.over.replace("{other}", o.blank);
    }
    return "";
  };
  const draw = () => {
    body.replaceChildren();
    band.replaceChildren();
    for (const [a, c] of chosen ? fits : []) {
      make("rect", {
        x: a,
        y: 0,
        width: Math.max(c - a + chosen.length_mm, 3),
        height: W
      }, band);
    }
    for (const b of blanks) {
      const bad = wrong(b) || (faults[b.blank] || "");
      const marks = {
        chosen: b === chosen,
        bad,
        pinned: b.pinned,
        moved: draft[b.blank],
        pencil: b.pencil,
        cut: b.cut
      };
      const g = make("g", {
        class: ["blank", ...Object.keys(marks).filter((name) => marks[name])].join(" "),
        "data-blank": b.blank
      }, body);
      make("polygon", {
        points: shape(b).map(([x, y]) => `${x.toFixed(2)},${(W - y).toFixed(2)}`).join(" ")
      }, g);
      make("title", {}, g).textContent = `${b.name || b.blank}: ${say.wants} ${b.wants[0]} / ${b.wants[1]}${bad ? ", " + bad : ""}`;
      const size = Math.min(W / 12, b.width_mm * 0.5, b.length_mm * 0.4);
      const text = make("text", {
        x: b.x_mm + b.length_mm / 2,
        y: W - b.y_mm - b.width_mm / 2 + size * (size > 24 ? 0.1 : 0.36),
        "font-size": size,
        "text-anchor": "middle"
      }, g);
      const note = b.blank.split(" ").slice(-2).join(" ");
      if (size > 24 && b.length_mm > size * 0.36 * note.length) {
        make("text", {
          x: b.x_mm + b.length_mm / 2,
          y: W - b.y_mm - b.width_mm / 2 + size * 0.82,
          "font-size": size * 0.45,
          "text-anchor": "middle"
        }, g).textContent = note;
      }
      text.textContent = (bad ? "✕" : b.pinned ? "◆" : "") + b.number;
    }
    box.dispatchEvent(new CustomEvent("drawn", {
      detail: blanks.map((b) => shape(b).map(([x, y]) => `${x.toFixed(0)},${(W - y).toFixed(0)}`).join(" "))
    }));
    if (!chosen) return;
    const bad = wrong(chosen) || faults[chosen.blank] || "";
    const where = `${shown(chosen.x_mm)}, ${shown(chosen.y_mm)}, ${chosen.turn_deg}°`;
    const verdict = bad ? "✕ " + bad : "● " + say.fine;
    const pinned = chosen.pinned ? "; ◆ " + say.pinned : "";
    const chance = typeof chosen.chance === "number" && !bad ? "; " + say.sure.replace("{count}", Math.floor(100 * chosen.chance)) : "";
    told.textContent = `${chosen.number}. ${chosen.name || chosen.blank}: ${say.at} ${where}; ${verdict}${chance}${pinned}`;
    told.classList.toggle("bad", Boolean(bad));
  };
  const places = () => Object.values(draft).map((d) => ({
    blank: d.blank,
    sheet: d.sheet,
    x_mm: d.x_mm,
    y_mm: d.y_mm,
    turn_deg: d.turn_deg,
    pinned: d.pinned
  }));
  const send = async (path, more) => {
    const answer = await fetch(path, {
      method: "POST",
      headers: {
        "content-type": "application/json"
      },
      body: JSON.stringify({
        plan: sheet.plan,
        sheet: sheet.sheet,
        places: places(),
        ...more
      })
    });
    const data = await answer.json();
    if (!answer.ok) throw new Error(data.error);
    return data;
  };
  const check = () => {
    clearTimeout(waiting);
    waiting = setTimeout(async () => {
      const mine = ++asked;
      try {
        const found = await send("/cutting/check", {
          about: chosen ? chosen.blank : ""
        });
        if (mine !== asked) return;
        faults = Object.fromEntries(found.faults.map((f) => [f.blank, f.kind === "thickness" ? say.thin + " (" + f.words + ")" : f.words]));
        fits = found.fits;
        for (const b of blanks) {
          if (!draft[b.blank]) continue;
          b.pencil = found.pencil.includes(b.blank);
          b.chance = found.chances[b.blank] ?? null;
        }
        draw();
      } catch (error) {
        if (mine === asked) told.textContent = error instanceof TypeError ? say.away : error.message;
      }
    }, 150);
  };
  const note = (b) => {
    const was = home[b.blank];
    const same = was && b.sheet === sheet.sheet && !b.pinned && was.x_mm === b.x_mm && was.y_mm === b.y_mm && was.turn_deg === b.turn_deg;
    if (same) delete draft[b.blank];
    else draft[b.blank] = {
      ...b
    };
    store();
    draw();
    check();
  };
  const choose = (b) => {
    chosen = b;
    fits = [];
    draw();
    box.dispatchEvent(new CustomEvent("chosen", {
      detail: b
    }));
    check();
  };
  box.addEventListener("choose", (event) => {
    const b = blanks.find((o) => o.blank === event.detail);
    if (b) pick(b);
  });
  box.addEventListener("redraw", () => draw());
  const move = (b, dx, dy) => {
    b.x_mm = Math.round((b.x_mm + dx) * 100) / 100;
    b.y_mm = Math.round((b.y_mm + dy) * 100) / 100;
    note(b);
  };
  const turn = (b) => {
    const next = b.turns_deg[(b.turns_deg.indexOf(b.turn_deg) + 1) % b.turns_deg.length];
    const quarter = (next - b.turn_deg + 360) % 360;
    if (quarter % 180)[b.length_mm, b.width_mm] = [b.width_mm, b.length_mm];
    else if (quarter === 180) b.corners = b.corners.map(([x, y]) => [b.length_mm - x, b.width_mm - y]);
    b.turn_deg = next;
    note(b);
  };
  const swap = (a, b) => {
    [a.x_mm, b.x_mm] = [b.x_mm, a.x_mm];
    [a.y_mm, b.y_mm] = [b.y_mm, a.y_mm];
    note(a);
    note(b);
  };
  const pick = (b) => {
    if (swapping && swapping !== b && !b.cut) {
      const one = swapping;
      swapping = null;
      swap(one, b);
    }
    choose(b);
  };
  const at = (event) => {
    const p = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    return [p.x, W - p.y];
  };
  let drag = null;
  svg.addEventListener("pointerdown", (event) => {
    const g = event.target.closest("[data-blank]");
    if (!g) return;
    svg.focus({
      preventScroll: true
    });
    const b = blanks.find((o) => o.blank === g.dataset.blank),
      [x, y] = at(event);
    pick(b);
    if (fixed || b.pinned || b.cut) return;
    event.preventDefault();
    svg.setPointerCapture(event.pointerId);
    drag = {
      b,
      dx: b.x_mm - x,
      dy: b.y_mm - y,
      far: false
    };
  });
  svg.addEventListener("pointermove", (event) => {
    if (!drag) return;
    const [x, y] = at(event);
    drag.b.x_mm = Math.round(x + drag.dx);
    drag.b.y_mm = Math.round(y + drag.dy);
    drag.far = true;
    draw();
    check();
  });
  const drop = () => {
    if (drag && drag.far) note(drag.b);
    drag = null;
  };
  svg.addEventListener("pointerup", drop);
  svg.addEventListener("pointercancel", drop);
  const step = () => Number(box.querySelector("[data-step-mm]").value);
  const go = (by) => {
    if (!blanks.length) return;
    const order = [...blanks].sort((a, b) => a.number - b.number);
    pick(order[(order.indexOf(chosen) + by + order.length) % order.length]);
  };
  const back = (b) => {
    delete draft[b.blank];
    store();
    if (home[b.blank]) Object.assign(b, home[b.blank], {
      sheet: sheet.sheet,
      pinned: false
    });
    else blanks.splice(blanks.indexOf(b), 1);
    choose(home[b.blank] ? b : null);
  };
  const book = async (path) => {
    try {
      location.assign((await send(path, {})).link);
    } catch (error) {
      told.textContent = error instanceof TypeError ? say.away : error.message;
      told.classList.add("bad");
    }
  };
  const free = () => chosen && !fixed && !chosen.pinned && !chosen.cut;
  const deeds = {
    previous: () => go(-1),
    next: () => go(1),
    left: () => free() && move(chosen, -step(), 0),
    right: () => free() && move(chosen, step(), 0),
    up: () => free() && move(chosen, 0, step()),
    down: () => free() && move(chosen, 0, -step()),
    turn: () => free() && turn(chosen),
    back: () => chosen && !fixed && !chosen.cut && back(chosen),
    swap: () => {
      if (free()) {
        swapping = chosen;
        told.textContent = say.swap;
      }
    },
    pin: () => {
      if (chosen && !fixed && !chosen.cut) {
        chosen.pinned = !chosen.pinned;
        note(chosen);
      }
    },
    forget: () => {
      ownTab.removeItem(key);
      localStorage.removeItem(key);
      location.reload();
    },
    keep: () => book("/cutting/keep"),
    relay: () => book("/jobs/relay"),
  };
  for (const b of box.querySelectorAll("[data-do]")) b.addEventListener("click", () => deeds[b.dataset.do]());
  box.querySelector("[data-to]").addEventListener("change", (event) => {
    if (!free()) return;
    const b = chosen;
    Object.assign(b, {
      sheet: event.target.value,
      x_mm: sheet.trim_mm,
      y_mm: sheet.trim_mm
    });
    draft[b.blank] = {
      ...b
    };
    store();
    if (b.sheet !== sheet.sheet) location.assign("/cutting?sheet=" + encodeURIComponent(b.sheet));
  });
  svg.addEventListener("keydown", (event) => {
    const keys = {
      ArrowLeft: "left",
      ArrowRight: "right",
      ArrowUp: "up",
      ArrowDown: "down",
      PageDown: "next",
      PageUp: "previous",
      t: "turn",
      p: "pin",
      s: "swap",
      Escape: "back"
    };
    const name = keys[event.key];
    if (!name) return;
    event.preventDefault();
    deeds[name]();
  });
  store();
  draw();
  if (Object.keys(draft).length) check();
})();
