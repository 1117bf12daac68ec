// Small conveniences; every page works without them.
"use strict";

// A rise that is typed means that a peak was seen, unless something else was chosen.
document.addEventListener("input", (event) => {
  const field = event.target;
  if (/^(peak|egt_rich|egt_peak)\.value$/.test(field.name) && field.value && field.form) {
    const chosen = field.form.querySelector('input[name="seen"]:checked');
    if (!chosen || chosen.value === "") field.form.querySelector('input[name="seen"][value="peak"]').checked = true;
  }
});

// A turn that is typed beside "other" is of that size; so is its field opened with it.
document.addEventListener("input", (event) => {
  const other = event.target.closest(".field.other");
  if (other && event.target.value) other.parentNode.querySelector('input[value="other"]').checked = true;
});

// Whoever sent a form that cannot be used is led to what is wrong, and from there to the fields.
const wrong = document.querySelector("[data-problem]");
if (wrong) wrong.focus();
document.addEventListener("click", (event) => {
  const link = event.target.closest("[data-problem] a[href^='#']");
  const place = link && document.getElementById(link.hash.slice(1));
  if (!place) return;
  event.preventDefault();
  for (let folded = place.closest("details"); folded; folded = folded.parentNode.closest("details")) folded.open = true;
  const around = place.closest(".field, fieldset, .option") || place.parentNode;
  const field = around.querySelector("input:not([type=hidden]), select, textarea");
  place.scrollIntoView({ block: "center" });
  if (field) field.focus({ preventScroll: true });
});

// Ticks of the checklist stay on this phone for a while, through a reload and a look at another page.
const ticks = document.querySelector("form.checks");
if (ticks) {
  const KEPT_MS = 3 * 60 * 60 * 1000;
  const key = `ticks ${location.pathname}`;
  const boxes = Array.from(ticks.querySelectorAll("input[type=checkbox]"));
  const keep = () => {
    try {
      const made = boxes.map((box) => box.checked);
      localStorage.setItem(key, JSON.stringify({ at: Date.now(), made }));
    } catch { /* a closed store: the page still shows them */ }
  };
  try {
    const kept = JSON.parse(localStorage.getItem(key));
    if (kept && Date.now() - kept.at < KEPT_MS) boxes.forEach((box, i) => { box.checked = Boolean(kept.made[i]); });
  } catch { /* as above */ }
  ticks.addEventListener("change", keep);
  ticks.addEventListener("reset", () => setTimeout(keep));
}

// Buttons that have just come where others were take no tap of a thumb that is still down.
document.addEventListener("htmx:afterSwap", () => {
  for (const bar of document.querySelectorAll(".bar")) {
    bar.classList.add("settling");
    setTimeout(() => bar.classList.remove("settling"), 700);
  }
});

// Times as this machine's clock tells them; the server knows UTC alone.
for (const time of document.querySelectorAll("time[datetime]")) {
  const when = new Date(time.dateTime);
  if (!Number.isNaN(when.getTime())) {
    time.title = time.textContent;
    time.textContent = when.toLocaleString([], { dateStyle: "medium", timeStyle: "short" });
  }
}
