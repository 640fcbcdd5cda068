// Listens: the microphone's samples as they are, without what browsers do to voices, as a WAV of 24 bits to the server, where
// they are measured. Without a microphone a file does the same.
"use strict";
const ear = document.querySelector("[data-listen]");
const asWanted = {
  echoCancellation: false,
  noiseSuppression: false,
  autoGainControl: false
};
const find = (name) => document.querySelector(`[data-${name}]`);
const earWords = find("words").dataset;

// One channel of a WAV: the loudest of those that came.
const wavOf = (blocks, rate) => {
  const channels = blocks.length ? blocks[0].length : 0;
  let loudest = 0,
    most = -1;
  for (let c = 0; c < channels; c++) {
    let power = 0;
    for (const block of blocks)
      if (block[c])
        for (const x of block[c]) power += x * x;
    if (power > most)[most, loudest] = [power, c];
  }
  const held = blocks.map((block) => block[loudest] || block[0]);
  const count = held.reduce((sum, part) => sum + part.length, 0);
  const bytes = new DataView(new ArrayBuffer(44 + 3 * count));
  const text = (at, word) => [...word].forEach((letter, k) => bytes.setUint8(at + k, letter.charCodeAt(0)));
  text(0, "RIFF");
  bytes.setUint32(4, 36 + 3 * count, true);
  text(8, "WAVEfmt ");
  bytes.setUint32(16, 16, true);
  bytes.setUint16(20, 1, true);
  bytes.setUint16(22, 1, true);
  bytes.setUint32(24, rate, true);
  bytes.setUint32(28, 3 * rate, true);
  bytes.setUint16(32, 3, true);
  bytes.setUint16(34, 24, true);
  text(36, "data");
  bytes.setUint32(40, 3 * count, true);
  let at = 44;
  for (const part of held)
    for (const x of part) {
      const whole = Math.max(-8388608, Math.min(8388607, Math.round(x * 8388607)));
      bytes.setUint8(at++, whole & 255);
      bytes.setUint8(at++, (whole >> 8) & 255);
      bytes.setUint8(at++, (whole >> 16) & 255);
    }
  return new Blob([bytes.buffer], {
    type: "audio/wav"
  });
};

const measured = async (sound, name) => {
  const form = new FormData(ear);
  form.delete("file");
  form.append("file", sound, name);
  find("working").hidden = false;
  try {
    const answer = await fetch(ear.getAttribute("action"), {
      method: "POST",
      body: form,
      headers: {
        "x-part": "heard"
      }
    });
    const isPage = (answer.headers.get("content-type") || "").startsWith("text/html");
    if (answer.status >= 500 || answer.redirected || !isPage) find("heard").textContent = earWords.fault;
    else find("heard").innerHTML = await answer.text();
  } catch {
    find("heard").textContent = earWords.away;
  } finally {
    find("working").hidden = true;
  }
  find("heard").scrollIntoView();
};

// What the browser says that it does, though it was asked not to.
const tellKept = (settings) => {
  const names = {
    echoCancellation: earWords.echo,
    noiseSuppression: earWords.noise,
    autoGainControl: earWords.gain
  };
  const kept = Object.keys(asWanted).filter((name) => settings[name]);
  find("ignored").hidden = kept.length === 0;
  find("kept").textContent = kept.map((name) => names[name]).join(", ");
};

let tape = null;
const button = find("record");
const show = (recording) => {
  find("idle").hidden = recording;
  find("busy-words").hidden = !recording;
  find("recording").hidden = !recording;
  button.toggleAttribute("data-on", recording);
};

const stop = async () => {
  if (!tape) return;
  const {
    context,
    stream,
    blocks
  } = tape;
  tape = null;
  show(false);
  for (const track of stream.getTracks()) track.stop();
  const rate = context.sampleRate;
  await context.close();
  if (blocks.length) await measured(wavOf(blocks, rate), "recording.wav");
};

const start = async () => {
  let stream;
  try {
    stream = await navigator.mediaDevices.getUserMedia({
      audio: asWanted
    });
  } catch {
    find("denied").hidden = false;
    find("files").open = true;
    return;
  }
  find("denied").hidden = true;
  const settings = stream.getAudioTracks()[0].getSettings();
  tellKept(settings);
  // at the sound card's own rate: what is worked out anew hides that it was too loud
  const context = new AudioContext(settings.sampleRate ? {
    sampleRate: settings.sampleRate
  } : {});
  await context.audioWorklet.addModule("/static/ear_tape.js");
  const source = context.createMediaStreamSource(stream);
  const node = new AudioWorkletNode(context, "tape", {
    numberOfOutputs: 0
  });
  const held = {
    context,
    stream,
    blocks: []
  };
  const most = Number(ear.dataset.seconds);
  let frames = 0;
  node.port.onmessage = ({
    data
  }) => {
    if (tape !== held) return;
    held.blocks.push(data);
    frames += data[0].length;
    const top = data[0].reduce((most, x) => Math.max(most, Math.abs(x)), 0);
    const level = find("level");
    level.value = Math.max(0.92 * level.value, 1 + Math.log10(Math.max(top, 1e-3)) / 3);
    const gone = frames / context.sampleRate;
    find("time").value = gone / most;
    find("seconds-left").textContent = Math.round(ear.dataset.many ? gone : most - gone);
    if (gone >= most) stop();
  };
  source.connect(node);
  tape = held;
  show(true);
};

if (navigator.mediaDevices && window.isSecureContext) {
  button.addEventListener("click", () => tape ? stop() : start());
} else {
  find("no-microphone").hidden = false;
  find("files").open = true;
  button.hidden = true;
}
ear.addEventListener("submit", (event) => {
  const [file] = find("file").files;
  if (event.submitter?.formMethod === "get" || !file) return;
  event.preventDefault();
  measured(file, file.name);
});
find("file").addEventListener("change", () => {
  if (find("file").files[0]) measured(find("file").files[0], find("file").files[0].name);
});

// Another organ, rank or note: the page of that.
const turn = () => {
  const asked = new FormData(ear);
  const query = new URLSearchParams();
  for (const name of ["way", "organ", "rank", "note", "air_c"])
    if (asked.get(name)) query.set(name, asked.get(name));
  location.assign(`/ear?${query}`);
};
for (const select of ear.querySelectorAll("[data-turn]")) select.addEventListener("change", () => {
  if (select.name !== "note" && ear.elements.note) ear.elements.note.disabled = true; // the first of the other rank
  if (select.name === "organ") ear.elements.rank.disabled = true;
  turn();
});
for (const step of ear.querySelectorAll("[data-note]")) step.addEventListener("click", () => {
  const notes = ear.elements.note;
  const to = notes.selectedIndex + Number(step.dataset.note);
  if (to < 0 || to >= notes.length) return;
  notes.selectedIndex = to;
  turn();
});
