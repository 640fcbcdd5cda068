// The cutting bench seen near and whole: zoom by wheel, pinch and buttons, the small picture, the list; blanks are moved by bench.js.
"use strict";
(() => {
  const box = document.querySelector("[data-bench]");
  if (!box) return;
  const sheet = JSON.parse(box.dataset.bench),
    L = sheet.length_mm,
    W = sheet.width_mm;
  const ground = box.querySelector("[data-ground]"),
    over = box.querySelector("svg.over"),
    small = box.querySelector("[data-overview]"),
    frame = box.querySelector("[data-frame]"),
    list = box.querySelector("[data-list]");
  const TOUCH_PX = 44,
    NEAREST = 40;
  let view = {
      x: 0,
      y: 0,
      w: L,
      h: W
    },
    chosen = null;

  const ratio = () => over.clientHeight / Math.max(over.clientWidth, 1);
  const show = () => {
    const text = `${view.x} ${view.y} ${view.w} ${view.h}`;
    ground.setAttribute("viewBox", text);
    over.setAttribute("viewBox", text);
    for (const [name, value] of [
        ["x", view.x],
        ["y", view.y],
        ["width", view.w],
        ["height", view.h]
      ]) frame.setAttribute(name, value);
  };
  // a view never leaves the sheet by more than its own half
  const look = (x, y, w) => {
    w = Math.min(Math.max(w, L / NEAREST), L);
    const h = w * ratio();
    const keep = (at, size, whole) => size >= whole ? (whole - size) / 2 : Math.min(Math.max(at, 0), whole - size);
    view = {
      x: keep(x, w, L),
      y: keep(y, h, W),
      w,
      h
    };
    show();
  };
  const zoom = (by, cx, cy) => {
    if (!by) {
      look(0, 0, L);
      return;
    }
    const w = view.w / by;
    look(cx - ((cx - view.x) * w) / view.w, cy - ((cy - view.y) * w) / view.w, w);
  };
  const middle = () => {
    if (chosen) return [chosen.x_mm + chosen.length_mm / 2, W - chosen.y_mm - chosen.width_mm / 2];
    return [view.x + view.w / 2, view.y + view.h / 2];
  };
  const at = (svg, event) => {
    const p = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    return [p.x, p.y];
  };
  for (const button of box.querySelectorAll("[data-zoom]")) {
    button.addEventListener("click", () => zoom(Number(button.dataset.zoom), ...middle()));
  }
  over.addEventListener("wheel", (event) => {
    event.preventDefault();
    zoom(event.deltaY < 0 ? 1.25 : 0.8, ...at(over, event));
  }, {
    passive: false
  });

  // two fingers pinch; one finger beside the blanks moves the view
  const fingers = new Map();
  let held = null;
  const spread = () => {
    const [a, b] = [...fingers.values()];
    return {
      far: Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY),
      clientX: (a.clientX + b.clientX) / 2,
      clientY: (a.clientY + b.clientY) / 2
    };
  };
  over.addEventListener("pointerdown", (event) => {
    if (event.target.closest("[data-blank]")) return;
    fingers.set(event.pointerId, event);
    over.setPointerCapture(event.pointerId);
    held = fingers.size === 2 ? spread() : {
      clientX: event.clientX,
      clientY: event.clientY,
      view: {
        ...view
      }
    };
  });
  over.addEventListener("pointermove", (event) => {
    if (!fingers.has(event.pointerId)) return;
    fingers.set(event.pointerId, event);
    if (fingers.size === 2 && held.far) {
      const now = spread();
      zoom(now.far / held.far, ...at(over, now));
      held = now;
    } else if (fingers.size === 1 && held.view) {
      const mm = held.view.w / over.clientWidth;
      look(held.view.x - (event.clientX - held.clientX) * mm, held.view.y - (event.clientY - held.clientY) * mm, held.view.w);
    }
  });
  for (const name of ["pointerup", "pointercancel"])
    over.addEventListener(name, (event) => {
      fingers.delete(event.pointerId);
      held = null;
    });
  if (small) small.addEventListener("click", (event) => {
    const [x, y] = at(small, event);
    look(x - view.w / 2, y - view.h / 2, Math.min(view.w, L / 3));
  });

  // list and picture follow each other
  const rowOf = (blank) => [...list.querySelectorAll("[data-choose]")].find((b) => b.dataset.choose === blank);
  list.addEventListener("click", (event) => {
    const button = event.target.closest("[data-choose]");
    if (button) box.dispatchEvent(new CustomEvent("choose", {
      detail: button.dataset.choose
    }));
  });
  box.addEventListener("chosen", (event) => {
    chosen = event.detail;
    for (const row of list.querySelectorAll(".chosen")) row.classList.remove("chosen");
    const about = document.querySelector("[data-about]"),
      more = document.querySelector("[data-about-more]");
    const button = chosen && rowOf(chosen.blank);
    if (button) {
      button.closest("li").classList.add("chosen");
      button.closest("li").scrollIntoView({
        block: "nearest"
      });
      const [name, size] = button.children;
      about.innerHTML = "";
      about.append(Object.assign(document.createElement("b"), {
        textContent: `${chosen.number} ${name.textContent}`
      }));
      more.textContent = size.textContent;
    }
    // the one blank that is chosen can be booked as cut alone
    const one = document.querySelector("[data-cut-one]");
    if (one) {
      one.hidden = !chosen || chosen.cut;
      one.elements.blank.value = chosen ? chosen.blank : "";
      if (chosen) one.querySelector("[data-number]").textContent = one.dataset.words.replace("@", chosen.number);
    }
    if (!chosen) return;
    const [cx, cy] = middle();
    const px = over.clientWidth / view.w;
    const least = Math.min(chosen.length_mm, chosen.width_mm);
    const wanted = Math.max(view.w * Math.min((least * px) / TOUCH_PX, 1), chosen.length_mm * 1.6);
    const inside = cx > view.x && cx < view.x + view.w && cy > view.y && cy < view.y + view.h;
    const wide = Math.min(wanted, view.w);
    if (!inside || wanted < view.w) look(cx - wide / 2, cy - (wide * ratio()) / 2, wide);
  });
  box.addEventListener("drawn", (event) => {
    const spots = box.querySelector("[data-small]");
    if (!spots) return;
    spots.replaceChildren(...event.detail.map((points) => {
      const shape = document.createElementNS("http://www.w3.org/2000/svg", "polygon");
      shape.setAttribute("points", points);
      shape.setAttribute("class", "blank");
      return shape;
    }));
  });
  const go = document.querySelector("[data-go]");
  if (go) {
    go.addEventListener("change", () => go.form.submit());
    go.form.querySelector("button").hidden = true;
  }
  // an address may name a blank, or the pipe that it is for
  const asked = new URLSearchParams(location.search).get("blank");
  const named = asked && sheet.blanks.find((b) => b.blank === asked || b.blank.startsWith(asked + " "));
  // at first from the left end as near as the whole width allows; nearer where half of the blanks could not be touched
  const sides = sheet.blanks.map((b) => Math.min(b.length_mm, b.width_mm)).sort((a, b) => a - b);
  const touched = () => sides.length ? sides[Math.floor(sides.length / 2)] * over.clientWidth / TOUCH_PX : L;
  let first = true;
  new ResizeObserver(() => {
    // where the blanks begin, if the left end has none: whoever cuts starts there
    const begins = Math.min(...sheet.blanks.map((b) => b.x_mm), L);
    if (first) {
      const w = Math.min(W / ratio(), touched());
      look(begins < w / 2 ? 0 : begins - w / 10, view.y, w);
    } else look(view.x, view.y, view.w);
    if (first && named) box.dispatchEvent(new CustomEvent("choose", {
      detail: named.blank
    }));
    first = false;
  }).observe(over);
  box.dispatchEvent(new CustomEvent("redraw"));
})();
