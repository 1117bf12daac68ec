// Keeps what was typed, and keeps entries on the phone until the service has them. Every entry carries an id made
// here: sent again under it, the service records it once.
"use strict";

(() => {
  const ROOT = new URL("..", document.currentScript.src).pathname.slice(0, -1); // what a proxy puts before all addresses
  const WAITED = 2 * 60 * 1000; // an entry that waited longer is sent with the time it was typed
  const PATIENCE = 60 * 1000;
  const AGAIN = 15 * 1000;
  const LONGEST = 1280; // px of a photo as it is kept
  const TOO_LARGE = "The service refused this form. If a file is in the form, choose a smaller file.";
  const UNREACHABLE = new Set([401, 429, 502, 503, 504, 507]); // not now: it is kept, and sent again

  // -- the store -------------------------------------------------------------------------------------------------

  function opened() {
    return new Promise((resolve, reject) => {
      const asked = indexedDB.open("taperwise", 1);
      asked.onupgradeneeded = () => asked.result.createObjectStore("waiting", { keyPath: "id" });
      asked.onsuccess = () => resolve(asked.result);
      asked.onerror = () => reject(asked.error);
    });
  }

  async function inStore(mode, act) {
    const store = await opened();
    try {
      return await new Promise((resolve, reject) => {
        const transaction = store.transaction("waiting", mode, { durability: "strict" });
        const asked = act(transaction.objectStore("waiting"));
        transaction.oncomplete = () => resolve(asked.result);
        transaction.onerror = () => reject(transaction.error);
        transaction.onabort = () => reject(transaction.error);
      });
    } finally {
      store.close();
    }
  }

  const keep = (entry) => inStore("readwrite", (waiting) => waiting.put(entry));
  const forget = (id) => inStore("readwrite", (waiting) => waiting.delete(id));

  async function waiting() {
    const all = await inStore("readonly", (store) => store.getAll());
    return all.sort((a, b) => a.typed - b.typed);
  }

  // -- ids and drafts --------------------------------------------------------------------------------------------

  function newId() {
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    return Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
  }

  const draftKey = (form) => `draft ${new URL(form.action).pathname}`;

  function fieldsOf(form) {
    const found = {};
    for (const field of form.elements) {
      if (!field.name || field.type === "file" || field.type === "submit" || field.type === "button") continue;
      if ((field.type === "radio" || field.type === "checkbox") && !field.checked) continue;
      found[field.name] = field.value;
    }
    return found;
  }

  function fill(form, fields) {
    for (const field of form.elements) {
      if (!field.name || !(field.name in fields) || field.type === "file" || field.name === "opened_after") continue;
      if (field.type === "radio" || field.type === "checkbox") field.checked = field.value === fields[field.name];
      else field.value = fields[field.name];
      const folded = field.closest("details");
      if (folded && field.value && field.value !== field.defaultValue && field.type !== "hidden") folded.open = true;
    }
  }

  function keepDraft(form) {
    const held = JSON.stringify({ typed: Date.now(), fields: fieldsOf(form) });
    try { localStorage.setItem(draftKey(form), held); } catch { /* a closed store: the form itself still holds it */ }
  }

  function draftOf(form) {
    try { return JSON.parse(localStorage.getItem(draftKey(form))); } catch { return null; }
  }

  const dropDraft = (form) => localStorage.removeItem(draftKey(form));

  // What was recorded is shown again after Back, figures and choices alike, under the id it was recorded with: sent
  // once more it is one entry. Whatever is changed in it makes a new one.
  const sentKey = (form) => `recorded ${new URL(form.action).pathname}`;

  function rememberSent(form, entry) {
    if (!form.matches("[data-keep]")) return;
    const fields = Object.fromEntries(entry.fields.filter(([, value]) => typeof value === "string"));
    const kept = JSON.stringify({ typed: Date.now(), fields, id: entry.id });
    try { sessionStorage.setItem(sentKey(form), kept); } catch { /* a closed store: the form comes back empty */ }
  }

  function bringBackSent(form) {
    const arrived = performance.getEntriesByType("navigation")[0];
    if (!arrived || arrived.type !== "back_forward") return false;
    let sent = null;
    try { sent = JSON.parse(sessionStorage.getItem(sentKey(form))); } catch { /* none */ }
    if (!sent) return false;
    fill(form, sent.fields);
    form.elements.client_id.value = sent.id;
    form.dataset.again = sent.id;
    form.addEventListener("input", () => {
      if (form.dataset.again) form.elements.client_id.value = newId();
      delete form.dataset.again;
    });
    noted(form, `This was recorded at ${clock(sent.typed)}. If you change a figure, a new entry is made. `, () => {
      sessionStorage.removeItem(sentKey(form));
      location.reload();
    });
    return true;
  }

  function noted(form, words, afresh) {
    const note = document.createElement("p");
    note.className = "hint brought-back";
    note.textContent = words;
    const start = button("Start afresh", afresh);
    start.className = "secondary";
    note.append(start);
    form.prepend(note);
  }

  function freshIds(root) {
    for (const field of root.querySelectorAll('form input[name="client_id"]')) field.value = newId();
  }

  function bringBackDrafts(root) {
    for (const form of root.querySelectorAll("form[data-keep]")) {
      const draft = draftOf(form);
      if (root.querySelector("[data-problem]") || (!draft && bringBackSent(form)) || !draft) continue;
      fill(form, draft.fields);
      noted(form, `What you typed at ${clock(draft.typed)} is back. `, () => { dropDraft(form); location.reload(); });
    }
  }

  document.addEventListener("input", (event) => {
    const form = event.target.closest("form[data-keep]");
    if (form) keepDraft(form);
  });

  // -- sending ---------------------------------------------------------------------------------------------------

  let signedOut = false;

  async function send(entry) {
    const body = new FormData();
    for (const [name, value] of entry.fields) body.append(name, value);
    if (!body.get("time") && Date.now() - entry.typed > WAITED) body.set("time", new Date(entry.typed).toISOString());
    const stop = new AbortController();
    const timer = setTimeout(() => stop.abort(), PATIENCE);
    try {
      const answer = await fetch(entry.action, { method: "POST", body, signal: stop.signal });
      signedOut = answer.status === 401;
      if (UNREACHABLE.has(answer.status)) return { unreachable: true };
      const html = await answer.text();
      if (answer.ok) return { done: true, url: answer.redirected ? answer.url : null, html };
      return { refused: true, html, reason: reasonIn(html, answer.status) };
    } catch {
      return { unreachable: true };
    } finally {
      clearTimeout(timer);
    }
  }

  function reasonIn(html, status) {
    const found = new DOMParser().parseFromString(html, "text/html").querySelector("[data-problem]");
    return found ? found.textContent.replace(/\s+/g, " ").trim() : `The service refused it (${status}).`;
  }

  // A photo is made small here, where it can be: it waits in little room, and a poor signal carries it.
  async function small(name, value) {
    if (name !== "photo" || !(value instanceof File)) return [name, value];
    try {
      const photo = await createImageBitmap(value, { imageOrientation: "from-image" });
      const scale = Math.min(1, LONGEST / Math.max(photo.width, photo.height));
      const drawn = document.createElement("canvas");
      [drawn.width, drawn.height] = [photo.width, photo.height].map((side) => Math.max(1, Math.round(side * scale)));
      drawn.getContext("2d").drawImage(photo, 0, 0, drawn.width, drawn.height);
      const made = await new Promise((resolve) => drawn.toBlob(resolve, "image/jpeg", 0.85));
      return [name, made ? new File([made], "photo.jpg", { type: "image/jpeg" }) : value];
    } catch {
      return [name, value]; // the service says what it cannot read
    }
  }

  async function entryOf(form) {
    const id = form.elements.client_id.value || newId();
    form.elements.client_id.value = id;
    const given = Array.from(new FormData(form)).filter(([, value]) => !(value instanceof File) || value.size > 0);
    const fields = await Promise.all(given.map(([name, value]) => small(name, value)));
    return { id, action: form.action, label: form.dataset.queue, fields, typed: Date.now(), state: "waiting" };
  }

  // What is sent in order: the entries of an engine. A photo of a run that is recorded waits for none, and holds none up.
  const placeOf = (entry) => {
    const path = new URL(entry.action).pathname;
    return path.endsWith("/photos") ? path : ROOT + path.slice(ROOT.length).split("/").slice(0, 3).join("/");
  };

  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (form.matches("form[data-keep]:not([data-queue])")) sessionStorage.setItem("sent from", draftKey(form));
    if (!form.matches("form[data-queue]") || event.defaultPrevented) return;
    event.preventDefault();
    if (form.dataset.sending) return;
    form.dataset.sending = "yes";
    form.setAttribute("aria-busy", "true");
    try {
      await record(form, await entryOf(form));
    } finally {
      delete form.dataset.sending;
      form.removeAttribute("aria-busy");
    }
  });

  async function record(form, entry) {
    const others = (await waiting().catch(() => [])).filter((other) => placeOf(other) === placeOf(entry));
    const mended = others.find((other) => other.id === entry.id);
    if (mended) entry.typed = mended.typed;
    const before = others.some((other) => other.id !== entry.id && other.typed < entry.typed);
    const result = before ? { unreachable: true } : await send(entry); // entries arrive in the order they were typed
    if (result.refused) return show(result.html);
    if (result.done) {
      dropDraft(form);
      rememberSent(form, entry);
      await counted(entry);
      if (mended) {
        await forget(entry.id);
        await flush();
      }
      if (result.url) location.assign(result.url);
      else show(result.html);
      return undefined;
    }
    try {
      await keep(entry);
    } catch {
      keepDraft(form);
      const words = "The service cannot be reached, and this phone lets no page keep entries. Leave this page open and try again.";
      aside.replaceChildren(line("p", words, "unsent"));
      aside.hidden = false;
      return aside.scrollIntoView();
    }
    dropDraft(form);
    form.reset();
    freshIds(document);
    await tell();
    aside.tabIndex = -1;
    aside.focus();
    return flush();
  }

  function show(html) {
    const page = new DOMParser().parseFromString(html, "text/html");
    if (!page.getElementById("main")) return show(`<main id="main"><p data-problem>${TOO_LARGE}</p></main>`);
    document.title = page.title || document.title;
    document.getElementById("main").replaceWith(document.adoptNode(page.getElementById("main")));
    const wrong = document.querySelector("[data-problem]") || document.getElementById("main");
    wrong.focus();
    wrong.scrollIntoView();
  }

  let flushing = false;
  let reached = false;
  const sent = [];

  const seenOf = (entry) => Number.parseInt((entry.fields.find(([name]) => name === "opened_after") || [])[1], 10);

  // An entry of this phone is none that the next one of this phone did not know of.
  async function counted(entry) {
    const seen = seenOf(entry);
    if (Number.isNaN(seen)) return;
    for (const other of await waiting().catch(() => [])) {
      if (other.id === entry.id || placeOf(other) !== placeOf(entry) || seenOf(other) !== seen) continue;
      const fields = other.fields.map(([name, value]) => [name, name === "opened_after" ? String(seen + 1) : value]);
      await keep({ ...other, fields });
    }
  }

  async function flush() {
    if (flushing) return;
    flushing = true;
    try {
      if (navigator.locks) await navigator.locks.request("taperwise queue", sendAll);
      else await sendAll();
    } finally {
      flushing = false;
      await tell();
    }
  }

  async function sendAll() {
    const held = new Set(); // behind an entry that is refused or cannot be sent, the later ones of that place wait
    for (const { id } of await waiting().catch(() => [])) {
      const entry = (await waiting().catch(() => [])).find((other) => other.id === id); // what was sent before counts
      if (!entry) continue;
      const place = placeOf(entry);
      if (held.has(place)) continue;
      if (entry.state !== "waiting") {
        held.add(place);
        continue;
      }
      const result = await send(entry);
      if (result.done) {
        await forget(entry.id);
        await counted(entry);
        reached = true;
        sent.push(entry);
      } else {
        held.add(place);
        if (result.refused) await keep({ ...entry, state: "refused", reason: result.reason });
      }
    }
  }

  // -- telling ---------------------------------------------------------------------------------------------------

  const aside = document.getElementById("queue");
  const clock = (time) => new Date(time).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });

  function line(tag, text, className) {
    const made = document.createElement(tag);
    made.textContent = text;
    if (className) made.className = className;
    return made;
  }

  function button(words, act) {
    const made = line("button", words);
    made.type = "button";
    made.addEventListener("click", act);
    return made;
  }

  async function tell() {
    const entries = await waiting().catch(() => []);
    const parts = [];
    const copy = document.documentElement.dataset.copy;
    if (copy && reached) parts.push(line("p", "The service can be reached again. This page is still the copy."));
    else if (copy) parts.push(line("p", `The service cannot be reached. This page is the copy kept at ${clock(Number(copy))}.`));
    for (const entry of sent) parts.push(line("p", `Sent: ${entry.label} (typed at ${clock(entry.typed)}).`, "sent"));
    if (sent.length && location.pathname.startsWith(`${ROOT}/installations/`)) {
      const on = line("a", "Read the next step");
      on.href = placeOf(sent[sent.length - 1]);
      const held = document.createElement("p");
      held.append(on);
      parts.push(held);
    }
    if (entries.length) {
      const many = entries.length === 1 ? "1 entry is not sent yet." : `${entries.length} entries are not sent yet.`;
      const once = signedOut ? "sent once you are signed in." : "sent once the service can be reached.";
      parts.push(line("p", `${many} Kept on this phone; ${once}`, "unsent"));
      if (signedOut) {
        const door = line("a", "Sign in");
        door.href = `${ROOT}/sign-in?next=${encodeURIComponent(location.pathname.slice(ROOT.length))}`;
        parts.push(door);
      }
      const list = document.createElement("ul");
      for (const entry of entries) list.append(item(entry));
      parts.push(list, button("Send now", () => flush()));
    }
    aside.replaceChildren(...parts);
    aside.hidden = parts.length === 0;
    aside.setAttribute("role", "status");
  }

  function item(entry) {
    const made = line("li", `${entry.label}, typed at ${clock(entry.typed)}`, entry.state);
    if (entry.state === "waiting") return made;
    made.append(line("p", entry.state === "mending" ? "Being mended; what was typed after it waits." : `Not accepted: ${entry.reason}`));
    made.append(
      button("Mend it", () => mend(entry)),
      " ",
      button("Throw it away", async () => {
        if (!confirm(`Throw away: ${entry.label}, typed at ${clock(entry.typed)}?`)) return;
        await forget(entry.id);
        await flush();
      }),
    );
    return made;
  }

  async function mend(entry) {
    const path = new URL(entry.action).pathname;
    const fields = Object.fromEntries(entry.fields.filter(([, value]) => typeof value === "string"));
    fields.time = fields.time || new Date(entry.typed).toISOString(); // what was typed after it stays after it
    localStorage.setItem(`draft ${path}`, JSON.stringify({ typed: entry.typed, fields }));
    await keep({ ...entry, state: "mending" });
    location.assign(path);
  }

  // -- beginning -------------------------------------------------------------------------------------------------

  const left = sessionStorage.getItem("sent from");
  if (left && left !== `draft ${location.pathname}`) {
    localStorage.removeItem(left);
    sessionStorage.removeItem("sent from");
  }
  if (document.querySelector("[data-signed-out]") && "caches" in window) {
    caches.keys().then((names) => Promise.all(names.filter((name) => name.startsWith("pages ")).map((name) => caches.delete(name))));
  }
  freshIds(document);
  bringBackDrafts(document);
  window.addEventListener("pageshow", (event) => { if (event.persisted) freshIds(document); });
  document.addEventListener("htmx:afterSwap", (event) => freshIds(event.target));
  window.addEventListener("online", () => flush());
  document.addEventListener("visibilitychange", () => { if (!document.hidden) flush(); });
  setInterval(async () => { if ((await waiting().catch(() => [])).some((entry) => entry.state === "waiting")) flush(); }, AGAIN);
  flush();

  if ("serviceWorker" in navigator) {
    navigator.serviceWorker.register(`${ROOT}/worker.js`).then(() => navigator.serviceWorker.ready).then((found) => {
      const place = location.pathname.slice(ROOT.length).match(/^\/installations\/\d+/);
      if (place && found.active && !document.documentElement.dataset.copy) {
        found.active.postMessage(["", "/run", "/adjust", "/before"].map((part) => ROOT + place[0] + part));
      }
    }).catch(() => { /* no worker: pages need the service, the queue does not */ });
  }
})();
