// Small conveniences; every page works without them.
"use strict";

// A rise that is typed means that a peak was seen, unless something else was chosen.
document.addEventListener("input", (event) => {
  const field = event.target;
  if (field.name === "peak.value" && field.value && field.form) {
    const chosen = field.form.querySelector('input[name="seen"]:checked');
    if (!chosen || chosen.value === "") field.form.querySelector('input[name="seen"][value="peak"]').checked = true;
  }
});

// Whoever sent a form that cannot be used is led to what is wrong.
const wrong = document.querySelector("[data-problem]");
if (wrong) wrong.focus();

// Times as this machine's clock tells them; the server knows UTC alone.
for (const time of document.querySelectorAll("time[datetime]")) {
  const when = new Date(time.dateTime);
  if (!Number.isNaN(when.getTime())) {
    time.title = time.textContent;
    time.textContent = when.toLocaleString([], { dateStyle: "medium", timeStyle: "short" });
  }
}
