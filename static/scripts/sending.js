// Sending files: several at once, resumed after a lost line or a closed page, each with its own line and progress.
import { announce } from "./archproof.js";

const sender = document.getElementById("sender");
const list = document.getElementById("sendings");
const AT_ONCE = 2;
const RETRY_MS = [0, 1000, 3000, 5000, 10000, 20000, 30000, 60000];
const waiting = [];
const views = [];

function megabytes(bytes) {
  return bytes >= 1e6 ? `${(bytes / 1e6).toFixed(1)} MB` : `${Math.max(1, Math.round(bytes / 1e3))} kB`;
}

function line(file) {
  const item = document.createElement("li");
  item.className = "sending";
  const words = document.createElement("div");
  words.className = "sending-line";
  const name = document.createElement("strong");
  name.textContent = file.name;
  const state = document.createElement("span");
  state.textContent = "Waiting";
  words.append(name, state);
  const progress = document.createElement("progress");
  progress.max = 100;
  progress.value = 0;
  progress.setAttribute("aria-label", `${file.name}, sent`);
  const deeds = document.createElement("div");
  deeds.className = "slot-deeds";
  item.append(words, progress, deeds);
  list.append(item);
  const view = { item, state, progress, deeds, isRunning: false, isStopped: false };
  views.push(view);
  return view;
}

function button(label, act) {
  const made = document.createElement("button");
  made.type = "button";
  made.className = "deed quiet";
  made.textContent = label;
  made.addEventListener("click", act);
  return made;
}

function refusalWords(error) {
  const body = error?.originalResponse?.getBody?.();
  if (!body) return "The line was lost.";
  try {
    const answer = JSON.parse(body);
    return answer.says ?? answer.error?.says ?? answer.message ?? "The file was refused.";
  } catch {
    return body.length < 300 && !body.includes("<") ? body : "The file was refused.";
  }
}

function send(file, role, replaces) {
  const view = line(file);
  if (file.size > Number(sender.dataset.maxBytes)) {
    refuse(view, "The file is larger than can be taken.");
    return;
  }
  const metadata = { filename: file.name, case: sender.dataset.case };
  if (role) metadata.role = role;
  if (replaces) metadata.replaces = replaces;
  const upload = new tus.Upload(file, {
    endpoint: sender.dataset.uploadHref,
    chunkSize: Number(sender.dataset.chunkBytes),
    retryDelays: RETRY_MS,
    removeFingerprintOnSuccess: true,
    headers: { "X-CSRF-Token": document.body.dataset.csrf },
    metadata,
    fingerprint: (f) => Promise.resolve(["archproof", sender.dataset.case, role, replaces, f.name, f.size, f.lastModified].join("·")),
    onProgress: (sent, all) => {
      view.item.classList.remove("stuck");
      view.progress.value = all ? (100 * sent) / all : 0;
      view.state.textContent = `${megabytes(sent)} of ${megabytes(all)}`;
    },
    onShouldRetry: (error) => {
      const status = error.originalResponse?.getStatus?.() ?? 0;
      const isOver = status >= 400 && status < 500 && ![409, 423, 429].includes(status);
      if (!isOver) {
        view.item.classList.add("stuck");
        view.state.textContent = `The line was lost at ${Math.round(view.progress.value)} %. Trying again.`;
      }
      return !isOver;
    },
    onError: (error) => {
      refuse(view, refusalWords(error), () => queue(upload, view));
      done(view);
    },
    onSuccess: () => {
      view.progress.value = 100;
      view.state.textContent = "Safe. Being measured.";
      view.deeds.replaceChildren();
      announce(`${file.name} has arrived and is being measured.`);
      setTimeout(() => view.item.remove(), 2500);
      done(view);
    },
  });
  view.deeds.append(button("Stop", () => {
    upload.abort(true).catch(() => {});
    view.isStopped = true;
    view.item.remove();
    done(view);
  }));
  queue(upload, view);
}

function refuse(view, words, again) {
  view.item.classList.add("stuck");
  view.state.textContent = words;
  view.deeds.replaceChildren(...(again ? [button("Try again", again)] : []), button("Dismiss", () => view.item.remove()));
  announce(words);
}

function queue(upload, view) {
  waiting.push({ upload, view });
  pump();
}

function begin(upload, view) {
  view.isRunning = true;
  view.item.classList.remove("stuck");
  view.state.textContent = "Sending";
  upload.findPreviousUploads().then((earlier) => {
    if (earlier.length) upload.resumeFromPreviousUpload(earlier[0]);
    upload.start();
  });
}

function pump() {
  const running = () => views.filter((view) => view.isRunning).length;
  while (running() < AT_ONCE && waiting.length) {
    const { upload, view } = waiting.shift();
    if (!view.isStopped) begin(upload, view);
  }
}

function done(view) {
  view.isRunning = false;
  pump();
}

function take(files, role = "", replaces = "") {
  for (const file of files) send(file, role, replaces);
}

document.addEventListener("change", (event) => {
  const input = event.target;
  if (!input.matches?.("input[data-pick]")) return;
  take([...input.files], input.dataset.pick, input.dataset.replaces ?? "");
  input.value = "";
});

// Dropping: on a place it takes that place's role, anywhere else its name or its shape tells, or a person is asked.
const zoneOf = (event) => event.target.closest?.("[data-slot]") ?? document.querySelector("[data-drop]");
const isFiles = (event) => [...(event.dataTransfer?.types ?? [])].includes("Files");
let lit = null;
function light(zone) {
  if (lit !== zone) { lit?.classList.remove("dragged"); zone?.classList.add("dragged"); lit = zone; }
}
document.addEventListener("dragover", (event) => {
  if (!isFiles(event)) return;
  event.preventDefault();
  light(zoneOf(event));
});
document.addEventListener("dragleave", (event) => { if (!event.relatedTarget) light(null); });
document.addEventListener("drop", (event) => {
  if (!isFiles(event)) return;
  event.preventDefault();
  const zone = zoneOf(event);
  light(null);
  if (sender) take([...event.dataTransfer.files], zone?.dataset.slot ?? "");
});

addEventListener("beforeunload", (event) => { if (views.some((view) => view.isRunning)) event.preventDefault(); });
