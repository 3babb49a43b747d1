// Photos that wait for the room, in the browser's own store. What is kept here is on the disk
// when keep() returns, and leaves only by remove(): after the room has it, or by hand.
const STORE = "trayvision-photos";
const ABOUT = "about";
const BYTES = "bytes";

let opened = null;

function database() {
  opened ??= new Promise((resolve, reject) => {
    const asked = indexedDB.open(STORE, 1);
    asked.onupgradeneeded = () => {
      asked.result.createObjectStore(ABOUT, { keyPath: "id" });
      asked.result.createObjectStore(BYTES);
    };
    asked.onsuccess = () => {
      // A newer page in another tab must not wait for this one to be closed.
      asked.result.onversionchange = () => {
        asked.result.close();
        opened = null;
      };
      resolve(asked.result);
    };
    asked.onerror = () => reject(asked.error);
  });
  opened.catch(() => {
    opened = null;
  });
  return opened;
}

async function inTransaction(mode, act) {
  const store = await database();
  return new Promise((resolve, reject) => {
    const transaction = store.transaction([ABOUT, BYTES], mode, { durability: "strict" });
    let result;
    transaction.oncomplete = () => resolve(result);
    transaction.onabort = () => reject(transaction.error);
    act(transaction.objectStore(ABOUT), transaction.objectStore(BYTES), (value) => {
      result = value;
    });
  });
}

// Not crypto.randomUUID: browsers offer that over https only, and rooms have plain http.
function newId() {
  const digits = Array.from(crypto.getRandomValues(new Uint8Array(16)), (byte) =>
    byte.toString(16).padStart(2, "0"),
  );
  return digits.join("");
}

/** Keep a photo; returns what is known of it. Rejects where the device has no room left. */
export async function keep(file, watering) {
  const bytes = await file.arrayBuffer();
  const about = {
    id: newId(),
    name: file.name,
    type: file.type,
    size: bytes.byteLength,
    kept_at: new Date().toISOString(),
    watering,
    refused: null,
  };
  await inTransaction("readwrite", (abouts, contents) => {
    abouts.add(about);
    contents.add(bytes, about.id);
  });
  return about;
}

/** All kept photos, the first taken first. */
export async function kept() {
  const all = await inTransaction("readonly", (abouts, _contents, give) => {
    const asked = abouts.getAll();
    asked.onsuccess = () => give(asked.result);
  });
  return all.sort((one, other) => one.kept_at.localeCompare(other.kept_at));
}

/** The bytes of a kept photo; undefined once it is removed. */
export function bytesOf(id) {
  return inTransaction("readonly", (_abouts, contents, give) => {
    const asked = contents.get(id);
    asked.onsuccess = () => give(asked.result);
  });
}

/** Note why the room refuses a photo, for good or not, or null to have it sent again. */
export function setRefused(id, reason, forGood = false) {
  return inTransaction("readwrite", (abouts) => {
    const asked = abouts.get(id);
    asked.onsuccess = () => {
      if (asked.result) abouts.put({ ...asked.result, refused: reason, forGood });
    };
  });
}

/** Let a photo go. */
export function remove(id) {
  return inTransaction("readwrite", (abouts, contents) => {
    abouts.delete(id);
    contents.delete(id);
  });
}

/** Take a photo for sending, for so many seconds; false while another page has it. */
export function claim(id, holder, seconds) {
  return inTransaction("readwrite", (abouts, _contents, give) => {
    const asked = abouts.get(id);
    asked.onsuccess = () => {
      const about = asked.result;
      const taken = about?.claim;
      const free = about && (!taken || taken.holder === holder || taken.until < Date.now());
      if (free) abouts.put({ ...about, claim: { holder, until: Date.now() + 1000 * seconds } });
      give(Boolean(free));
    };
  });
}
