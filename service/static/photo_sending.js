// Sends kept photos to the room, one by one, whichever page or worker of this browser is awake.
import { bytesOf, claim, kept, remove, setRefused } from "./photo_store.js";

const ADDRESS = "/api/photos";
const TURN = "trayvision-sending";
const CLAIM_SECONDS = 60;
// A link that hangs carries nothing for that long. Once a photo is sent it is measured, perhaps
// after others; a worker does not see how far it is, so it waits for both.
const STALLED_MS = 30_000;
const MEASURED_MS = 120_000;
// What is too large, of no kind of picture, or against a rule stays so however often it is sent.
const FOR_GOOD = [413, 415, 422];
const STALLED = "stalled";
const ME = Math.random().toString(36).slice(2);

/** What happens to photos, told to every page of this browser. */
export const CHANNEL = "trayvision-photos";
const channel = new BroadcastChannel(CHANNEL);
export const tell = (news) => channel.postMessage(news);

let flight = null;
let asked = false;

/**
 * Send what waits. Resolves to why it stopped: "done", "no link", "busy", "log in" or "elsewhere".
 */
export function sendAll() {
  asked = true;
  flight ??= fly();
  return flight;
}

async function fly() {
  let ended = "done";
  try {
    while (asked) {
      asked = false;
      ended = await inTurn(sendWaiting);
    }
    return ended;
  } finally {
    flight = null;
  }
}

// Browsers have locks between pages over https only; elsewhere each photo is claimed in the store.
function inTurn(act) {
  return navigator.locks ? navigator.locks.request(TURN, () => act(false)) : act(true);
}

async function sendWaiting(claiming) {
  const passed = new Set();
  let stalled = false;
  for (;;) {
    const next = (await kept()).find((one) => one.refused === null && !passed.has(one.id));
    if (!next && stalled) return "no link";
    if (!next) return passed.size ? "elsewhere" : "done";
    if (claiming && !(await claim(next.id, ME, CLAIM_SECONDS))) {
      passed.add(next.id);
      continue;
    }
    const stopped = await sendOne(next);
    // One that hangs may be too large for this link: the next has its turn. Two in a row are the
    // link's own fault.
    if (stopped === STALLED && !stalled) {
      stalled = true;
      passed.add(next.id);
      continue;
    }
    if (stopped) return stopped === STALLED ? "no link" : stopped;
  }
}

/** Send one photo; returns why to stop, null to go on with the next. */
async function sendOne(about) {
  const bytes = await bytesOf(about.id);
  if (!bytes) return null;
  tell({ id: about.id, sent: 0 });
  let answer;
  try {
    answer = await post(formOf(about, bytes), (sent) => tell({ id: about.id, sent }));
  } catch (error) {
    tell({ id: about.id, stopped: "no link" });
    return error.message === STALLED ? STALLED : "no link";
  }
  const stopped = await settle(about, answer);
  if (stopped) tell({ id: about.id, stopped });
  return stopped;
}

async function settle(about, { status, text }) {
  const said = parsed(text);
  if (status === 200 || status === 201) {
    const photo = said?.photos?.[0]?.id;
    // What answers in the room's place, such as a log-in page of the network, has not got it.
    if (!Number.isInteger(photo)) return "no link";
    await remove(about.id);
    tell({ id: about.id, photo });
    return null;
  }
  if (status === 401) return "log in";
  if (status === 429 || status >= 500 || status === 0) return "busy";
  if (status >= 400) {
    const reason = said?.detail ?? `The room refused it (${status}).`;
    const forGood = FOR_GOOD.includes(status);
    await setRefused(about.id, reason, forGood);
    tell({ id: about.id, refused: reason, forGood });
    return null;
  }
  return "no link";
}

function parsed(text) {
  try {
    return JSON.parse(text);
  } catch {
    return null;
  }
}

function formOf(about, bytes) {
  const form = new FormData();
  form.append("photo", new Blob([bytes], { type: about.type }), about.name || "photo.jpg");
  form.append("watering", about.watering);
  form.append("kept_at", about.kept_at);
  return form;
}

function post(form, progress) {
  // Only this older way tells how much of it is sent, and workers do not have it.
  if (!self.XMLHttpRequest) return fetched(form);
  return new Promise((resolve, reject) => {
    const request = new XMLHttpRequest();
    request.open("POST", ADDRESS);
    request.setRequestHeader("Accept", "application/json");
    let timer;
    const wait = (patience) => {
      clearTimeout(timer);
      timer = setTimeout(() => {
        reject(new Error(STALLED));
        request.abort();
      }, patience);
    };
    request.upload.onprogress = (event) => {
      wait(STALLED_MS);
      if (event.lengthComputable) progress(event.loaded / event.total);
    };
    request.upload.onload = () => wait(MEASURED_MS);
    request.onload = () => resolve({ status: request.status, text: request.responseText });
    request.onerror = () => reject(new Error("no link"));
    request.onabort = request.onerror;
    request.onloadend = () => clearTimeout(timer);
    wait(STALLED_MS);
    request.send(form);
  });
}

async function fetched(form) {
  const patience = new AbortController();
  const timer = setTimeout(() => patience.abort(), STALLED_MS + MEASURED_MS);
  try {
    const answer = await fetch(ADDRESS, {
      method: "POST",
      body: form,
      headers: { Accept: "application/json" },
      signal: patience.signal,
    });
    return { status: answer.status, text: await answer.text() };
  } catch (error) {
    throw patience.signal.aborted ? new Error(STALLED) : error;
  } finally {
    clearTimeout(timer);
  }
}
