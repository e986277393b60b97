"use strict";
// One key for each answer: what carries data-key is pressed, what carries data-focus gets the cursor. Without this
// script the same keys work as access keys of the browser.
document.addEventListener("keydown", (event) => {
  const typing = event.target instanceof Element && event.target.matches("input:not([type=checkbox]), select, textarea");
  if (event.key === "Escape" && typing) {
    event.target.blur();
    return;
  }
  if (typing || event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
  const key = CSS.escape(event.key.toLowerCase());
  const field = document.querySelector(`[data-focus="${key}"]`);
  const target = document.querySelector(`[data-key="${key}"]`);
  if (!field && (!target || target.disabled)) return;
  event.preventDefault();
  if (field) field.focus();
  else target.click();
});
// A second press while the answer is on its way sends nothing.
document.addEventListener("submit", (event) => {
  if (event.target.dataset.sent) event.preventDefault();
  event.target.dataset.sent = "1";
});
window.addEventListener("pageshow", () => {
  for (const form of document.forms) delete form.dataset.sent;
});
