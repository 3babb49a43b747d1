// Four marks on the photo, moved by finger or by key, that fill in the corners' numbers.
const SVG = "http://www.w3.org/2000/svg";
const STEP = 0.01;
const SMALL_STEP = 0.002;
const MOVES = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

const stage = document.getElementById("stage");
const form = document.getElementById("corners");
const [width, height] = [Number(stage.dataset.width), Number(stage.dataset.height)];
// Places are rules of a sheet of the script's own: elements carry no style of their own.
const places = new CSSStyleSheet();
document.adoptedStyleSheets.push(places);
const shape = document.createElementNS(SVG, "polygon");

/** One corner: a mark as large as a finger, and the two fields that it fills. */
class Mark {
  constructor(name) {
    this.x = form.elements[`${name}_x`];
    this.y = form.elements[`${name}_y`];
    this.words = name.replace("_", " ");
    // A slider, and no button: a reader of the screen then leaves the arrow keys to it.
    this.handle = document.createElement("div");
    this.handle.tabIndex = 0;
    this.handle.className = "mark";
    this.handle.setAttribute("role", "slider");
    this.handle.setAttribute("aria-label", `${this.words} corner`);
    this.handle.id = `mark-${name}`;
    const last = places.insertRule(`#mark-${name} {}`, places.cssRules.length);
    this.rule = places.cssRules[last];
    this.handle.addEventListener("keydown", (event) => this.step(event));
    this.handle.addEventListener("pointerdown", (event) => {
      event.preventDefault();
      this.handle.focus({ preventScroll: true });
      this.handle.setPointerCapture(event.pointerId);
    });
    this.handle.addEventListener("pointermove", (event) => {
      if (this.handle.hasPointerCapture(event.pointerId)) this.drag(event);
    });
    for (const field of [this.x, this.y]) field.addEventListener("input", draw);
    stage.append(this.handle);
  }

  get place() {
    return [Number(this.x.value) / (width - 1), Number(this.y.value) / (height - 1)];
  }

  drag(event) {
    const box = stage.getBoundingClientRect();
    this.move((event.clientX - box.left) / box.width, (event.clientY - box.top) / box.height);
  }

  step(event) {
    const way = MOVES[event.key];
    if (!way) return;
    event.preventDefault();
    const far = event.shiftKey ? SMALL_STEP : STEP;
    const [x, y] = this.place;
    this.move(x + far * way[0], y + far * way[1]);
  }

  move(x, y) {
    this.x.value = Math.round(within(x) * (width - 1));
    this.y.value = Math.round(within(y) * (height - 1));
    draw();
  }

  draw() {
    const [x, y] = this.place;
    this.rule.style.left = `${100 * x}%`;
    this.rule.style.top = `${100 * y}%`;
    const where = `${percent(x)} % from the left, ${percent(y)} % from the top`;
    this.handle.setAttribute("aria-valuenow", percent(x));
    this.handle.setAttribute("aria-valuetext", where);
  }
}

const percent = (share) => Math.round(1000 * share) / 10;
const within = (share) => Math.min(Math.max(share, 0), 1);

const marks = ["near_left", "near_right", "far_right", "far_left"].map((name) => new Mark(name));

function draw() {
  for (const mark of marks) mark.draw();
  shape.setAttribute("points", marks.map(({ place: [x, y] }) => `${x},${y}`).join(" "));
}

const picture = document.createElementNS(SVG, "svg");
picture.setAttribute("viewBox", "0 0 1 1");
picture.setAttribute("preserveAspectRatio", "none");
picture.setAttribute("aria-hidden", "true");
picture.append(shape);
stage.append(picture);
draw();
// Before its picture is there, the stage has no size to place marks on.
await stage.querySelector("img").decode();
stage.hidden = false;
document.getElementById("stage-how").hidden = false;
document.getElementById("taps").hidden = true;
