// The form of a run, one question a screen, with a fixed bar. Without this script it is one long form.
"use strict";

(() => {
  const form = document.querySelector("form[data-guide]");
  if (!form) return;
  const bar = form.querySelector(".bar");
  const [back, next, send] = [".back", ".next", "[type=submit]"].map((which) => bar.querySelector(which));
  const line = document.querySelector(".guide-line");
  const screens = Array.from(form.querySelectorAll(".screen"));
  const SETTLING = 500; // a thumb that is still down meets no other button
  const WHOLE = "run form whole";
  let now = 0;

  const remembered = () => { try { return localStorage.getItem(WHOLE) === "1"; } catch { return false; } };
  const remember = (whole) => { try { localStorage.setItem(WHOLE, whole ? "1" : "0"); } catch { /* asked again */ } };
  const wrong = () => document.querySelector("[data-problem], .wrong");

  // -- what was filled in ----------------------------------------------------------------------------------------

  const said = (label) => Array.from(label.childNodes).filter((each) => !(each.matches && each.matches(".needed, small")))
    .map((each) => each.textContent).join("").trim();

  function filled(screen) {
    const found = [];
    for (const field of screen.querySelectorAll("input, textarea, select")) {
      if (!field.name || field.type === "hidden" || !field.value || shut(field)) continue;
      if (field.type === "radio") {
        if (field.checked) found.push([said(screen.querySelector("legend") || field.labels[0]), said(field.labels[0].querySelector("span"))]);
      } else if (field.tagName === "SELECT") {
        if (field.id && !field.id.endsWith(".unit") && field.value !== field.options[0].value) found.push([said(field.labels[0]), field.selectedOptions[0].text]);
      } else if (field.type === "file") {
        found.push([said(field.labels[0]), Array.from(field.files).map((file) => file.name).join(", ")]);
      } else {
        const unit = (field.closest(".with-unit") || field.closest(".trio"))?.querySelector("select, .unit");
        const sign = unit ? ` ${unit.tagName === "SELECT" ? unit.selectedOptions[0].text : unit.textContent}` : "";
        found.push([said(field.labels[0]), field.value + sign]);
      }
    }
    return found;
  }

  function shut(field) { // below a choice that was not chosen
    const choice = field.closest(".under.only")?.parentNode.querySelector(":scope > .choice > input");
    return Boolean(choice && !choice.checked);
  }

  function check() {
    const list = form.querySelector(".filled");
    list.replaceChildren();
    for (const screen of screens.slice(0, -1)) {
      const rows = filled(screen);
      for (const [name, value] of rows.length ? rows : [[screen.dataset.title, "left out"]]) {
        const row = document.createElement("div");
        const term = document.createElement("dt");
        const link = document.createElement("a");
        link.href = `#${screen.id}`;
        link.textContent = name;
        term.append(link);
        const held = document.createElement("dd");
        held.textContent = value;
        row.append(term, held);
        list.append(row);
      }
    }
  }

  // -- screens ---------------------------------------------------------------------------------------------------

  function settle() {
    bar.classList.add("settling");
    setTimeout(() => bar.classList.remove("settling"), SETTLING);
  }

  function show(number, focus = true) {
    now = Math.max(0, Math.min(number, screens.length - 1));
    const last = now === screens.length - 1;
    screens.forEach((screen, i) => { screen.hidden = i !== now; });
    back.hidden = now === 0;
    next.hidden = last;
    send.hidden = !last;
    line.querySelector(".where").textContent = `${now + 1} of ${screens.length}: ${screens[now].dataset.title}`;
    if (last) check();
    settle();
    requestAnimationFrame(() => window.scrollTo(0, 0)); // after the jump to an address's own place
    const head = screens[now].querySelector("[tabindex='-1']");
    if (focus && head) head.focus({ preventScroll: true });
  }

  const numbered = () => screens.findIndex((screen) => `#${screen.id}` === location.hash);
  const guided = () => form.classList.contains("guided");

  function goTo(number) {
    history.pushState(null, "", `#${screens[number].id}`);
    show(number);
  }

  function whole() {
    form.classList.remove("guided");
    for (const screen of screens) screen.hidden = screen.id === "check";
    back.hidden = next.hidden = true;
    send.hidden = false;
    line.querySelector(".where").textContent = "";
    line.querySelector(".whole").textContent = "One question a screen";
  }

  function begin() {
    form.classList.add("guided");
    line.querySelector(".whole").textContent = "Show all on one page";
    show(Math.max(0, numbered()), false);
  }

  line.querySelector(".whole").addEventListener("click", () => {
    const all = guided();
    remember(all);
    if (all) whole(); else begin();
  });
  next.addEventListener("click", () => goTo(now + 1));
  back.addEventListener("click", () => goTo(now - 1));
  for (const moved of ["popstate", "hashchange"]) {
    window.addEventListener(moved, () => { if (guided() && numbered() !== now) show(Math.max(0, numbered())); });
  }
  form.addEventListener("reset", () => { if (guided()) setTimeout(() => goTo(0)); });
  form.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || !guided() || now === screens.length - 1) return;
    if (event.target.matches("input:not([type=file]), select")) {
      event.preventDefault();
      goTo(now + 1);
    }
  });

  line.hidden = false;
  if (remembered() || wrong()) whole(); else begin();

  // -- the rise, worked out and judged at once -------------------------------------------------------------------

  const PLAUSIBLE_KELVIN = 170; // judgement: no rise from full rich to the peak is known to be larger
  const worked = form.querySelector(".worked-out");
  const number = (name) => Number.parseFloat((form.elements[name].value || "").replace(",", "."));
  const kelvin = (name) => {
    const unit = form.elements["egt_rich.unit"].value;
    const read = number(name);
    return unit === "degF" ? (read + 459.67) / 1.8 : unit === "degC" ? read + 273.15 : read;
  };

  function judge() {
    const rise = kelvin("egt_peak.value") - kelvin("egt_rich.value");
    worked.hidden = Number.isNaN(rise);
    if (worked.hidden) return;
    const unit = form.elements["egt_rich.unit"];
    const shown = Math.round(rise * (unit.value === "degF" ? 1.8 : 1));
    const words = rise <= 0 ? worked.dataset.low : `${worked.dataset.fine} ${shown} ${unit.selectedOptions[0].text}.`;
    worked.textContent = rise > PLAUSIBLE_KELVIN ? `${words} ${worked.dataset.high}` : words;
    worked.classList.toggle("warning", rise <= 0 || rise > PLAUSIBLE_KELVIN);
  }

  for (const heard of ["input", "change"]) {
    form.addEventListener(heard, (event) => { if (event.target.name?.startsWith("egt_")) judge(); });
  }
  judge();

  // -- timers: they run on while other screens are shown, with the caution beside them ---------------------------

  const strip = document.querySelector(".running");
  let began = 0;
  let ticking = null;

  function tick() {
    const seconds = Math.floor((Date.now() - began) / 1000);
    strip.querySelector(".running-time").textContent = `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
  }

  function stop() {
    clearInterval(ticking);
    ticking = null;
    strip.hidden = true;
  }

  form.querySelector(".timers").hidden = false;
  for (const button of form.querySelectorAll("[data-timer]")) {
    button.addEventListener("click", () => {
      stop();
      began = Date.now();
      strip.querySelector(".running-what").textContent = button.dataset.timer;
      strip.hidden = false;
      tick();
      ticking = setInterval(tick, 250);
    });
  }
  strip.querySelector(".running-stop").addEventListener("click", stop);
})();
