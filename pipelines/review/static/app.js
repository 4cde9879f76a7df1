// The page: keeps what the server says, shows it, and sends what a person does.

import * as api from "./api.js";
import { fill, forget, h, icon } from "./dom.js";
import { askPage, handsPage, lotPage, movedWords, nowLine, photoPage, verdictPage } from "./panels.js";
import { Viewer } from "./viewer.js";

const $ = (id) => document.getElementById(id);
const TABS = [["verdict", "Verdict"], ["photo", "Photo"], ["hands", "By hand"], ["ask", "Ask"]];
const kept = {
  get: (key) => { try { return JSON.parse(localStorage.getItem(`rakelight-${key}`)); } catch { return null; } },
  set: (key, value) => { try { localStorage.setItem(`rakelight-${key}`, JSON.stringify(value)); } catch { /* a private window */ } },
};

const page = {
  doll: "", lot: false, state: null, photo: null, other: null, tab: "verdict",
  viewer: null, second: null, together: true, measure: "", source: null, refused: [], busy: 0, failed: null,
};

// -- saying things -------------------------------------------------------------------------------------------

const say = (text) => { $("live").textContent = ""; requestAnimationFrame(() => { $("live").textContent = text; }); };

function toast(text, action = null) {
  const note = h("div.toast", {}, h("p", {}, text),
    action && h("button.plain", { type: "button", onclick: () => { note.remove(); action.call(); } }, action.words),
    h("button.square", { type: "button", "aria-label": "Close this message", onclick: () => note.remove() }, "×"));
  $("toasts").append(note);
  if (!action) setTimeout(() => note.remove(), 9000);
}

function banner(lines) {
  $("banner").hidden = !lines.length;
  fill($("banner"), lines, (all) => all.map((line) => h("p", {}, line)));
}

function failed(error) {
  if (error instanceof api.Gone) {
    page.failed = error.message;
    showBanner();
  } else {
    toast(error.message);
  }
}

const showBanner = () => banner([page.failed, ...(page.state?.troubles || [])].filter((line) => line));

// -- state ----------------------------------------------------------------------------------------------------

function take(state) {
  if (page.state && page.state.id === state.id && state.version < page.state.version) return;
  page.state = state;
  page.failed = null;
  show();
}

async function refresh() {
  if (page.refreshing) { page.again = true; return; }
  page.refreshing = true;
  try {
    do {
      page.again = false;
      take(await api.state(page.doll));
      await refreshPhotos();
    } while (page.again);
  } catch (error) {
    failed(error);
  } finally {
    page.refreshing = false;
  }
}

async function refreshPhotos() {
  for (const which of ["photo", "other"]) {
    const shown = page[which];
    if (!shown) continue;
    const line = page.state.photos.find((p) => p.id === shown.id);
    if (!line) {
      if (which === "photo") await look(page.state.photos[0]?.id);
      else compare(false);
    } else {
      takePhoto(await api.photo(page.doll, line.id));
    }
  }
  if (!page.photo && page.state.photos.length) await look(page.state.photos[0].id);
}

function takePhoto(photo) {
  for (const [which, viewer] of [["photo", page.viewer], ["other", page.second]]) {
    if (page[which]?.id !== photo.id || (page[which].version ?? -1) > photo.version) continue;
    page[which] = photo;
    viewer?.show(photo);
  }
  showTab();
}

function listen() {
  page.source?.close();
  if (document.hidden || !page.doll) return;
  page.source = new EventSource(`/api/${page.doll}/events`);
  page.source.onmessage = (e) => {
    const { version } = JSON.parse(e.data);
    if (page.failed) { page.failed = null; showBanner(); }
    if (!page.state || version > page.state.version) refresh();
  };
  page.source.onerror = () => { setTimeout(() => refresh(), 1500); };
}

// -- steps ------------------------------------------------------------------------------------------------------

// One step after the other: each knows the state that the one before it made.
let line = Promise.resolve();
const step = (action) => { line = line.then(() => take_step(action)); return line; };

async function take_step(action) {
  document.body.classList.add("busy");
  try {
    const answer = await api.step(page.doll, page.state.revision, action);
    take(answer.state);
    if (answer.photo) takePhoto(answer.photo);
    if (answer.state.changes) say(`${answer.state.changes.label}. ${movedWords(answer.state.changes)}`);
    if (action.do === "undo" || action.do === "redo") await refreshPhotos();
    flash();
  } catch (error) {
    if (error.status === 409) {
      take(error.data.state);
      await refreshPhotos();
      toast(error.message, { words: "Do it again", call: () => step(action) });
    } else {
      failed(error);
      if (page.photo) takePhoto(page.photo);
      forget($("page"));
      showTab();
    }
  } finally {
    document.body.classList.remove("busy");
  }
}

function flash() {
  const now = $("now");
  now.classList.remove("flash");
  void now.offsetWidth;
  now.classList.add("flash");
}

// -- photos -------------------------------------------------------------------------------------------------------

async function look(id) {
  if (!id) {
    page.photo = null;
    page.viewer?.clear(page.state?.photos.length ? "" : "Drop photos here, or add them with the buttons.");
    showTab();
    return;
  }
  if (page.photo?.id !== id) {
    const line = page.state.photos.find((p) => p.id === id);
    page.photo = { ...line, width: 0, height: 0, readings: [], places: [], notes: [], steps: [], view: {}, version: -1 };
    page.viewer.show(page.photo);
    kept.set(`photo-${page.state.name}`, id);
  }
  showStrip();
  try {
    takePhoto(await api.photo(page.doll, id, "look"));
  } catch (error) {
    failed(error);
  }
}

async function addFiles(files) {
  const chosen = [...files].filter((f) => f.size || f.type);
  if (!chosen.length) return;
  say(`${chosen.length} files are being added.`);
  const names = new Map();
  for (const file of chosen) {
    const entry = { name: file.name, message: "", sending: true };
    page.refused.push(entry);
    names.set(file, entry);
  }
  showStrip();
  let first = null;
  for (const [file, entry] of names) {
    try {
      const answer = await api.send(page.doll, file);
      page.refused.splice(page.refused.indexOf(entry), 1);
      first ??= answer.photo;
      await refresh();
      if (answer.photo === first) await look(first);
    } catch (error) {
      entry.sending = false;
      entry.message = error.message;
      if (error instanceof api.Gone) failed(error);
      else say(`${file.name}: ${error.message}`);
    }
    showStrip();
  }
}

/** All files of what was dropped, those inside of folders too. */
async function filesOf(transfer) {
  const entries = [...transfer.items].map((item) => item.webkitGetAsEntry?.()).filter((e) => e);
  if (!entries.some((e) => e.isDirectory)) return [...transfer.files];
  const found = [];
  const walk = async (entry) => {
    if (entry.isFile) {
      if (!entry.name.startsWith(".")) found.push(await new Promise((ok, no) => entry.file(ok, no)));
      return;
    }
    const reader = entry.createReader();
    for (;;) {
      const some = await new Promise((ok, no) => reader.readEntries(ok, no));
      if (!some.length) return;
      for (const inner of some) await walk(inner);
    }
  };
  for (const entry of entries) await walk(entry);
  return found.sort((a, b) => a.name.localeCompare(b.name, undefined, { numeric: true }));
}

function wireDropping() {
  let depth = 0;
  const files = (e) => [...(e.dataTransfer?.types || [])].includes("Files") && page.doll;
  const hide = () => { depth = 0; $("drop").hidden = true; };
  addEventListener("dragenter", (e) => { if (files(e)) { depth++; $("drop").hidden = false; } });
  addEventListener("dragleave", (e) => { if (files(e) && --depth <= 0) hide(); });
  addEventListener("dragover", (e) => { if (files(e)) e.preventDefault(); });
  addEventListener("drop", async (e) => {
    if (!files(e)) return;
    e.preventDefault();
    hide();
    addFiles(await filesOf(e.dataTransfer));
  });
}

// -- showing ---------------------------------------------------------------------------------------------------------

function show() {
  const { state } = page;
  document.title = `${state.name} · rakelight`;
  $("name").textContent = state.name;
  showBanner();
  fill($("choices"), [state.guide, state.claim, state.releases], () => [
    h("label", {}, h("span", {}, "Guide"), h("select", { "data-key": "guide", onchange: (e) => step({ do: "guide", name: e.target.value }) },
      state.guide.choices.map((c) => h("option", { value: c.id, selected: c.id === state.guide.id }, c.title)))),
    h("label", {}, h("span", {}, "Offered as"), h("select", { "data-key": "claim", onchange: (e) => step({ do: "claim", name: e.target.value }) },
      h("option", { value: "", selected: !state.claim }, "no claim"),
      state.releases.map((r) => h("option", { value: r.id, selected: r.id === state.claim }, r.label)))),
  ]);
  showTools();
  showStrip();
  fill($("now"), [state.verdict?.headline, state.verdict?.state, state.progress, state.changes], () => nowLine(state));
  showTab();
}

function showTools() {
  const { undo, redo } = page.state;
  fill($("tools"), [undo, redo, theme()], () => [
    h("button.square", { type: "button", "data-key": "undo", "aria-label": undo ? `Undo: ${undo}` : "Undo", title: undo ? `Undo: ${undo}` : "Nothing to undo", disabled: !undo, onclick: () => step({ do: "undo" }) }, icon("undo")),
    h("button.square", { type: "button", "data-key": "redo", "aria-label": redo ? `Redo: ${redo}` : "Redo", title: redo ? `Redo: ${redo}` : "Nothing to do again", disabled: !redo, onclick: () => step({ do: "redo" }) }, icon("redo")),
    h("button.square", { type: "button", "data-key": "theme", "aria-label": `Look: ${theme()}. Change it`, title: `Look: ${theme()}`, onclick: nextTheme }, icon("moon")),
  ]);
}

function showStrip() {
  const photos = page.state?.photos || [];
  fill($("strip"), [photos, page.refused, page.photo?.id], () => [
    h("ul.photos", {}, photos.map((p) => h("li", {},
      h("button.photo", { type: "button", "data-key": `photo-${p.id}`, "aria-pressed": String(p.id === page.photo?.id), "aria-label": photoWords(p), onclick: () => look(p.id) },
        p.state === "error" ? h("span.nothing", { "aria-hidden": "true" }, "!") : h("img", { src: api.whole(page.doll, p, "thumb"), alt: "", loading: "lazy" }),
        h("span.caption", {}, h("span.file", {}, p.name), h(`span.status${p.state === "error" ? ".trouble" : ""}`, {}, statusWords(p)))))),
      page.refused.map((r) => h("li.refused", {}, h("p", {}, h("strong", {}, r.name), " ", r.sending ? "is being added …" : r.message),
        !r.sending && h("button.plain", { type: "button", "aria-label": `Dismiss ${r.name}`, onclick: () => { page.refused.splice(page.refused.indexOf(r), 1); showStrip(); } }, "Dismiss")))),
    h("div.row.adding", {}, picker("Add photos", false), picker("Add a folder", true)),
  ]);
}

function picker(words, folder) {
  const input = h("input", { type: "file", multiple: true, class: "unseen", tabIndex: -1, "aria-label": words, ...(folder ? { webkitdirectory: "" } : { accept: "image/*,.heic,.heif,.tif,.tiff" }),
    onchange: (e) => { addFiles(e.target.files); e.target.value = ""; } });
  return [h("button.plain", { type: "button", "data-key": words, onclick: () => input.click() }, icon("plus"), words), input];
}

const statusWords = (p) => p.reading ? (p.state === "waiting" ? "waiting" : "reading …") : p.state === "error" ? "not readable" : p.view + (p.touched ? " · set right" : "");
const photoWords = (p) => `${p.name}, ${p.state === "error" ? p.message : statusWords(p)}`;

function showTabs() {
  fill($("tabs"), page.tab, () => TABS.map(([id, words]) => h("button", {
    type: "button", role: "tab", id: `tab-${id}`, "data-key": `tab-${id}`, "aria-selected": String(id === page.tab), "aria-controls": "page",
    tabIndex: id === page.tab ? 0 : -1, onclick: () => chooseTab(id), onkeydown: tabKey,
  }, words)));
  $("page").setAttribute("aria-labelledby", `tab-${page.tab}`);
}

function chooseTab(id) {
  page.tab = id;
  $("page").scrollTop = 0;
  showTabs();
  showTab();
}

function tabKey(e) {
  const move = { ArrowRight: 1, ArrowLeft: -1 }[e.key];
  if (!move) return;
  const at = TABS.findIndex(([id]) => id === page.tab);
  chooseTab(TABS[(at + move + TABS.length) % TABS.length][0]);
  $(`tab-${page.tab}`).focus();
  e.preventDefault();
}

function showTab() {
  showTabs();
  const { state, photo } = page;
  if (!state) return;
  const parts = {
    verdict: [[state.verdict, state.changes, state.report], () => verdictPage(state, acts)],
    photo: [photo, () => photoPage(photo, acts)],
    hands: [[state.hands, state.remarks], () => handsPage(state, acts)],
    ask: [state.verdict?.questions, () => askPage(state, acts)],
  };
  const [data, build] = parts[page.tab];
  fill($("page"), [page.tab, data], build);
}

const acts = {
  save: async () => {
    try {
      take((await api.save(page.doll)).state);
      toast("Report and evidence are saved beside the photos.");
    } catch (error) {
      failed(error);
    }
  },
  get reportAddress() { return `/report/${page.doll}/report.html`; },
  again: async () => {
    try {
      takePhoto(await api.photo(page.doll, page.photo.id, "again"));
    } catch (error) {
      failed(error);
    }
  },
  view: (name) => step({ do: "view", photo: page.photo.id, name }),
  see: (r) => { page.viewer.lit = r.polygons; page.viewer.goTo(r.polygons); scrollToStage(); },
  fix: (name) => editPlace(name, false),
  draw: (name) => editPlace(name, true),
  drop: (name, absent) => step({ do: "drop_place", photo: page.photo.id, name, absent }),
  sayMark: () => { chooseTab("hands"); $("seen-too").open = true; $("hand-mark_text")?.focus(); },
  who: (name) => step({ do: "who", name }),
  finding: (name, value) => step({ do: "finding", name, value }),
  copy: async () => {
    const box = $("questions");
    try {
      await navigator.clipboard.writeText(box.value);
    } catch {
      box.select();
      document.execCommand("copy");
    }
    toast("The questions are copied.");
  },
  thumb: (r) => `/api/${r.id}/photos/${r.thumb}/whole/thumb`,
};

function editPlace(name, anew) {
  const place = page.photo.places.find((p) => p.name === name) || { name, label: name, polygons: [] };
  if (page.viewer.relief.kind === "") page.viewer.setRelief("", true);
  if (anew) page.viewer.startDrawing(place);
  else page.viewer.startEditing(place);
  scrollToStage();
}

const scrollToStage = () => {
  if (matchMedia("(max-width: 60rem)").matches) document.querySelector(".stage").scrollIntoView({ block: "start" });
};

// -- viewers ------------------------------------------------------------------------------------------------------------

function makeViewers() {
  page.viewer = new Viewer(page.doll, {
    say,
    edited: (name, polygons) => step({ do: "place", photo: page.photo.id, name, polygons }),
    moved: (viewer) => follow(viewer, page.second),
    stopped: () => say("Done."),
    toolbar: () => h("button.plain", { type: "button", id: "compare", "aria-pressed": "false", onclick: () => compare(!page.second) }, icon("pair"), "Compare"),
  });
  $("stage").replaceChildren(page.viewer.root, h("p.unseen", { id: "keys" }, "Arrow keys move the photo, plus and minus zoom, 0 shows all of it, 1 shows it pixel by pixel."));
}

function compare(yes) {
  $("compare").setAttribute("aria-pressed", String(yes));
  $("stage").classList.toggle("two", yes);
  if (!yes) {
    page.second?.root.remove();
    page.second = null;
    page.other = null;
    return;
  }
  const photos = page.state.photos.filter((p) => p.state !== "error");
  const first = photos.find((p) => p.id !== page.photo?.id) || photos[0];
  if (!first) { compare(false); return; }
  page.second = new Viewer(page.doll, {
    say,
    moved: (viewer) => follow(viewer, page.viewer),
    toolbar: () => [
      h("label.inline", {}, h("span", {}, "Photo"), h("select", { "aria-label": "Photo to compare with", onchange: (e) => lookOther(e.target.value) },
        photos.map((p) => h("option", { value: p.id, selected: p.id === first.id }, p.name)))),
      h("label.inline", {}, h("span", {}, "Same size"), h("select", { "aria-label": "What has the same size on both sides", id: "measure", onchange: (e) => { page.measure = e.target.value; follow(page.viewer, page.second); } })),
      h("label.inline", {}, h("input", { type: "checkbox", checked: page.together, onchange: (e) => { page.together = e.target.checked; } }), h("span", {}, "Move together")),
    ],
  });
  $("stage").insertBefore(page.second.root, $("keys"));
  lookOther(first.id);
}

async function lookOther(id) {
  try {
    page.other = await api.photo(page.doll, id);
    // Quietly: the photo that is looked at already keeps its scale, the other one takes it over.
    page.second.show(page.other, true);
    const common = page.photo.places.filter((p) => p.polygons.length && page.other.places.some((q) => q.name === p.name && q.polygons.length));
    if (!common.some((p) => p.name === page.measure)) page.measure = "";
    $("measure").replaceChildren(h("option", { value: "" }, "photo pixels"), ...common.map((p) => h("option", { value: p.name, selected: p.name === page.measure }, p.label.toLowerCase())));
    follow(page.viewer, page.second);
  } catch (error) {
    failed(error);
  }
}

/** Give the other side the same scale, and the same place if a place is what both are measured by. */
function follow(from, to) {
  if (!from || !to || !page.together || !from.photo?.width || !to.photo?.width) return;
  const box = (viewer) => {
    const outline = viewer.photo.places.find((p) => p.name === page.measure)?.polygons.flat();
    if (!outline?.length) return null;
    const xs = outline.map((p) => p[0]);
    const ys = outline.map((p) => p[1]);
    return { w: Math.max(...xs) - Math.min(...xs), x: (Math.max(...xs) + Math.min(...xs)) / 2, y: (Math.max(...ys) + Math.min(...ys)) / 2 };
  };
  const [a, b] = page.measure ? [box(from), box(to)] : [null, null];
  const ratio = a && b && a.w && b.w ? a.w / b.w : 1;
  const [w, height] = from.size;
  const [tw, th] = to.size;
  const center = from.toPhoto(w / 2, height / 2);
  const at = a && b
    ? [b.x + (center[0] - a.x) / ratio, b.y + (center[1] - a.y) / ratio]
    : [(center[0] / from.photo.width) * to.photo.width, (center[1] / from.photo.height) * to.photo.height];
  to.scale = from.scale * ratio;
  to.x = tw / 2 - at[0] * to.scale;
  to.y = th / 2 - at[1] * to.scale;
  to.fitted = false;
  to.changed(true);
}

// -- look -----------------------------------------------------------------------------------------------------------------

const theme = () => kept.get("look") || "as the system";
function applyTheme() {
  const chosen = kept.get("look");
  if (chosen) document.documentElement.dataset.look = chosen;
  else delete document.documentElement.dataset.look;
}
function nextTheme() {
  const order = [null, "light", "dark"];
  kept.set("look", order[(order.indexOf(kept.get("look")) + 1) % 3]);
  applyTheme();
  showTools();
  say(`Look: ${theme()}`);
}

// -- lot, and starting ----------------------------------------------------------------------------------------------------

async function showRoom() {
  let room;
  try {
    room = await api.room();
  } catch (error) {
    failed(error);
    page.timer = setTimeout(showRoom, 2000);
    return;
  }
  page.lot = room.lot;
  $("home").textContent = room.lot ? `rakelight · ${room.name}` : "rakelight";
  const wanted = location.hash.slice(1);
  const doll = room.lot ? (room.dolls.some((d) => d.id === wanted) ? wanted : "") : room.dolls[0]?.id;
  if (doll) {
    await openDoll(doll);
    return;
  }
  page.doll = "";
  page.source?.close();
  $("main").hidden = true;
  $("lot").hidden = false;
  $("name").textContent = room.name;
  document.title = `${room.name} · rakelight`;
  for (const id of ["choices", "tools"]) { $(id).replaceChildren(); forget($(id)); }
  fill($("lot"), room, () => lotPage(room, acts));
  clearTimeout(page.timer);
  page.timer = setTimeout(() => { if (!page.doll && !document.hidden) showRoom(); }, 2000);
}

async function openDoll(doll) {
  clearTimeout(page.timer);
  if (page.doll === doll) return;
  Object.assign(page, { doll, state: null, photo: null, other: null, second: null, refused: [], tab: "verdict" });
  $("main").hidden = false;
  $("lot").hidden = true;
  $("stage").classList.remove("two");
  makeViewers();
  try {
    const state = await api.state(doll);
    take(state);
    const last = kept.get(`photo-${state.name}`);
    await look(state.photos.some((p) => p.id === last) ? last : state.photos[0]?.id);
  } catch (error) {
    failed(error);
  }
  listen();
}

addEventListener("hashchange", () => { if (page.lot) { page.doll = ""; showRoom(); } });
document.addEventListener("visibilitychange", () => { if (document.hidden) page.source?.close(); else if (page.doll) { listen(); refresh(); } else showRoom(); });
addEventListener("keydown", (e) => {
  if (!(e.ctrlKey || e.metaKey) || e.altKey || !page.state) return;
  if (["INPUT", "TEXTAREA"].includes(e.target.tagName) && e.target.type !== "radio") return;
  const key = e.key.toLowerCase();
  if (key === "z" && !e.shiftKey && page.state.undo) step({ do: "undo" });
  else if ((key === "y" || (key === "z" && e.shiftKey)) && page.state.redo) step({ do: "redo" });
  else return;
  e.preventDefault();
});

applyTheme();
wireDropping();
showRoom();
