/* Offers the browser's own time zone where the room has another one. */
const select = document.querySelector('select[name="time_zone"]');
const place = document.getElementById("zone-guess");
const guess = new Intl.DateTimeFormat().resolvedOptions().timeZone;
const known = select && [...select.options].some((option) => option.value === guess);
if (known && place && select.value !== guess) {
  const button = place.querySelector("button");
  button.textContent = `Use ${guess.replaceAll("_", " ")}, as this browser says`;
  button.addEventListener("click", () => {
    select.value = guess;
    place.hidden = true;
    select.focus();
  });
  place.hidden = false;
}
