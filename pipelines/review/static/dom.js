// Builds elements from plain values. Text is only ever set as text, so names and read letters stay harmless.

/** Make an element: h("p.note", {id: "x", onclick}, "text", child, [more]). */
export function h(what, attributes = {}, ...children) {
  const [tag, ...classes] = what.split(".");
  const element = document.createElement(tag || "div");
  if (classes.length) element.className = classes.join(" ");
  for (const [key, value] of Object.entries(attributes)) {
    if (value === undefined || value === null || value === false) continue;
    if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else if (key in element && typeof value !== "string") element[key] = value;
    else element.setAttribute(key, value === true ? "" : value);
  }
  for (const child of children.flat(3)) {
    if (child === undefined || child === null || child === false || child === "") continue;
    element.append(child);
  }
  return element;
}

const SVG = "http://www.w3.org/2000/svg";

/** Make an SVG element. */
export function s(tag, attributes = {}, ...children) {
  const element = document.createElementNS(SVG, tag);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === undefined || value === null || value === false) continue;
    if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else element.setAttribute(key, value);
  }
  element.append(...children.filter((c) => c));
  return element;
}

const drawn = new WeakMap();

/** Fill a container anew if its data changed; what had the focus (by data-key) has it again. */
export function fill(container, data, build) {
  const text = JSON.stringify(data);
  if (drawn.get(container) === text) return false;
  drawn.set(container, text);
  const active = container.contains(document.activeElement) ? document.activeElement : null;
  const key = active?.dataset?.key;
  const value = active && "value" in active && active.type !== "radio" ? active.value : null;
  const top = container.scrollTop;
  container.replaceChildren(...[build(data)].flat(3).filter((node) => node));
  container.scrollTop = top;
  if (key) {
    const again = container.querySelector(`[data-key="${CSS.escape(key)}"]`);
    again?.focus({ preventScroll: true });
    if (again && value !== null && again.tagName === "TEXTAREA" && !again.readOnly) again.value = value;
  }
  return true;
}

/** Forget what a container shows, so that it is filled anew next time. */
export const forget = (container) => drawn.delete(container);

/** Make an element's children like these nodes; what is of one kind already is only adjusted, so focus stays. */
export function morph(parent, nodes) {
  const old = [...parent.childNodes];
  nodes.forEach((node, i) => {
    const was = old[i];
    if (!was) return parent.append(node);
    const same = was.nodeName === node.nodeName && was.dataset?.key === node.dataset?.key && was.nodeType === node.nodeType;
    if (!same) return was.replaceWith(node);
    if (was.nodeType === Node.TEXT_NODE) {
      if (was.data !== node.data) was.data = node.data;
      return undefined;
    }
    for (const { name } of [...was.attributes]) if (!node.hasAttribute(name)) was.removeAttribute(name);
    for (const { name, value } of [...node.attributes]) if (was.getAttribute(name) !== value) was.setAttribute(name, value);
    return morph(was, [...node.childNodes]);
  });
  old.slice(nodes.length).forEach((node) => node.remove());
}

const PICTURES = {
  undo: "M9 7 4 12l5 5M4 12h10a6 6 0 0 1 6 6",
  redo: "m15 7 5 5-5 5M20 12H10a6 6 0 0 0-6 6",
  plus: "M12 5v14M5 12h14",
  minus: "M5 12h14",
  fit: "M4 9V4h5M20 9V4h-5M4 15v5h5M20 15v5h-5",
  pair: "M4 5h7v14H4zM13 5h7v14h-7z",
  save: "M5 4h11l3 3v13H5zM8 4v5h7V4M8 20v-6h8v6",
  moon: "M19 14A8 8 0 1 1 10 5a6.5 6.5 0 0 0 9 9z",
  copy: "M8 8h11v12H8zM5 16V4h11",
  eye: "M3 12s3.5-6 9-6 9 6 9 6-3.5 6-9 6-9-6-9-6zM12 9.5a2.5 2.5 0 1 0 0 5 2.5 2.5 0 0 0 0-5z",
};

/** A small line picture; words stand beside it or in the button's label. */
export const icon = (name) =>
  s("svg", { viewBox: "0 0 24 24", class: "icon", "aria-hidden": "true" }, s("path", { d: PICTURES[name] }));
