// The page follows the room by itself, but never under somebody's hands: not while something is
// typed, unfolded or in focus, and not while nobody looks. Whoever has it read aloud keeps their
// place while nothing new is said, and hears the first line when it is another one, also when the
// page cannot follow: a screen reader takes the focus along as it reads.

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

const aloud = document.createElement("p");
aloud.className = "hidden";
aloud.setAttribute("aria-live", "polite");
document.querySelector(".top").append(aloud);

/** What a page says and shows unfolded, without what scripts and the last action added. */
function told(main) {
  const copy = document.implementation.createHTMLDocument().importNode(main, true);
  for (const added of copy.querySelectorAll("kbd, .notice, details > :not(summary)")) added.remove();
  const pictures = [...copy.querySelectorAll("img")].map((one) => one.getAttribute("src"));
  return [copy.textContent.replace(/\s+/g, " "), ...pictures].join(" ");
}

const firstLine = (root) => root.querySelector("h1").textContent;
let said = firstLine(document);

async function renew() {
  if (document.hidden) return;
  const response = await fetch(location.pathname + location.search, { headers: { Accept: "text/html" } });
  // Led to the log-in, or an error: what is shown stays, with the time that it shows.
  if (!response.ok || response.redirected) return;
  const fresh = new DOMParser().parseFromString(await response.text(), "text/html");
  if (firstLine(fresh) !== said) aloud.textContent = said = firstLine(fresh);
  if (inHands()) return;
  replace(".clock", fresh);
  if (told(fresh.querySelector("main")) === told(document.querySelector("main"))) {
    renewMoments(fresh);
    document.dispatchEvent(new Event("page-renewed"));
    return;
  }
  const notice = document.querySelector("main .notice");
  replace("main", fresh);
  // The undo of what was just done stays at hand.
  if (notice) document.querySelector("main").prepend(notice);
  document.dispatchEvent(new Event("page-renewed"));
}

function replace(part, fresh) {
  document.querySelector(part).replaceWith(document.adoptNode(fresh.querySelector(part)));
}

// The same page again: its fields, and what lies folded, stand for the present moment and go on.
function renewMoments(fresh) {
  const fields = fresh.querySelectorAll("main input[type=datetime-local]");
  document.querySelectorAll("main input[type=datetime-local]").forEach((field, index) => {
    field.defaultValue = field.value = fields[index].value;
  });
  const folded = fresh.querySelectorAll("main details");
  document.querySelectorAll("main details").forEach((one, index) => {
    const [, ...inside] = folded[index].children;
    one.replaceChildren(one.querySelector("summary"), ...inside);
  });
}

// Without a network the page stays as it is; the next turn tries again.
setInterval(() => renew().catch(() => undefined), EVERY_MS);
