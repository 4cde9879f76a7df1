// One photo: zoomed and moved by mouse, touch and keyboard; places drawn on it, moved and drawn anew.
//
// A small picture of the whole photo is there at once; tiles of the full photo are laid over it where one looks.

import { h, icon, morph, s } from "./dom.js";
import * as api from "./api.js";

const MOST_TILES = 160;
const LARGEST = 16; // screen pixels a photo pixel
const RELIEFS = [
  ["", "as photographed"],
  ["contrast", "more contrast"],
  ["flat", "even light"],
  ["height_0", "light from the left"],
  ["height_45", "light from the upper left"],
  ["height_90", "light from above"],
  ["height_135", "light from the upper right"],
];

const bounds = (polygon) => {
  const xs = polygon.map((p) => p[0]);
  const ys = polygon.map((p) => p[1]);
  return [Math.min(...xs), Math.min(...ys), Math.max(...xs), Math.max(...ys)];
};
const clamp = (v, low, high) => Math.min(Math.max(v, low), high);

export class Viewer {
  /**
   * @param {string} doll the doll's id
   * @param {object} tell what to call: edited(name, polygons), moved(viewer), say(text), toolbar(viewer) → extra nodes
   */
  constructor(doll, tell) {
    this.doll = doll;
    this.tell = tell;
    this.photo = null;
    this.scale = 1;
    this.x = 0;
    this.y = 0;
    this.tiles = new Map();
    this.preview = null;
    this.pointers = new Map();
    this.shown = true; // whether places are drawn
    this.edit = null; // {name, label, polygon, drawing, cursor}
    this.lit = null; // outlines of a reading that is looked at
    this.relief = { kind: "", image: null, box: null, ticket: 0 };
    this.fitted = true;
    this.build();
  }

  build() {
    this.canvas = h("canvas", { "aria-hidden": "true" });
    this.over = s("svg", { class: "over" });
    this.glass = h("div.glass", {
      tabindex: "0",
      role: "application",
      "aria-label": "Photo",
      "aria-describedby": "keys",
      onwheel: (e) => this.wheel(e),
      onpointerdown: (e) => this.down(e),
      onpointermove: (e) => this.move(e),
      onpointerup: (e) => this.up(e),
      onpointercancel: (e) => this.up(e),
      ondblclick: (e) => this.twice(e),
      onkeydown: (e) => this.key(e),
    }, this.canvas, this.over);
    this.message = h("p.empty", {});
    this.percent = h("output.percent", { "aria-label": "Zoom" });
    this.reliefs = h("select", {
      "aria-label": "Relief", "data-key": "relief",
      onchange: (e) => this.setRelief(e.target.value),
    }, RELIEFS.map(([id, words]) => h("option", { value: id }, words)));
    this.placesButton = h("button.plain", {
      type: "button", "aria-pressed": "true",
      onclick: () => this.showPlaces(!this.shown),
    }, icon("eye"), "Places");
    this.bar = h("div.bar", { role: "toolbar", "aria-label": "Photo view" },
      h("button.square", { type: "button", "aria-label": "Zoom out", onclick: () => this.zoom(1 / 1.4) }, icon("minus")),
      this.percent,
      h("button.square", { type: "button", "aria-label": "Zoom in", onclick: () => this.zoom(1.4) }, icon("plus")),
      h("button.square", { type: "button", "aria-label": "Whole photo", onclick: () => this.fit() }, icon("fit")),
      h("button.plain", { type: "button", onclick: () => this.exact() }, "1:1"),
      this.placesButton,
      h("label.inline", {}, h("span", {}, "Relief"), this.reliefs),
      this.tell.toolbar?.(this) || []);
    this.editBar = h("div.editbar", { hidden: true, role: "group", "aria-label": "Setting a place right" });
    this.root = h("div.viewer", {}, this.glass, this.message, this.editBar, this.bar);
    this.observer = new ResizeObserver(() => this.resized());
    this.observer.observe(this.glass);
  }

  // -- photo --------------------------------------------------------------------------------------

  show(photo, quiet = false) {
    const other = !this.photo || this.photo.id !== photo.id || this.photo.stamp !== photo.stamp;
    const sized = this.photo && this.photo.width === photo.width && this.photo.height === photo.height;
    this.photo = photo;
    this.glass.setAttribute("aria-label", `Photo ${photo.name}. Arrow keys move it, plus and minus zoom, 0 shows all.`);
    this.message.hidden = photo.width > 0;
    this.message.textContent = photo.width ? "" : photo.state === "error" ? photo.message : `${photo.name} is being read …`;
    if (other) {
      this.stopEditing(true);
      this.tiles.clear();
      this.preview = null;
      this.setRelief("", true);
      this.lit = null;
    }
    if (photo.width && (!this.preview || other)) {
      const image = new Image();
      image.onload = () => {
        if (this.photo?.id !== photo.id) return;
        this.preview = image;
        this.draw();
      };
      image.src = api.whole(this.doll, photo, "preview");
      this.preview = null;
    }
    if (other || !sized) this.fit(quiet);
    this.draw();
  }

  clear(words) {
    this.photo = null;
    this.preview = null;
    this.tiles.clear();
    this.message.hidden = false;
    this.message.textContent = words;
    this.draw();
  }

  // -- where one looks -----------------------------------------------------------------------------

  get size() {
    return [this.glass.clientWidth || 1, this.glass.clientHeight || 1];
  }

  get least() {
    const [w, height] = this.size;
    return 0.9 * Math.min(w / this.photo.width, height / this.photo.height, 1);
  }

  resized() {
    const ratio = window.devicePixelRatio || 1;
    const [w, height] = this.size;
    this.canvas.width = Math.round(w * ratio);
    this.canvas.height = Math.round(height * ratio);
    if (this.fitted) this.fit();
    this.draw();
  }

  fit(quiet = false) {
    if (!this.photo?.width) return;
    const [w, height] = this.size;
    this.scale = Math.min(w / this.photo.width, height / this.photo.height) * 0.97;
    this.x = (w - this.photo.width * this.scale) / 2;
    this.y = (height - this.photo.height * this.scale) / 2;
    this.fitted = true;
    this.changed(quiet);
  }

  exact() {
    if (this.photo?.width) this.zoom(1 / (window.devicePixelRatio || 1) / this.scale);
  }

  zoom(factor, at = null, quiet = false) {
    if (!this.photo?.width) return;
    const [w, height] = this.size;
    const [cx, cy] = at || [w / 2, height / 2];
    const next = clamp(this.scale * factor, this.least, LARGEST);
    const real = next / this.scale;
    this.x = cx - (cx - this.x) * real;
    this.y = cy - (cy - this.y) * real;
    this.scale = next;
    this.fitted = false;
    this.changed(quiet);
  }

  pan(dx, dy, quiet = false) {
    this.x += dx;
    this.y += dy;
    this.fitted = false;
    this.changed(quiet);
  }

  /** Show a part of the photo, with some room around it. */
  goTo(polygons) {
    if (!polygons?.length || !this.photo?.width) return;
    const [x0, y0, x1, y1] = bounds(polygons.flat());
    const [w, height] = this.size;
    const room = 2.2;
    this.scale = clamp(Math.min(w / (room * (x1 - x0)), height / (room * (y1 - y0))), this.least, 6);
    this.x = w / 2 - ((x0 + x1) / 2) * this.scale;
    this.y = height / 2 - ((y0 + y1) / 2) * this.scale;
    this.fitted = false;
    this.changed();
  }

  changed(quiet = false) {
    if (!this.photo) return;
    const [w, height] = this.size;
    const [pw, ph] = [this.photo.width * this.scale, this.photo.height * this.scale];
    this.x = clamp(this.x, Math.min(60, w - 60) - pw, Math.max(w - 60, 60));
    this.y = clamp(this.y, Math.min(60, height - 60) - ph, Math.max(height - 60, 60));
    this.percent.textContent = `${Math.round(this.scale * (window.devicePixelRatio || 1) * 100)} %`;
    this.draw();
    if (!quiet) this.tell.moved?.(this);
    clearTimeout(this.settled);
    this.settled = setTimeout(() => this.loadRelief(), 250);
  }

  toPhoto(x, y) {
    return [(x - this.x) / this.scale, (y - this.y) / this.scale];
  }

  toScreen([x, y]) {
    return [x * this.scale + this.x, y * this.scale + this.y];
  }

  // -- drawing --------------------------------------------------------------------------------------

  draw() {
    if (this.queued) return;
    this.queued = requestAnimationFrame(() => {
      this.queued = 0;
      this.paint();
      this.paintOver();
    });
  }

  paint() {
    const c = this.canvas.getContext("2d");
    const ratio = window.devicePixelRatio || 1;
    c.setTransform(1, 0, 0, 1, 0, 0);
    c.clearRect(0, 0, this.canvas.width, this.canvas.height);
    if (!this.photo?.width) return;
    c.setTransform(ratio, 0, 0, ratio, 0, 0);
    c.imageSmoothingEnabled = this.scale < 4;
    c.imageSmoothingQuality = "high";
    const { width, height } = this.photo;
    if (this.preview) c.drawImage(this.preview, this.x, this.y, width * this.scale, height * this.scale);
    const small = this.preview ? this.preview.naturalWidth / width : 0;
    if (this.scale * ratio > small * 1.05 && small < 1) this.paintTiles(c, ratio);
    if (this.relief.image && this.relief.box) {
      const [x0, y0, x1, y1] = this.relief.box;
      const [sx, sy] = this.toScreen([x0, y0]);
      c.drawImage(this.relief.image, sx, sy, (x1 - x0) * this.scale, (y1 - y0) * this.scale);
    }
  }

  paintTiles(c, ratio) {
    const level = clamp(Math.floor(Math.log2(1 / (this.scale * ratio)) + 0.01), 0, 8);
    const step = this.photo.tile * 2 ** level;
    const [x0, y0, x1, y1] = this.visible();
    for (let row = Math.floor(y0 / step); row * step < y1; row++) {
      for (let column = Math.floor(x0 / step); column * step < x1; column++) {
        const image = this.tileAt(level, column, row);
        if (!image?.complete || !image.naturalWidth) continue;
        const [sx, sy] = this.toScreen([column * step, row * step]);
        const k = 2 ** level * this.scale;
        c.drawImage(image, sx, sy, image.naturalWidth * k + 0.6, image.naturalHeight * k + 0.6);
      }
    }
  }

  visible() {
    const [w, height] = this.size;
    const [x0, y0] = this.toPhoto(0, 0);
    const [x1, y1] = this.toPhoto(w, height);
    return [Math.max(0, x0), Math.max(0, y0), Math.min(this.photo.width, x1), Math.min(this.photo.height, y1)];
  }

  tileAt(level, column, row) {
    const key = `${level}/${column}/${row}`;
    let image = this.tiles.get(key);
    if (image) {
      this.tiles.delete(key);
    } else {
      image = new Image();
      image.onload = () => this.draw();
      image.src = api.tile(this.doll, this.photo, level, column, row);
    }
    this.tiles.set(key, image);
    if (this.tiles.size > MOST_TILES) this.tiles.delete(this.tiles.keys().next().value);
    return image;
  }

  paintOver() {
    const nodes = [];
    if (this.photo?.width) {
      if (this.shown) {
        for (const place of this.photo.places) {
          if (this.edit?.name === place.name) continue;
          place.polygons.forEach((polygon, i) => nodes.push(this.outline(polygon, `place ${place.by}`, i ? "" : place.label)));
        }
      }
      for (const polygon of this.lit || []) nodes.push(this.outline(polygon, "lit", ""));
      if (this.edit) nodes.push(...this.editNodes());
    }
    morph(this.over, nodes.filter((n) => n));
  }

  outline(polygon, kind, label) {
    const points = polygon.map((p) => this.toScreen(p).map((v) => v.toFixed(1)).join(",")).join(" ");
    const group = s("g", { class: kind }, s("polygon", { points, class: "under" }), s("polygon", { points, class: "line" }));
    const [x0, y0, x1] = bounds(polygon);
    if (label && (x1 - x0) * this.scale > 24) {
      const [sx, sy] = this.toScreen([x0, y0]);
      const text = s("text", { x: sx, y: sy - 6, class: "tag" });
      text.textContent = label;
      group.append(text);
    }
    return group;
  }

  showPlaces(yes) {
    this.shown = yes;
    this.placesButton.setAttribute("aria-pressed", String(yes));
    this.draw();
  }

  // -- relief ----------------------------------------------------------------------------------------

  setRelief(kind, quiet = false) {
    this.relief = { kind, image: null, box: null, ticket: this.relief.ticket + 1 };
    this.reliefs.value = kind;
    if (!quiet) this.loadRelief();
    this.draw();
  }

  loadRelief() {
    const { kind } = this.relief;
    if (!kind || !this.photo?.width) return;
    const box = this.visible().map(Math.round);
    if (box[2] - box[0] < 16 || box[3] - box[1] < 16 || String(box) === String(this.relief.box)) return;
    const ticket = ++this.relief.ticket;
    const image = new Image();
    image.onload = () => {
      if (this.relief.ticket !== ticket) return;
      this.relief.image = image;
      this.relief.box = box;
      this.draw();
    };
    image.onerror = () => this.tell.say?.("This part of the photo could not be enhanced.");
    image.src = api.relief(this.doll, this.photo, kind, box);
  }

  // -- setting a place right ---------------------------------------------------------------------------

  /** Take hold of a place's corners. */
  startEditing(place) {
    if (!place.polygons.length) return this.startDrawing(place);
    const polygon = place.polygons.map((p) => p.map((q) => [...q])).sort((a, b) => area(b) - area(a))[0];
    this.edit = { name: place.name, label: place.label, polygon, drawing: false, was: JSON.stringify(polygon) };
    this.lit = null;
    this.goTo([polygon]);
    this.editTools();
    this.focusCorner(0);
    this.tell.say?.(`${place.label}: ${polygon.length} corners. Drag them, or move them with the arrow keys.`);
  }

  /** Draw a place from nothing: drag a box, or click corner after corner. */
  startDrawing(place) {
    const [w, height] = this.size;
    this.edit = { name: place.name, label: place.label, polygon: [], drawing: true, cursor: this.toPhoto(w / 2, height / 2) };
    this.lit = null;
    this.editTools();
    this.glass.focus({ preventScroll: true });
    this.tell.say?.(
      `Draw ${place.label}: drag a box, or click corner after corner. By keyboard: arrow keys move the cross, space sets a corner, enter finishes, escape stops.`,
    );
    this.draw();
  }

  stopEditing(quiet = false) {
    if (!this.edit) return;
    this.edit = null;
    this.editTools();
    this.draw();
    if (!quiet) this.tell.stopped?.();
  }

  editTools() {
    const edit = this.edit;
    this.editBar.hidden = !edit;
    this.root.classList.toggle("drawing", Boolean(edit?.drawing));
    if (!edit) return this.editBar.replaceChildren();
    const words = edit.drawing
      ? `Draw “${edit.label}”: drag a box, or click its corners`
      : `“${edit.label}”: drag a corner, or the whole`;
    this.editBar.replaceChildren(...[
      h("p", {}, words),
      edit.drawing && h("button.plain", { type: "button", onclick: () => this.placeBox() }, "Put a box here"),
      edit.drawing && h("button.plain", { type: "button", onclick: () => this.finishDrawing() }, "Close outline"),
      !edit.drawing && h("button.plain", { type: "button", onclick: () => this.startDrawing({ name: edit.name, label: edit.label }) }, "Draw anew"),
      h("button.plain", { type: "button", onclick: () => this.stopEditing() }, "Done"),
    ].filter(Boolean));
  }

  editNodes() {
    const { polygon, drawing } = this.edit;
    const nodes = [];
    const screen = polygon.map((p) => this.toScreen(p));
    const points = screen.map((p) => p.map((v) => v.toFixed(1)).join(",")).join(" ");
    if (drawing) {
      if (screen.length) nodes.push(s("g", { class: "place person" }, s("polyline", { points, class: "under" }), s("polyline", { points, class: "line" })));
      screen.forEach(([x, y]) => nodes.push(s("circle", { cx: x, cy: y, r: 5, class: "dot" })));
      if (this.edit.cursor && document.activeElement === this.glass) {
        const [x, y] = this.toScreen(this.edit.cursor);
        nodes.push(s("path", { d: `M${x - 14} ${y}H${x + 14}M${x} ${y - 14}V${y + 14}`, class: "cross" }));
      }
      return nodes;
    }
    nodes.push(s("polygon", {
      points, class: "body", tabindex: "0", role: "button", "data-key": "whole", "data-whole": "1",
      "aria-label": `Move ${this.edit.label} as a whole with the arrow keys`,
    }));
    nodes.push(this.outline(polygon, "place person editing", this.edit.label));
    screen.forEach(([x, y], i) => {
      nodes.push(s("g", {
        class: "corner", transform: `translate(${x.toFixed(1)} ${y.toFixed(1)})`, tabindex: "0", role: "button",
        "data-corner": i, "data-key": `corner${i}`,
        "aria-label": `Corner ${i + 1} of ${screen.length} of ${this.edit.label}: ${Math.round(polygon[i][0])}, ${Math.round(polygon[i][1])}. Arrow keys move it, delete removes it.`,
      }, s("circle", { r: 13, class: "reach" }), s("circle", { r: 6, class: "grip" })));
    });
    return nodes;
  }

  focusCorner(i) {
    this.draw();
    requestAnimationFrame(() => requestAnimationFrame(() =>
      this.over.querySelector(`[data-key="corner${i}"]`)?.focus({ preventScroll: true })));
  }

  placeBox() {
    const [w, height] = this.size;
    const k = 0.18 * Math.min(w, height);
    const [cx, cy] = this.toScreen(this.edit.cursor);
    this.accept([[cx - k, cy - k], [cx + k, cy - k], [cx + k, cy + k], [cx - k, cy + k]].map(([x, y]) => this.toPhoto(x, y)));
  }

  finishDrawing() {
    if (this.edit.polygon.length < 3) {
      this.tell.say?.("An outline needs three corners at least.");
      return;
    }
    this.accept(this.edit.polygon);
  }

  /** Take a drawn outline, send it, and go on with its corners. */
  accept(polygon) {
    this.edit = { ...this.edit, polygon, drawing: false, was: "" };
    this.editTools();
    this.commit();
    this.focusCorner(0);
  }

  commit() {
    const text = JSON.stringify(this.edit.polygon);
    if (text === this.edit.was) return;
    this.edit.was = text;
    this.tell.edited?.(this.edit.name, [this.edit.polygon.map((p) => p.map((v) => Math.round(v * 10) / 10))]);
  }

  commitSoon() {
    clearTimeout(this.soon);
    this.soon = setTimeout(() => this.edit && !this.edit.drawing && this.commit(), 450);
  }

  // -- pointer ---------------------------------------------------------------------------------------

  at(e) {
    const box = this.glass.getBoundingClientRect();
    return [e.clientX - box.left, e.clientY - box.top];
  }

  wheel(e) {
    if (!this.photo?.width) return;
    e.preventDefault();
    const unit = e.deltaMode === 1 ? 30 : 1;
    this.zoom(Math.exp(clamp(-e.deltaY * unit * (e.ctrlKey ? 0.01 : 0.0022), -0.6, 0.6)), this.at(e));
  }

  down(e) {
    if (e.button > 1 || !this.photo?.width) return;
    const target = e.target.closest?.("[data-corner],[data-whole]");
    const at = this.at(e);
    this.pointers.set(e.pointerId, at);
    this.glass.setPointerCapture(e.pointerId);
    if (this.pointers.size === 2) {
      this.drag = null;
      return;
    }
    if (target?.dataset.corner !== undefined) this.drag = { corner: Number(target.dataset.corner), from: at };
    else if (target?.dataset.whole) this.drag = { whole: true, from: at };
    else if (this.edit?.drawing && e.button === 0) this.drag = { box: true, from: at };
    else this.drag = { pan: true, from: at };
    (target || this.glass).focus({ preventScroll: true });
    e.preventDefault();
  }

  move(e) {
    const before = this.pointers.get(e.pointerId);
    if (!before) return;
    const at = this.at(e);
    const [dx, dy] = [at[0] - before[0], at[1] - before[1]];
    if (this.pointers.size === 2) {
      const other = [...this.pointers.entries()].find(([id]) => id !== e.pointerId)[1];
      const far = (p) => Math.hypot(p[0] - other[0], p[1] - other[1]) || 1;
      this.zoom(far(at) / far(before), [(at[0] + other[0]) / 2, (at[1] + other[1]) / 2]);
      this.pan(dx / 2, dy / 2);
    } else if (this.drag?.pan) {
      this.pan(dx, dy);
    } else if (this.drag && this.edit && !this.edit.drawing) {
      this.shift(this.drag.whole ? null : this.drag.corner, dx / this.scale, dy / this.scale);
    } else if (this.drag?.box && this.edit) {
      this.drag.to = at;
      const [[x0, y0], [x1, y1]] = [this.drag.from, at];
      if (Math.hypot(x1 - x0, y1 - y0) > 8 && (this.drag.made || !this.edit.polygon.length)) {
        this.drag.made = [[x0, y0], [x1, y0], [x1, y1], [x0, y1]].map(([x, y]) => this.toPhoto(x, y));
        this.edit.polygon = [...this.drag.made, this.drag.made[0]];
        this.draw();
      }
    }
    this.pointers.set(e.pointerId, at);
  }

  up(e) {
    if (!this.pointers.delete(e.pointerId)) return;
    const drag = this.drag;
    if (this.pointers.size) return;
    this.drag = null;
    if (!drag || !this.edit) return;
    if (drag.box && e.type === "pointerup") {
      if (drag.made) {
        const [[x0, y0], , [x1, y1]] = drag.made;
        const [ax, bx] = [Math.min(x0, x1), Math.max(x0, x1)];
        const [ay, by] = [Math.min(y0, y1), Math.max(y0, y1)];
        if ((bx - ax) * this.scale > 6 && (by - ay) * this.scale > 6) {
          this.accept([[ax, ay], [bx, ay], [bx, by], [ax, by]]);
        } else {
          this.edit.polygon = [];
        }
      } else {
        this.corner(this.toPhoto(...drag.from));
      }
    } else if (drag.corner !== undefined || drag.whole) {
      this.commit();
    }
    this.draw();
  }

  /** Add a corner while drawing; a click on the first one closes the outline. */
  corner(point) {
    const { polygon } = this.edit;
    if (polygon.length >= 3) {
      const [fx, fy] = this.toScreen(polygon[0]);
      const [px, py] = this.toScreen(point);
      if (Math.hypot(fx - px, fy - py) < 14) return this.finishDrawing();
    }
    polygon.push(point);
    this.tell.say?.(`Corner ${polygon.length} set.`);
    this.draw();
  }

  twice(e) {
    if (this.edit?.drawing) {
      if (this.edit.polygon.length >= 3) this.finishDrawing();
      return;
    }
    if (!this.edit) this.zoom(2, this.at(e));
  }

  /** Move a corner, or all of them for null, by photo pixels; the photo's border holds them. */
  shift(corner, dx, dy) {
    const { polygon } = this.edit;
    const moved = corner === null ? polygon.map((_, i) => i) : [corner];
    const { width, height } = this.photo;
    if (corner === null) {
      const [x0, y0, x1, y1] = bounds(polygon);
      dx = clamp(dx, -x0, width - x1);
      dy = clamp(dy, -y0, height - y1);
    }
    for (const i of moved) {
      polygon[i] = [clamp(polygon[i][0] + dx, 0, width), clamp(polygon[i][1] + dy, 0, height)];
    }
    this.draw();
  }

  // -- keyboard --------------------------------------------------------------------------------------

  key(e) {
    if (!this.photo?.width || e.altKey || e.ctrlKey || e.metaKey) return;
    const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const arrow = arrows[e.key];
    const corner = e.target.dataset?.corner;
    const whole = e.target.dataset?.whole;
    const step = e.shiftKey ? 12 : 2;
    if (arrow && this.edit && (corner !== undefined || whole)) {
      this.shift(whole ? null : Number(corner), (arrow[0] * step) / this.scale, (arrow[1] * step) / this.scale);
      this.commitSoon();
    } else if (arrow && this.edit?.drawing) {
      const [x, y] = this.edit.cursor;
      this.edit.cursor = [x + (arrow[0] * step * 3) / this.scale, y + (arrow[1] * step * 3) / this.scale];
      this.draw();
    } else if (arrow) {
      this.pan(-arrow[0] * (e.shiftKey ? 200 : 50), -arrow[1] * (e.shiftKey ? 200 : 50));
    } else if (e.key === "+" || e.key === "=") {
      this.zoom(1.25);
    } else if (e.key === "-") {
      this.zoom(0.8);
    } else if (e.key === "0") {
      this.fit();
    } else if (e.key === "1") {
      this.exact();
    } else if (e.key === " " && this.edit?.drawing) {
      this.corner([...this.edit.cursor]);
    } else if (e.key === "Enter" && this.edit?.drawing) {
      this.finishDrawing();
    } else if (e.key === "Backspace" && this.edit?.drawing) {
      this.edit.polygon.pop();
      this.draw();
    } else if ((e.key === "Delete" || e.key === "Backspace") && corner !== undefined && this.edit) {
      if (this.edit.polygon.length > 3) {
        this.edit.polygon.splice(Number(corner), 1);
        this.focusCorner(Math.max(0, Number(corner) - 1));
        this.commit();
      }
    } else if (e.key === "Escape" && this.edit) {
      this.stopEditing();
    } else {
      return;
    }
    e.preventDefault();
  }
}

function area(polygon) {
  let sum = 0;
  polygon.forEach(([x, y], i) => {
    const [nx, ny] = polygon[(i + 1) % polygon.length];
    sum += x * ny - nx * y;
  });
  return Math.abs(sum) / 2;
}
