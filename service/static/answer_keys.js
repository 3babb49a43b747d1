// On a desk, keys 1 to 9 answer the look that has the focus. Only then: a key pressed by chance
// elsewhere answers nothing.

const HAS_KEYS = matchMedia("(hover: hover) and (pointer: fine)").matches;

function prepare() {
  for (const look of document.querySelectorAll("article.to-look-at")) {
    const buttons = look.querySelectorAll("button[data-key]");
    if (buttons.length === 0) continue;
    look.tabIndex = 0;
    for (const button of buttons) {
      if (button.querySelector("kbd")) continue;
      const hint = document.createElement("kbd");
      hint.textContent = button.dataset.key;
      hint.setAttribute("aria-hidden", "true");
      button.prepend(hint);
    }
  }
  for (const words of document.querySelectorAll("p.keys")) words.hidden = false;
}

function answer(event) {
  if (event.ctrlKey || event.altKey || event.metaKey || !/^[1-9]$/.test(event.key)) return;
  if (event.target.closest("input, textarea, select")) return;
  const look = event.target.closest("article.to-look-at");
  const button = look?.querySelector(`button[data-key="${event.key}"]`);
  button?.click();
}

if (HAS_KEYS) {
  prepare();
  document.addEventListener("keydown", answer);
  document.addEventListener("page-renewed", prepare);
}
