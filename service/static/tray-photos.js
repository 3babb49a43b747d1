// A slider over a run's photos. Without it the links under the photo do the same.
const section = document.querySelector("#photos");
const links = section ? [...section.querySelectorAll("[data-page]")] : [];

if (links.length > 1) {
  const image = section.querySelector(".large img");
  const opens = section.querySelector(".large a");
  const caption = section.querySelector("figcaption");
  const steps = section.querySelector(".steps");
  const toggle = steps.querySelector(".drawn");
  const said = section.querySelector(".this-photo");
  let at = links.findIndex((link) => link.hasAttribute("aria-current"));
  let drawn = new URLSearchParams(location.search).has("drawn");

  const label = document.createElement("label");
  label.className = "slider";
  label.textContent = "Slide through the days";
  const slider = document.createElement("input");
  Object.assign(slider, { type: "range", min: 0, max: links.length - 1, step: 1, value: at });
  label.append(slider);
  steps.before(label);

  // What a link below the picture changed above it is said aloud; the slider says its own value.
  const aloud = document.createElement("p");
  aloud.className = "hidden";
  aloud.setAttribute("aria-live", "polite");
  steps.after(aloud);

  const when = (index) => links[index].textContent;
  const says = (index) => links[index].closest("li").querySelector("span").textContent;
  const told = (index) => `${when(index)}. ${says(index)}`;
  const picture = (index) => links[index].dataset[drawn ? "drawn" : "plain"];
  const address = (index, asDrawn) => {
    const url = new URL(links[index].href);
    url.searchParams.delete("drawn");
    if (asDrawn) url.searchParams.set("drawn", "1");
    return url;
  };

  function step(rel, words, index) {
    let link = steps.querySelector(`[rel=${rel}]`);
    if (!links[index]) {
      // Its focus would be lost with it.
      if (link === document.activeElement) slider.focus();
      return link?.remove();
    }
    if (!link) {
      link = document.createElement("a");
      Object.assign(link, { rel, textContent: words });
      rel === "prev" ? steps.prepend(link) : steps.append(link);
    }
    link.href = address(index, drawn);
  }

  function show(index) {
    links[at].removeAttribute("aria-current");
    at = index;
    links[at].setAttribute("aria-current", "true");
    slider.value = at;
    slider.setAttribute("aria-valuetext", told(at));
    image.src = opens.href = picture(at);
    image.alt = section.dataset[drawn ? "drawn" : "plain"];
    caption.querySelector("strong").textContent = when(at);
    caption.querySelector("span").textContent = says(at);
    toggle.textContent = drawn ? "Straight from above" : "Show what was read";
    toggle.href = address(at, !drawn);
    said.href = links[at].dataset.page;
    step("prev", "Earlier photo", at - 1);
    step("next", "Later photo", at + 1);
    history.replaceState(null, "", address(at, drawn));
    for (const near of [at - 1, at + 1]) if (links[near]) new Image().src = picture(near);
  }

  slider.setAttribute("aria-valuetext", told(at));
  slider.addEventListener("input", () => show(Number(slider.value)));
  section.addEventListener("click", (event) => {
    const link = event.target.closest("a");
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
    const chosen = links.indexOf(link);
    const turn = { prev: at - 1, next: at + 1 }[link.rel];
    if (chosen >= 0) show(chosen);
    else if (turn !== undefined) show(turn);
    else if (link === toggle) {
      drawn = !drawn;
      show(at);
    } else return;
    if (document.activeElement === slider) aloud.textContent = "";
    else aloud.textContent = link === toggle ? image.alt : told(at);
    event.preventDefault();
  });
}
