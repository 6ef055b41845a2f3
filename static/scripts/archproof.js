// What every page needs: the reader's time zone, the token on requests, the line's state, what is read aloud, drafts.
import { keepDrafts, keepTexts, forgetDrafts } from "./drafts.js";

const csrf = document.body.dataset.csrf;

// The server writes times in the reader's own zone from the next page on.
const zone = Intl.DateTimeFormat().resolvedOptions().timeZone;
if (zone && /^[\w+\-/]+$/.test(zone)) {
  document.cookie = `zone=${zone}; path=/; max-age=31536000; samesite=lax`;
}

document.addEventListener("htmx:config:request", (event) => {
  const request = event.detail.ctx?.request;
  if (request && csrf) request.headers["X-CSRF-Token"] = csrf;
});

// The line.
const offline = document.getElementById("offline");
const showLine = () => { offline.hidden = navigator.onLine; };
addEventListener("online", showLine);
addEventListener("offline", showLine);
showLine();

// Read aloud what changed by itself, once, and not more often than it can be said. What a deed was answered with goes then.
const announcer = document.getElementById("announcer");
const standing = () => document.querySelector("[data-announce]")?.textContent.replace(/\s+/g, " ").trim() ?? "";
let lastSaid = standing();
export function announce(words) {
  announcer.textContent = words;
}
document.addEventListener("htmx:after:swap", () => {
  const now = standing();
  if (now && now !== lastSaid) {
    lastSaid = now;
    announce(now);
    for (const notice of document.querySelectorAll("main > .notice.done")) notice.remove();
  }
  markWrongFields();
});

// A field is marked wrong exactly while something stands beside it.
function markWrongFields() {
  for (const says of document.querySelectorAll("[data-wrong-for]")) {
    const name = says.dataset.wrongFor;
    for (const field of document.getElementsByName(name)) {
      if (says.textContent.trim()) field.setAttribute("aria-invalid", "true");
      else field.removeAttribute("aria-invalid");
    }
  }
}

// A link into a folded part unfolds it.
function unfold() {
  const target = location.hash ? document.getElementById(location.hash.slice(1)) : null;
  for (let fold = target?.closest("details"); fold; fold = fold.parentElement?.closest("details")) fold.open = true;
  target?.scrollIntoView({ block: "start" });
}
addEventListener("hashchange", unfold);
unfold();

document.addEventListener("submit", (event) => {
  if (event.target.getAttribute("action") === "/sign-out") forgetDrafts();
});

keepDrafts();
keepTexts();
