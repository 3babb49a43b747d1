// The page follows the room by itself, but never under somebody's hands: not while something is
// typed, unfolded or in focus, and not while nobody looks.

const EVERY_MS = 60_000;

function inHands() {
  const main = document.querySelector("main");
  const typed = [...main.querySelectorAll("input:not([type=hidden]), textarea")].some(
    (field) => field.value !== field.defaultValue,
  );
  const focus = document.activeElement;
  const touched = main.contains(focus) && !focus.matches(".notice");
  return typed || touched || main.querySelector("details[open]") !== null;
}

async function renew() {
  if (document.hidden || inHands()) return;
  const response = await fetch(location.pathname + location.search, { headers: { Accept: "text/html" } });
  // Led to the log-in, or an error: what is shown stays, with the time that it shows.
  if (!response.ok || response.redirected) return;
  const fresh = new DOMParser().parseFromString(await response.text(), "text/html");
  if (inHands()) return;
  const notice = document.querySelector("main .notice");
  for (const part of ["main", ".clock"]) {
    document.querySelector(part).replaceWith(document.adoptNode(fresh.querySelector(part)));
  }
  // The undo of what was just done stays at hand.
  if (notice) document.querySelector("main").prepend(notice);
  document.dispatchEvent(new Event("page-renewed"));
}

// Without a network the page stays as it is; the next turn tries again.
setInterval(() => renew().catch(() => undefined), EVERY_MS);
