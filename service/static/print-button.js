// Shows the buttons that print, which do nothing without a script.
for (const button of document.querySelectorAll("button.print-now")) {
  button.hidden = false;
  button.addEventListener("click", () => window.print());
}
