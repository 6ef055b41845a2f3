// Nothing typed is lost: what a form holds is kept in the browser until the server has said that it is saved.
const PREFIX = "archproof.draft.";

function read(form) {
  return Object.fromEntries([...new FormData(form)].filter(([name]) => name !== "csrf_token" && name !== "deed"));
}

export function forgetDrafts() {
  for (const key of Object.keys(localStorage)) if (key.startsWith(PREFIX)) localStorage.removeItem(key);
}

function restore(form, key) {
  const text = localStorage.getItem(key);
  if (!text) return;
  if (text === JSON.stringify(read(form))) {
    localStorage.removeItem(key);
    return;
  }
  // Sent as if it had just been typed; the answer is the form as it stands then.
  const values = { ...JSON.parse(text), deed: "restore", csrf_token: document.body.dataset.csrf };
  htmx.ajax("POST", form.getAttribute("action"), { target: form, swap: "outerHTML", values })
    .then(() => { localStorage.removeItem(key); keepDrafts(); });
}

export function keepDrafts() {
  const form = document.querySelector("form[data-draft]");
  if (!form || form.dataset.watched) return;
  form.dataset.watched = "yes";
  const key = PREFIX + form.dataset.draft;
  let sentText = "";
  form.addEventListener("input", () => localStorage.setItem(key, JSON.stringify(read(form))));
  form.addEventListener("htmx:before:request", () => { sentText = JSON.stringify(read(form)); });
  form.addEventListener("htmx:after:request", (event) => {
    const isKept = event.detail.ctx?.response?.raw?.ok;
    if (isKept && localStorage.getItem(key) === sentText) localStorage.removeItem(key);
  });
  form.addEventListener("submit", () => { if (navigator.onLine) localStorage.removeItem(key); });
  addEventListener("online", () => form.dispatchEvent(new Event("change", { bubbles: true })));
  if (window.htmx) restore(form, key);
  else addEventListener("load", () => restore(form, key), { once: true });
}

// A text that is sent on its own is put back where it was typed, until its form is sent.
export function keepTexts() {
  for (const text of document.querySelectorAll("textarea[data-keep]")) {
    if (text.dataset.watched) continue;
    text.dataset.watched = "yes";
    const key = PREFIX + text.dataset.keep;
    const kept = localStorage.getItem(key);
    if (kept) text.value = kept;
    text.addEventListener("input", () => localStorage.setItem(key, text.value));
    text.form.addEventListener("submit", () => { if (navigator.onLine) localStorage.removeItem(key); });
  }
}
