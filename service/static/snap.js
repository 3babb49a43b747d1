// Snap with scripts: photos are kept at once, sent one by one, and each result stands in place.
import { CHANNEL, tell } from "./photo_sending.js";
import { bytesOf, keep, kept, remove, setRefused } from "./photo_store.js";

const form = document.getElementById("snap");
const results = document.getElementById("results");
const sending = document.getElementById("sending");
const trouble = document.getElementById("trouble");
const items = new Map();
let number = 0;

const STOPPED = {
  "no link": "Kept in this browser; it is sent when the link is back.",
  busy: "Kept in this browser; the room is busy and is asked again soon.",
  "log in": "Kept in this browser; it is sent once you have logged in again.",
};

// The list is read by whoever goes there; this is said as it happens.
function sayAloud(words) {
  if (sending.textContent !== words) sending.textContent = words;
}

/** One photo's place in the list, from keeping it to its result. */
class Item {
  constructor(about) {
    number += 1;
    this.about = about;
    this.name = `Photo ${number}`;
    this.element = document.createElement("li");
    this.words = paragraph("");
    this.words.tabIndex = -1;
    this.bar = document.createElement("progress");
    this.bar.max = 1;
    this.bar.setAttribute("aria-label", `${this.name}, share sent`);
    this.buttons = document.createElement("div");
    this.buttons.className = "answers row-2";
    const told = document.createElement("div");
    told.append(this.words, this.bar, this.buttons);
    const row = document.createElement("div");
    row.className = "one-kept";
    row.append(told);
    this.element.append(row);
    this.showPicture(row);
    results.prepend(this.element);
    if (about.refused === null) this.say("Kept in this browser.", 0);
    else this.showRefused(about.refused, about.forGood);
  }

  async showPicture(row) {
    const bytes = await bytesOf(this.about.id);
    if (!bytes || !this.about.type.startsWith("image/")) return;
    this.picture = document.createElement("img");
    this.picture.className = "thumb";
    this.picture.alt = "";
    this.address = URL.createObjectURL(new Blob([bytes], { type: this.about.type }));
    this.picture.src = this.address;
    row.prepend(this.picture);
  }

  say(words, share) {
    this.words.textContent = `${this.name}: ${words}`;
    this.bar.hidden = share === null;
    if (share !== null) this.bar.value = share;
    this.buttons.replaceChildren();
  }

  showSent(share) {
    if (share < 1) this.say(`sending, ${Math.round(100 * share)} % sent`, share);
    else this.say("sent; the room measures it", 1);
    // Of many photos at once, what each says is enough to listen to.
    if (items.size === 1) this.sayAloud(share < 1 ? "sending" : "sent; the room measures it");
  }

  showStopped(why) {
    this.say(STOPPED[why], null);
    this.sayAloud(STOPPED[why]);
  }

  sayAloud(words) {
    sayAloud(`${this.name}: ${words}`);
  }

  showRefused(reason, forGood) {
    this.say(`not taken in. ${reason}`, null);
    if (!forGood) this.buttons.append(this.againButton());
    this.buttons.append(
      button("Remove it here", async () => {
        await remove(this.about.id);
        tell({ removed: true });
        this.forget();
        this.element.remove();
        sayAloud(`${this.name} was removed here.`);
        form.querySelector("button.take-button").focus();
      }),
    );
  }

  againButton() {
    return button("Send it again", async () => {
      await setRefused(this.about.id, null);
      // The buttons go, and the focus would go with them.
      this.words.focus();
      this.say("Kept in this browser.", 0);
      tell({ again: true });
    });
  }

  async showResult(photo) {
    this.say("measured", 1);
    this.forget();
    const address = `/photos/${photo}`;
    try {
      const answer = await fetch(`${address}/result`, { headers: { Accept: "text/html" } });
      if (!answer.ok || answer.redirected) throw new Error("no result");
      this.element.innerHTML = await answer.text();
      sayAloud(`${this.name}. ${this.element.querySelector(".said").textContent}`);
    } catch {
      const link = document.createElement("a");
      link.href = address;
      link.textContent = "What it says";
      this.words.textContent = `${this.name} is in the room. `;
      this.words.append(link);
      this.bar.hidden = true;
    }
  }

  forget() {
    if (this.address) URL.revokeObjectURL(this.address);
    items.delete(this.about.id);
  }
}

function paragraph(words) {
  const made = document.createElement("p");
  made.textContent = words;
  return made;
}

function button(words, act) {
  const made = document.createElement("button");
  made.type = "button";
  made.textContent = words;
  made.addEventListener("click", act);
  return made;
}

/** A plain button in a file field's place: the field says "no file chosen" of what was sent. */
function standFor(input) {
  const [label] = input.labels;
  const stand = button(label.textContent, () => input.click());
  stand.className = label.className;
  label.after(stand);
  label.hidden = input.hidden = true;
}

async function take(input) {
  const watering = form.elements.watering.value;
  const files = [...input.files];
  trouble.hidden = true;
  for (const file of files) {
    try {
      const about = await keep(file, watering);
      items.set(about.id, new Item(about));
      tell({ added: true });
    } catch (error) {
      trouble.hidden = false;
      trouble.replaceChildren(
        paragraph(
          `${file.name} could not be kept: this device has no room left for it ` +
            `(${error?.name ?? "unknown"}). Free some space and take it again.`,
        ),
      );
    }
  }
  input.value = "";
  if (files.length > 1) sayAloud(`${files.length} photos are sent, one after the other.`);
}

function rememberWatering() {
  const seconds = form.dataset.wateringSeconds;
  const said = form.elements.watering.value;
  document.cookie = `trayvision_watering=${said}; path=/snap; max-age=${seconds}; samesite=strict`;
}

function recallWatering() {
  const said = /(?:^|; )trayvision_watering=(\w+)/.exec(document.cookie)?.[1];
  if (said) form.elements.watering.value = said;
}

function showLink() {
  document.querySelector(".without-link").hidden = true;
}

async function work() {
  for (const about of await kept()) items.set(about.id, new Item(about));
  const channel = new BroadcastChannel(CHANNEL);
  channel.onmessage = ({ data }) => {
    if (data.photo) showLink();
    const item = items.get(data.id);
    if (!item) return;
    if (data.photo) item.showResult(data.photo);
    else if (data.refused) {
      item.showRefused(data.refused, data.forGood);
      item.sayAloud(`not taken in. ${data.refused}`);
    } else if (data.stopped) item.showStopped(data.stopped);
    else item.showSent(data.sent);
  };
  addEventListener("online", showLink);
  for (const input of form.querySelectorAll("input[type=file]")) {
    input.addEventListener("change", () => take(input));
    standFor(input);
  }
  form.addEventListener("change", rememberWatering);
  recallWatering();
  form.classList.add("scripted");
  // Browsers may clear what they were not asked to keep.
  navigator.storage?.persist?.();
  const registration = await navigator.serviceWorker?.ready;
  registration?.active?.postMessage("keep");
}

if (self.indexedDB && self.BroadcastChannel) work();
