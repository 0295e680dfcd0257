// Comfort only: every page works without this file.
(() => {
  "use strict";
  const MINUTE = 60000;
  const NBSP = "\u00a0";

  // Time left, as the server prints it: rounded up to whole minutes, never below none.
  const words = (milliseconds) => {
    const minutes = Math.max(0, Math.ceil(milliseconds / MINUTE));
    const days = Math.floor(minutes / 1440);
    if (days >= 4) return null;
    if (minutes < 60) return minutes + NBSP + "min";
    const rest = minutes % 60;
    return Math.floor(minutes / 60) + NBSP + "h" + (rest ? NBSP + String(rest).padStart(2, "0") : "");
  };

  const tick = () => {
    for (const place of document.querySelectorAll("[data-until]")) {
      const text = words(Date.parse(place.dataset.until) - Date.now());
      if (text !== null && text !== place.textContent) place.textContent = text;
    }
  };

  const ready = (root) => {
    for (const button of root.querySelectorAll("[data-copy]")) button.hidden = false;
    // A form that came back goes to what is to be put right.
    root.querySelector("#wrongs")?.focus();
  };

  const copy = async (button) => {
    const place = document.querySelector(button.dataset.copy);
    await navigator.clipboard.writeText(place.value ?? place.textContent.trim());
    button.textContent = button.dataset.done;
  };

  const step = (button) => {
    const field = button.parentElement.querySelector("input");
    const change = button.name === "more" ? 1 : -1;
    field.value = Math.max(Number(field.min) || 0, (Number(field.value) || 0) + change);
    field.dispatchEvent(new Event("input", { bubbles: true }));
    field.dispatchEvent(new Event("change", { bubbles: true }));
  };

  document.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    if (button.dataset.copy) copy(button);
    if (button.closest(".stepper")) {
      event.preventDefault();
      step(button);
    }
  });

  // A link into a closed foldout opens it.
  const open = () => {
    const target = location.hash.length > 1 && document.getElementById(location.hash.slice(1));
    const fold = target && target.closest("details");
    if (fold) fold.open = true;
  };

  // An answer that did not come is said, not swallowed.
  const unreached = (is) => {
    const note = document.getElementById("unreached");
    if (note) note.hidden = !is;
  };
  document.addEventListener("htmx:sendError", () => unreached(true));
  document.addEventListener("htmx:timeout", () => unreached(true));
  document.addEventListener("htmx:responseError", () => unreached(true));
  document.addEventListener("htmx:afterSwap", () => unreached(false));
  document.addEventListener("htmx:load", (event) => ready(event.detail.elt));

  window.addEventListener("hashchange", open);
  open();
  ready(document);
  tick();
  setInterval(tick, MINUTE);
})();
