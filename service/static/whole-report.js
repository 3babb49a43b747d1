// Brings all pages of a long record to its first page, one after another, so that it prints as one.
const record = document.querySelector("[data-record]");

if (record) {
  const button = record.querySelector("button");
  const told = record.querySelector("[role=status]");
  button.hidden = false;
  button.addEventListener("click", async () => {
    button.disabled = true;
    try {
      const sections = [];
      for (const link of record.querySelectorAll("li a")) {
        told.textContent = `Bringing: ${link.textContent.trim()}.`;
        sections.push(await wholePart(link.getAttribute("href")));
      }
      // Only now: a record with a part missing would be printed as if it were all.
      record.before(...sections);
      for (const child of record.children) child.hidden = child !== told;
      told.textContent = "The whole record is on this page now: print it, or save it as a file.";
      document.querySelector("button.print-now")?.focus();
    } catch {
      told.textContent = "The record could not be brought here: the room did not answer. Try again.";
      button.disabled = false;
      button.focus();
    }
  });
}

// The section of one part, with the rows of all its pages.
async function wholePart(address) {
  let page = await pageAt(address);
  const section = document.importNode(page.querySelector("[data-part]"), true);
  for (let later = laterThan(page); later; later = laterThan(page)) {
    page = await pageAt(later);
    for (const rows of page.querySelectorAll("[data-part] tbody")) {
      section.querySelector("table").append(document.importNode(rows, true));
    }
  }
  return section;
}

function laterThan(page) {
  return page.querySelector("a[rel=next]")?.getAttribute("href");
}

async function pageAt(address) {
  const answer = await fetch(address);
  // Sent elsewhere is sent to the log-in.
  if (!answer.ok || answer.redirected) throw new Error(`${address}: ${answer.status}`);
  return new DOMParser().parseFromString(await answer.text(), "text/html");
}
