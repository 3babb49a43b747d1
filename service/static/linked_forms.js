// A form sent without a link to the machine is lost to the browser's own error page, with all that
// was typed. So the machine is asked first: without an answer the page stays, and says so.

const PATIENCE_MS = 4000;
const WORDS =
  "No link to the machine: nothing was sent. What you typed stays here; " +
  "press again when there is a link.";

const asked = new WeakSet();
let linked = null;

async function answers() {
  const patience = new AbortController();
  const timer = setTimeout(() => patience.abort(), PATIENCE_MS);
  try {
    // Any answer is a link. Whether the browser thinks it is online tells nothing: the machine may
    // be this one.
    await fetch("/healthz", { cache: "no-store", signal: patience.signal });
    return true;
  } catch {
    return false;
  } finally {
    clearTimeout(timer);
  }
}

function tell(form, button) {
  const alert = document.createElement("div");
  alert.className = "broken no-link";
  alert.setAttribute("role", "alert");
  alert.tabIndex = -1;
  const words = document.createElement("p");
  words.textContent = WORDS;
  alert.append(words);
  if (button && form.contains(button)) button.before(alert);
  else form.prepend(alert);
  alert.focus();
}

document.addEventListener("submit", async (event) => {
  const form = event.target;
  if (event.defaultPrevented || form.method !== "post") return;
  // Older browsers cannot send a form again that was held back: there it goes as without scripts.
  if (!form.requestSubmit) return;
  if (linked === form) {
    linked = null;
    return;
  }
  event.preventDefault();
  // Pressed twice is sent once.
  if (asked.has(form)) return;
  asked.add(form);
  for (const old of form.querySelectorAll(".no-link")) old.remove();
  const there = await answers();
  asked.delete(form);
  if (!there) {
    tell(form, event.submitter);
    return;
  }
  linked = form;
  form.requestSubmit(event.submitter);
});
