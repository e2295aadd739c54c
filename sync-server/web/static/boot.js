// Starts the app, hands taps to it and draws what it says. No rule of the trade stands here.

import init, { App, clock_text } from "./field.js";
import { Device } from "./device.js";

const root = document.getElementById("app");

// What the app says lies beside the program, and is fetched while that is made ready.
const message = async (language) => {
  const answer = await fetch(new URL(`./${language}.ftl`, import.meta.url));
  if (!answer.ok) throw new Error(`The app is not whole: ${language}.ftl is missing (${answer.status}). Load it again.`);
  return [language, await answer.text()];
};
// What the core says, in the other languages; without it the core's English is shown.
const core = fetch(new URL("./core.txt", import.meta.url))
  .then((answer) => (answer.ok ? answer.text() : ""))
  .catch(() => "");
const texts = Promise.all(["en", "fr", "es"].map(message)).then(async (all) => {
  const table = await core;
  return Object.fromEntries(all.map(([language, text]) => [language, language === "en" ? text : `${text}\f${table}`]));
});
// A failure is said where the texts are waited for.
texts.catch(() => {});
let app = null;
let device = null;
let busy = Promise.resolve();

function fields() {
  const values = {};
  for (const field of root.querySelectorAll("[name]")) {
    if (field.type === "radio" && !field.checked) continue;
    values[field.name] = field.value;
  }
  return values;
}

const KEPT = "bolebook-screen";
const title = (of) => of.querySelector("#title")?.textContent;

// `renewed` draws the same screen again although nothing was tapped: what stands in its fields stays.
function draw(renewed = false) {
  stopCamera();
  const page = document.createElement("div");
  page.innerHTML = app.screen();
  const moved = title(page) !== title(root);
  const before = moved ? 0 : window.scrollY;
  const open = moved ? [] : Array.from(root.querySelectorAll("details"), (d) => d.open);
  const values = moved ? {} : fields();
  const active = moved ? null : document.activeElement?.id;
  const caret = document.activeElement?.selectionEnd ?? null;
  root.replaceChildren(...page.childNodes);
  dress();
  root.querySelectorAll("details").forEach((d, i) => (d.open = open[i] ?? false));
  // What was typed stays while the screen does; a saved entry leaves its fields empty.
  if (renewed || !root.querySelector(".said:not(.bad)")) {
    for (const [name, value] of Object.entries(values)) {
      for (const field of root.querySelectorAll(`[name="${CSS.escape(name)}"]`)) {
        if (field.type === "radio") field.checked = field.value === value;
        else field.value = value;
      }
    }
  }
  if (moved) document.getElementById("title")?.focus({ preventScroll: true });
  else if (active) {
    const field = document.getElementById(active);
    field?.focus({ preventScroll: true });
    if (renewed && caret !== null) field?.setSelectionRange(caret, caret);
  }
  window.scrollTo(0, before);
  cameras();
  tick();
  room();
  keepScreen();
}

// Language and look belong to the whole page.
function dress() {
  document.documentElement.lang = root.firstElementChild?.lang || "en";
  document.documentElement.dataset.look = root.firstElementChild?.dataset.look ?? "day";
}

// The day's screen is shown again at once the next time, while the books are being opened.
function keepScreen() {
  try {
    if (root.querySelector(".next")) localStorage.setItem(KEPT, root.innerHTML);
  } catch {
    // Only a quicker start is lost.
  }
}

// One act after another: a second tap waits until the first one is durable. A tap on the kept
// screen waits until the app is open. Busy is shown until the last of them is done.
let waiting = 0;
function act(name, more) {
  const values = { ...fields(), ...more };
  waiting += 1;
  root.classList.add("busy");
  busy = busy.then(async () => {
    const failedBefore = root.querySelector(".said.bad") !== null;
    try {
      await app?.act(name, values);
    } finally {
      waiting -= 1;
      if (waiting === 0) root.classList.remove("busy");
    }
    if (!app) return;
    draw();
    keepReadySoon();
    if (name === "exchange") sendPhotos();
    const bad = root.querySelector(".said.bad");
    if (bad) {
      if (!failedBefore) aloud(bad.textContent);
      window.scrollTo(0, 0);
      if (!failedBefore) navigator.vibrate?.([80, 60, 80]);
    } else if (root.querySelector(".said")) {
      navigator.vibrate?.(40);
    }
  });
  return busy;
}

// What cannot wait is said aloud, if the crew wants that, while the screen is on.
function aloud(text) {
  if (!text || root.firstElementChild?.dataset.speak !== "yes" || !window.speechSynthesis) return;
  const words = new SpeechSynthesisUtterance(text);
  words.lang = document.documentElement.lang;
  speechSynthesis.speak(words);
}

function tick() {
  const now = Date.now();
  for (const timer of root.querySelectorAll(".timer")) {
    const waited = now - Number(timer.dataset.since);
    timer.textContent = clock_text(waited);
    const late = timer.dataset.limit !== undefined && waited > Number(timer.dataset.limit);
    if (late && !timer.classList.contains("late")) {
      timer.classList.add("late");
      navigator.vibrate?.([200, 100, 200]);
      aloud(timer.dataset.say);
      // What is overdue changes the card too.
      if (!timer.closest(".late:not(.timer)")) act("dismiss");
    }
  }
}

async function room() {
  const place = document.getElementById("storage");
  const update = document.getElementById("update");
  if (update && "serviceWorker" in navigator) {
    const registration = await navigator.serviceWorker.getRegistration();
    update.hidden = !registration?.waiting;
  }
  if (!place || !navigator.storage?.estimate) return;
  const [{ usage = 0, quota = 0 }, kept] = await Promise.all([
    navigator.storage.estimate(),
    navigator.storage.persisted?.() ?? false,
  ]);
  const mb = (bytes) => `${(bytes / 1e6).toFixed(1)} MB`;
  place.textContent = `${mb(usage)} / ${mb(quota)} · ${kept ? "persistent" : "not persistent: exchange every day"}`;
}

async function bundle() {
  await app?.openBooks();
  const bytes = app?.bundle();
  if (!bytes) return;
  const stamp = new Date().toISOString().slice(0, 16).replace(/[:T]/g, "-");
  const file = new File([bytes], `bolebook-${stamp}.bundle`, { type: "application/octet-stream" });
  if (navigator.canShare?.({ files: [file] })) {
    try {
      return await navigator.share({ files: [file], title: file.name });
    } catch (error) {
      if (error.name === "AbortError") return;
    }
  }
  const link = document.createElement("a");
  link.href = URL.createObjectURL(file);
  link.download = file.name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 60000);
}

root.addEventListener("click", (event) => {
  const button = event.target.closest("button, [data-act]");
  if (!button) return;
  if (button.dataset.act) act(button.dataset.act);
  else if (button.dataset.do === "bundle") bundle();
  else if (button.dataset.do === "camera") watchCode(button);
  else if (button.dataset.do === "take-over") start(true);
});

// Scaled, so that a day's photos fit: 1600 pixels at the longest side. What the camera wrote about
// place and time is left behind with the original.
async function photo(input) {
  const [file] = input.files;
  if (!file || !app) return;
  const about = input.dataset.photo;
  try {
    const image = await createImageBitmap(file);
    const scale = Math.min(1, 1600 / Math.max(image.width, image.height));
    const canvas = document.createElement("canvas");
    [canvas.width, canvas.height] = [Math.round(image.width * scale), Math.round(image.height * scale)];
    canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
    const blob = await new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", 0.85));
    const digest = await device.keepPhoto(blob);
    await act(`photo:${about}`, { "photo-sha256": digest, "photo-bytes": String(blob.size) });
  } catch (error) {
    input.closest("label").insertAdjacentText("beforeend", ` ${error.message ?? error}`);
  }
}

root.addEventListener("change", (event) => {
  if (event.target.dataset.photo) photo(event.target);
  if (event.target.dataset.scan) scan(event.target);
});

// A code read off a picture goes into its field, as if it had been typed. Read at two sizes: a
// code that fills the picture is found in the small one, a far one in the large one.
let reader = null;
function readCode(picture) {
  reader ??= new Worker("./scan-worker.js", { type: "module" });
  const asked = reader;
  return new Promise((resolve) => {
    const end = (text) => {
      clearTimeout(late);
      asked.onmessage = asked.onerror = null;
      resolve(text);
    };
    const drop = () => {
      asked.terminate();
      reader = null;
      end(null);
    };
    const late = setTimeout(drop, 30000);
    asked.onmessage = ({ data }) => end(data);
    asked.onerror = drop;
    asked.postMessage(picture);
  });
}

async function grey(image, most) {
  const [wide, high] = [image.videoWidth ?? image.width, image.videoHeight ?? image.height];
  const scale = Math.min(1, most / Math.max(wide, high));
  const [width, height] = [Math.round(wide * scale), Math.round(high * scale)];
  const canvas = document.createElement("canvas");
  [canvas.width, canvas.height] = [width, height];
  const context = canvas.getContext("2d", { willReadFrequently: true });
  context.drawImage(image, 0, 0, width, height);
  const { data } = context.getImageData(0, 0, width, height);
  const luma = new Uint8Array(width * height);
  for (let i = 0; i < luma.length; i++) {
    luma[i] = (data[4 * i] * 77 + data[4 * i + 1] * 150 + data[4 * i + 2] * 29) >> 8;
  }
  return { luma, width, height };
}

const fieldOf = (name) => root.querySelector(`input[name="${CSS.escape(name)}"]`);

// What was read stands in its field as if it had been typed.
function typed(field, text) {
  field.value = text;
  field.dispatchEvent(new Event("input", { bubbles: true }));
  field.focus();
  navigator.vibrate?.(40);
}

function trouble(text) {
  const paragraph = document.createElement("p");
  paragraph.className = "said bad";
  paragraph.textContent = text;
  document.getElementById("said")?.replaceChildren(paragraph);
  navigator.vibrate?.([80, 60, 80]);
}

// A running camera looks for a code until it finds one. It is let go of when the screen changes, the
// page is hidden, or a minute is over.
let camera = null;
let asking = false;
const cameras = () => {
  if (!navigator.mediaDevices?.getUserMedia) return;
  for (const button of root.querySelectorAll("[data-do=camera]")) button.hidden = false;
};

function stopCamera() {
  const own = camera;
  camera = null;
  if (!own) return;
  clearTimeout(own.late);
  for (const track of own.stream.getTracks()) track.stop();
  own.place.remove();
}

async function watchCode(button) {
  if (camera) return stopCamera();
  if (asking) return;
  asking = true;
  let stream;
  try {
    const video = { facingMode: "environment", width: { ideal: 1280 } };
    stream = await navigator.mediaDevices.getUserMedia({ video, audio: false });
  } catch {
    return trouble(button.dataset.refused);
  } finally {
    asking = false;
  }
  document.getElementById("said")?.replaceChildren();
  const place = document.createElement("div");
  place.className = "camera";
  const video = document.createElement("video");
  [video.playsInline, video.muted, video.srcObject] = [true, true, stream];
  const stop = document.createElement("button");
  [stop.type, stop.className, stop.textContent] = ["button", "wide", button.dataset.stop];
  stop.addEventListener("click", stopCamera);
  place.append(video, stop);
  const own = { stream, place, late: setTimeout(stopCamera, 60000) };
  camera = own;
  // The answer may come after the screen has changed.
  if (!button.isConnected || document.hidden) return stopCamera();
  button.after(place);
  try {
    await video.play();
    while (camera === own) {
      const text = await readCode(await grey(video, 900));
      if (camera !== own) return;
      const field = fieldOf(button.dataset.of);
      if (text !== null && field) {
        stopCamera();
        return typed(field, text);
      }
      await new Promise((resolve) => setTimeout(resolve, 120));
    }
  } catch {
    if (camera !== own) return;
    stopCamera();
    trouble(button.dataset.refused);
  }
}

async function scan(input) {
  const [file] = input.files;
  if (!file || !app) return;
  stopCamera();
  const field = fieldOf(input.dataset.scan);
  const label = input.closest("label");
  label.classList.add("busy");
  let text = null;
  try {
    const image = await createImageBitmap(file);
    text = (await readCode(await grey(image, 900))) ?? (await readCode(await grey(image, 2200)));
  } catch {
    // No picture the browser can open: said below as a code that was not found.
  }
  label.classList.remove("busy");
  input.value = "";
  if (text === null || !field) return trouble(input.dataset.none);
  typed(field, text);
}

root.addEventListener("keydown", (event) => {
  if (event.key !== "Enter" || event.target.tagName !== "INPUT" || event.target.type === "radio") return;
  event.preventDefault();
  root.querySelector("main .big[data-act]")?.click();
});

root.addEventListener("input", (event) => {
  const part = event.target.dataset.live;
  if (part && app) document.getElementById(`part-${part}`).innerHTML = app.part(part, fields());
});

// The phone's back button goes back in the app and never out of a half-filled screen.
history.replaceState("bottom", "");
history.pushState("top", "");
window.addEventListener("popstate", () => {
  history.pushState("top", "");
  if (app) act("back");
});

function watch() {
  if (!navigator.geolocation) return;
  const took = ({ coords }) => {
    if (app.fix(coords.latitude, coords.longitude, coords.accuracy)) {
      const part = document.getElementById("part-results");
      if (part) part.innerHTML = app.part("results", fields());
    }
  };
  navigator.geolocation.watchPosition(took, () => {}, { enableHighAccuracy: true, maximumAge: 2000 });
}

// Unasked exchanges: when a line comes, and every quarter of an hour while there is one.
async function background() {
  if (!app?.joined() || !navigator.onLine || document.hidden) return;
  if (app.unsent() > 0) {
    await app.exchange();
    // The exchange's own screen never goes on saying that one is under way, whatever stands above it.
    const own = root.querySelector("[data-do=bundle]");
    if (own && root.querySelector(".said.bad")) await act("dismiss");
    else if (own || !root.querySelector("input:focus, .said")) draw();
  }
  sendPhotos();
}

// Photos go beside everything else, and nothing waits for them. What the screen says of them is
// renewed while they go.
let sending = null;
function sendPhotos() {
  const from = app;
  if (sending || !from?.joined() || !navigator.onLine || from.photos() === 0) return;
  const show = () => {
    const place = document.getElementById("part-photos");
    if (place && app === from) place.innerHTML = from.part("photos", {});
  };
  const shown = setInterval(show, 400);
  sending = from.sendPhotos().finally(() => {
    clearInterval(shown);
    sending = null;
    show();
  });
}

function say(text, take) {
  root.classList.remove("busy");
  const heading = document.createElement("h1");
  heading.textContent = "Bolebook";
  const paragraph = document.createElement("p");
  paragraph.className = "alert";
  paragraph.textContent = text;
  const main = document.createElement("main");
  main.append(heading, paragraph);
  root.replaceChildren(main);
  if (take) {
    const button = document.createElement("button");
    button.className = "big";
    button.textContent = take;
    button.addEventListener("click", () => start(true));
    main.append(button);
  }
}

// The books come after the first screen, which stands on the ready-made view. What was logged meanwhile is
// not on it: the screen is drawn again once it can be, unless a tap does so anyway.
async function books() {
  const opening = app;
  const renew = (selector) => {
    if (app === opening && waiting === 0 && !camera && root.querySelector(selector)) draw(true);
  };
  // Let the screen be painted first, and a tap that is under way be answered: reading the books would hold
  // it up.
  await new Promise((resolve) => requestAnimationFrame(() => setTimeout(resolve)));
  // An act that failed leaves those behind it waiting: nobody waits for the same twice.
  for (let seen = null; waiting > 0 && seen !== busy; ) {
    seen = busy;
    await busy.catch(() => {});
  }
  try {
    await opening.openBooks();
    performance.mark("bolebook-books");
    // A plan is waited for.
    renew("#behind.busy");
    await opening.readAhead();
    performance.mark("bolebook-read");
    renew("#behind");
    keepReadySoon();
  } catch (error) {
    if (app === opening) say(`${error.message ?? error} What was stored is still there.`);
  }
}

// The next start is quick when the view of exactly these lines is kept: once the crew has paused,
// and at once when the app is put away.
let resting = 0;
function keepReadySoon() {
  clearTimeout(resting);
  resting = setTimeout(() => app?.keepReady(), 2500);
}

// Whether this window writes.
let mine = false;

// Opens the device and takes the right to write.
async function opened(steal) {
  device ??= new Device();
  device.lost = () => {
    [app, mine] = [null, false];
    say("Bolebook was taken over by another window. What you logged is kept.", "Use this window");
  };
  mine = await device.take(steal);
  return mine;
}

async function start(steal, taken = opened(steal)) {
  try {
    if (!(await taken)) {
      say("Bolebook is open in another window. One window writes, so that nothing is lost.", "Use this window");
      return;
    }
    device.texts = await texts;
    const started = await App.open(device, location.origin, navigator.language);
    await device.counted;
    if (!mine) return;
    app = started;
    performance.mark("bolebook-open");
    draw();
    document.documentElement.dataset.ready = "yes";
    performance.mark("bolebook-ready");
    navigator.storage?.persist?.();
    watch();
    books();
  } catch (error) {
    say(`${error.message ?? error} What was stored is still there.`);
  }
}

try {
  const kept = localStorage.getItem(KEPT);
  if (kept) {
    root.innerHTML = kept;
    dress();
    performance.mark("bolebook-shown");
  }
} catch {
  // Without the kept screen the start only shows later.
}
busy = (async () => {
  // The device is opened while the program is made ready.
  const taken = opened(false);
  taken.catch(() => {});
  try {
    await init({ module_or_path: new URL("./field_bg.wasm", import.meta.url) });
  } catch (error) {
    // Another window may have it meanwhile.
    await taken.catch(() => {});
    device?.release?.();
    say(`The app could not be loaded: ${error.message ?? error}. What you logged is kept. Open it again where there is signal.`);
    return;
  }
  performance.mark("bolebook-code");
  await start(false, taken);
})();
await busy;
setInterval(tick, 1000);
document.addEventListener("visibilitychange", () => {
  if (!app) return;
  if (document.hidden) {
    stopCamera();
    app.keepReady();
  } else draw();
});
// What was under way is ended first: see device.js.
window.addEventListener("online", () => setTimeout(background, 500));
setInterval(background, 15 * 60 * 1000);
if ("serviceWorker" in navigator) navigator.serviceWorker.register("./sw.js", { scope: "./" });
