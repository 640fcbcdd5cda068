// The beat: ticks from the tablet's own sound, a lamp at the marks; every moment is worked out from the start, so that none drifts.
"use strict";
(() => {
  const box = document.querySelector("[data-beat]");
  if (!box) return;
  const card = JSON.parse(box.dataset.beat),
    lamp = box.querySelector("[data-lamp]"),
    word = box.querySelector("[data-mark]");
  const button = document.querySelector("[data-start]"),
    label = button.querySelector("[data-word]"),
    sound = box.querySelector("[data-sound]"),
    begin = label.textContent;
  const COUNT_IN = 4,
    beat = card.beat_s || 0.5,
    cells = [...box.querySelectorAll("[data-at]")];
  const last = card.marks[card.marks.length - 1].time_s;
  let context = null,
    running = null;

  const plan = () => {
    const moments = [];
    for (let k = -COUNT_IN; k * beat < last - 1e-6; k++) moments.push({
      at: k * beat,
      mark: -1
    });
    card.marks.forEach((m, i) => moments.push({
      at: m.time_s,
      mark: i
    }));
    return moments.sort((a, b) => a.at - b.at || b.mark - a.mark);
  };
  const tick = (when, high) => {
    if (!context || !sound.checked) return;
    const tone = context.createOscillator(),
      loud = context.createGain();
    tone.frequency.value = high ? 1760 : 660;
    loud.gain.setValueAtTime(0.0001, when);
    loud.gain.exponentialRampToValueAtTime(high ? 0.9 : 0.4, when + 0.004);
    loud.gain.exponentialRampToValueAtTime(0.0001, when + (high ? 0.12 : 0.05));
    tone.connect(loud).connect(context.destination);
    tone.start(when);
    tone.stop(when + 0.15);
  };
  const stop = () => {
    if (!running) return;
    clearInterval(running.timer);
    cancelAnimationFrame(running.frame);
    running = null;
    label.textContent = begin;
    lamp.classList.remove("on");
    box.classList.remove("beating");
  };
  const flash = (moment, now) => {
    // what was shown and when, for whoever checks the beat against its plan
    running.flashed.push({
      mark: moment.mark,
      planned_ms: running.start + moment.at * 1000,
      shown_ms: now
    });
    lamp.classList.add("on");
    running.off = now + 160;
    word.textContent = cells[moment.mark] ? cells[moment.mark].dataset.word : "";
    for (const c of box.querySelectorAll(".now")) c.classList.remove("now");
    for (const c of cells) c.classList.toggle("now", Number(c.dataset.at) === moment.mark);
  };
  const look = () => {
    if (!running) return;
    const now = performance.now();
    while (running.next < running.moments.length && running.start + running.moments[running.next].at * 1000 <= now + 2) {
      const moment = running.moments[running.next++];
      if (moment.mark >= 0) flash(moment, performance.now());
      else if (moment.at < -1e-6) word.textContent = String(Math.round(-moment.at / beat));
    }
    if (running.off && now > running.off) {
      lamp.classList.remove("on");
      running.off = 0;
    }
    if (running.next >= running.moments.length && now > running.start + last * 1000 + 400) stop();
  };
  const frame = () => {
    look();
    if (running) running.frame = requestAnimationFrame(frame);
  };
  const start = () => {
    try {
      context = context || new AudioContext();
      context.resume();
    } catch {
      context = null;
    }
    running = {
      start: performance.now() + 300 + COUNT_IN * beat * 1000,
      moments: plan(),
      next: 0,
      heard: 0,
      off: 0,
      flashed: [],
      frame: 0
    };
    window.beatTold = running.flashed;
    const offset = context ? context.currentTime - performance.now() / 1000 : 0;
    if (context)
      for (const m of running.moments) tick(Math.max(offset + running.start / 1000 + m.at, context.currentTime), m.mark >= 0);
    // a timer beside the frames: frames may come late where the tablet is busy drawing
    running.timer = setInterval(look, 4);
    running.frame = requestAnimationFrame(frame);
    label.textContent = button.dataset.stopWords;
    box.classList.add("beating");
    lamp.scrollIntoView({
      block: "start"
    });
    try {
      localStorage.setItem("push s", String(last));
    } catch {
      /* a tablet that keeps nothing */
    }
  };
  button.addEventListener("click", () => {
    if (!running) {
      start();
      return;
    }
    try {
      if (performance.now() > running.start) localStorage.setItem("push s", ((performance.now() - running.start) / 1000).toFixed(2));
    } catch {
      /* as above */
    }
    if (context) {
      context.close();
      context = null;
    }
    stop();
  });
})();
