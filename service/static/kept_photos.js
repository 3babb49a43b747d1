// On every page: tells how many photos wait, and sends them when there is a link.
import { CHANNEL, sendAll, tell } from "./photo_sending.js";
import { kept } from "./photo_store.js";

const SNAP = "/snap";
const FIRST_WAIT_MS = 1000;
const LONGEST_WAIT_MS = 5 * 60 * 1000;

const line = document.getElementById("kept-photos");
let wait = FIRST_WAIT_MS;
let timer = null;
let ended = "done";

async function attempt() {
  clearTimeout(timer);
  timer = null;
  ended = await sendAll();
  await show();
  if (ended === "done") {
    wait = FIRST_WAIT_MS;
    return;
  }
  if (ended !== "log in") askForSending();
  timer = setTimeout(attempt, wait);
  wait = Math.min(2 * wait, LONGEST_WAIT_MS);
}

function attemptNow() {
  wait = FIRST_WAIT_MS;
  return attempt();
}

async function show() {
  const photos = await kept();
  const refused = photos.filter((one) => one.refused !== null).length;
  const waiting = photos.length - refused;
  line.hidden = photos.length === 0;
  line.replaceChildren();
  if (waiting) line.append(waitingWords(waiting), " ");
  if (waiting && ended === "log in") {
    line.append(link(`/login?next=${encodeURIComponent(SNAP)}`, "Log in to send them."), " ");
  }
  if (refused) line.append(`${count(refused)} could not be taken in. `);
  if (refused && location.pathname !== SNAP) line.append(link(SNAP, "See why."));
}

function waitingWords(number) {
  const waits = number === 1 ? "waits" : "wait";
  if (ended === "log in") {
    return `${count(number)} ${waits} in this browser: the log-in has ended.`;
  }
  return ended === "busy"
    ? `${count(number)} ${waits}: the room is busy.`
    : `${count(number)} ${waits} for the link.`;
}

const count = (number) => (number === 1 ? "1 photo" : `${number} photos`);

function link(address, words) {
  const made = document.createElement("a");
  made.href = address;
  made.textContent = words;
  return made;
}

async function work() {
  // While a photo is on its way it does not wait for the link: wait for the first answer.
  const channel = new BroadcastChannel(CHANNEL);
  channel.onmessage = ({ data }) => {
    if (data.added || data.again) attemptNow();
    else if (data.photo || data.refused || data.removed || data.stopped) show();
  };
  addEventListener("online", attemptNow);
  addEventListener("pageshow", (event) => event.persisted && attemptNow());
  document.addEventListener("visibilitychange", () => !document.hidden && attemptNow());
  await startWorker();
  await attempt();
}

async function startWorker() {
  try {
    await navigator.serviceWorker?.register("/worker.js", { type: "module" });
  } catch {
    // Without a worker, pages that are open send.
  }
}

// So that the browser sends them even when no page is open, where it can.
async function askForSending() {
  try {
    const registration = await navigator.serviceWorker?.ready;
    await registration?.sync?.register("photos");
  } catch {
    // Not allowed here: pages that are open send.
  }
}

if (self.indexedDB && self.BroadcastChannel) {
  work().catch(() => tell({ trouble: true }));
}
