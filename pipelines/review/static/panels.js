// The parts beside the photo: verdict, what was read in this photo, what a hand found, what to ask.

import { h, icon } from "./dom.js";

const percent = (p) => `${(100 * p).toFixed(p > 0.1 ? 0 : 1)} %`;
const list = (lines, what = "ul") => lines.length ? h(what, {}, lines.map((line) => h("li", {}, line))) : null;

// -- the line that is always in view ---------------------------------------------------------------------

export function nowLine({ verdict, progress, changes }) {
  if (!verdict) return [];
  const reading = progress.done < progress.total;
  const moved = changes && (changes.releases.length || changes.readings.length || changes.headline_before);
  return [
    h(`div.headline.${verdict.state}`, {},
      h("span.sign", { "aria-hidden": "true" }, verdict.claim ? verdict.sign : "·"),
      h("p", {}, progress.total ? verdict.headline : "No photos yet: drop some here, or add them.")),
    reading && h("p.soft", {}, `${progress.done} of ${progress.total} photos read`,
      h("progress", { max: String(progress.total), value: String(progress.done), "aria-label": "Photos read" })),
    moved && !reading && h("p.soft.moved", {}, `Last change: ${changes.label}. ${movedWords(changes)}`),
  ];
}

export function movedWords(changes) {
  const parts = changes.releases.slice().sort((a, b) => Math.abs(b.after - b.before) - Math.abs(a.after - a.before));
  const told = parts.slice(0, 2).map((r) => `${r.label.split(",").slice(0, 2).join(",")} ${percent(r.before)} → ${percent(r.after)}`);
  if (told.length) return `${told.join("; ")}.`;
  if (changes.readings.length) return `${changes.readings.length === 1 ? "One reading" : `${changes.readings.length} readings`} changed, the releases did not move.`;
  return "Nothing moved.";
}

// -- verdict ---------------------------------------------------------------------------------------------

export function verdictPage({ verdict, changes, report }, act) {
  if (!verdict) return h("p", {}, "The verdict appears with the first reading.");
  const before = new Map((changes?.releases || []).map((r) => [r.id, r.before]));
  return [
    changes && changeCard(changes),
    verdict.reasons.length || verdict.story.length
      ? h("section", {}, h("h3", {}, "Why"), list(verdict.reasons.length ? verdict.reasons : verdict.story)) : null,
    verdict.flags.length ? h("section.warn", {}, h("h3", {}, "Signs of alteration"),
      verdict.flags.map((f) => h("p", {}, h("strong", {}, `${f.label} (${f.percent}). `), f.sentence))) : null,
    h("section", {}, h("h3", {}, "Releases"), verdict.releases.map((r) => release(r, before.get(r.id)))),
    h("section", {}, h("h3", {}, "What would settle it"),
      verdict.settle.length
        ? h("ol", {}, verdict.settle.map((r) => h("li", {}, h("strong", {}, r.text), " ", h("span.soft", {}, r.why))))
        : h("p", {}, "Nothing more to ask for: all that the guide speaks of was read.")),
    h("section", {}, h("h3", {}, "All findings"), h("table.findings", {},
      h("thead", {}, h("tr", {}, ["Trait", "Finding", "From"].map((t) => h("th", { scope: "col" }, t)))),
      h("tbody", {}, verdict.traits.map((t) => h("tr", {}, h("th", { scope: "row" }, t.title),
        h("td", {}, t.finding, t.conflict && h("strong", {}, " – the photos disagree")), h("td.soft", {}, t.source)))))),
    verdict.notes.length ? h("section", {}, h("h3", {}, "Notes"), list(verdict.notes)) : null,
    h("section", {}, h("h3", {}, "Report"),
      h("p", {}, report.saved && !report.stale ? `Saved in ${report.place}.`
        : report.exists ? `The report in ${report.place} is older than what you see here.`
        : "Report, evidence pictures and the questions are written beside the photos."),
      h("div.row", {},
        h("button.strong", { type: "button", "data-key": "save", disabled: report.saving, onclick: act.save }, icon("save"),
          report.saving ? "Saving …" : "Save report and evidence"),
        report.exists && h("a.plain", { href: act.reportAddress, target: "_blank", rel: "noopener", "data-key": "report" }, "Open the report"))),
    h("section.soft", {}, h("h3", {}, "Cautions"), list(verdict.cautions), h("p", {}, verdict.scale)),
  ];
}

function changeCard(changes) {
  const none = !changes.readings.length && !changes.releases.length && !changes.headline_before;
  return h("section.change", { "aria-label": "What changed" },
    h("h3", {}, "What changed"),
    h("p.soft", {}, changes.label),
    none && h("p", {}, "Nothing moved."),
    changes.headline_before && h("p", {}, h("span.soft", {}, "Before: "), h("s", {}, changes.headline_before)),
    changes.readings.length ? h("ul.diff", {}, changes.readings.slice(0, 8).map((r) => h("li", {},
      h("strong", {}, r.title), h("span", {}, r.before || "not read", h("span.arrow", { "aria-label": "became" }, " → "), r.after || "not read any more")))) : null);
}

function release(r, before) {
  const moved = before !== undefined && Math.abs(r.posterior - before) >= 0.005;
  const up = r.posterior > before;
  const bar = h("div.bar100", { "aria-hidden": "true" }, h("span.fill"), moved && h("span.ghost"));
  bar.firstChild.style.setProperty("--p", `${100 * r.posterior}%`);
  if (moved) bar.lastChild.style.setProperty("--p", `${100 * before}%`);
  const told = [...r.for.map((t) => h("li", {}, h("span.for", {}, "for: "), t)), ...r.against.map((t) => h("li", {}, h("span.against", {}, "against: "), t))];
  return h("div.release", {},
    h("div.line", {}, h("strong", {}, r.label, r.claimed && h("span.chip", {}, "claimed")),
      h("span.number", {}, moved && h("span.delta", {}, `${up ? "▲ from" : "▼ from"} ${percent(before)} `), r.percent)),
    bar,
    h("details", {}, h("summary", { "data-key": `release-${r.id}` }, r.support),
      told.length ? h("ul", {}, told) : h("p.soft", {}, "No finding speaks for or against it.")));
}

// -- this photo --------------------------------------------------------------------------------------------

export function photoPage(photo, act) {
  if (!photo) return h("p", {}, "Choose a photo.");
  if (photo.state === "error") {
    return [h("h3", {}, photo.name), h("p.trouble", {}, photo.message),
      h("p", {}, "The other photos are not affected."),
      h("div.row", {}, h("button.plain", { type: "button", "data-key": "again", disabled: photo.reading, onclick: act.again }, photo.reading ? "Being read …" : "Read it again"))];
  }
  const view = photo.view || {};
  return [
    h("div.field", {},
      h("label", { for: "view" }, "What this photo shows"),
      h("select", { id: "view", "data-key": "view", disabled: !photo.width, onchange: (e) => act.view(e.target.value) },
        h("option", { value: "", selected: !view.told }, view.told ? "Let the program say" : `As found: ${view.words || "…"}`),
        (view.choices || []).map((c) => h("option", { value: c.id, selected: c.id === view.told }, c.label)))),
    photo.reading && h("p.soft", { role: "status" }, "Being read …"),
    h("section", {}, h("h3", {}, "Readings"),
      photo.readings.length ? photo.readings.map((r) => reading(r, act))
        : h("p.soft", {}, photo.reading ? "The first one appears in a moment." : "Nothing that this program measures is in view.")),
    photo.width ? h("section", {}, h("h3", {}, "Places"),
      h("p.soft", {}, "Move, redraw or take out a place, and what rests on it is read again at once."),
      h("ul.places", {}, photo.places.map((p) => place(p, act)))) : null,
    h("section.soft", {}, h("h3", {}, "How it was looked at"), h("p", {}, photo.white), list([...photo.notes, ...photo.steps]),
      photo.sha256 && h("p.hash", {}, `SHA-256 ${photo.sha256}`)),
  ];
}

function reading(r, act) {
  const swatch = r.swatch && h("span.swatch", { title: "measured surface color", "aria-hidden": "true" });
  if (swatch) swatch.style.setProperty("--c", r.swatch);
  return h(`article.reading${r.stated ? "" : ".open"}`, {},
    h("h4", {}, r.title, swatch),
    h("p.finding", {}, h("span", { "aria-hidden": "true" }, r.stated ? "● " : "○ "), r.finding),
    r.lines.map((line) => h("p.mark", {}, line)),
    r.numbers.length ? h("p.numbers", {}, r.numbers.join(" · ")) : null,
    r.detail && h("p.soft", {}, r.detail),
    h("div.row", {},
      r.polygons.length ? h("button.plain", { type: "button", "data-key": `see-${r.key}`, onclick: () => act.see(r), "aria-label": `Show where ${r.title} was read` }, "Show") : null,
      r.place && h("button.plain", { type: "button", "data-key": `fix-${r.key}`, onclick: () => act.fix(r.place), "aria-label": `Set ${r.title} right` }, "Set right"),
      r.key.startsWith("mark_text") && h("button.plain", { type: "button", "data-key": `say-${r.key}`, onclick: act.sayMark }, "Type what it says")));
}

const BY = { person: "set by you", program: "found", nobody: "not found" };

function place(p, act) {
  const b = (key, words, call) => h("button.plain", { type: "button", "data-key": `${key}-${p.name}`, "aria-label": `${words}: ${p.label}`, onclick: call }, words);
  return h("li", { class: p.absent ? "absent" : p.by },
    h("span.name", {}, p.label, h("span.chip", {}, p.absent ? "not there" : BY[p.by])),
    h("span.row", {},
      p.polygons.length ? b("move", "Corners", () => act.fix(p.name)) : null,
      b("draw", p.polygons.length ? "Redraw" : "Draw", () => act.draw(p.name)),
      !p.absent && p.by === "program" ? b("gone", "Not there", () => act.drop(p.name, true)) : null,
      p.absent || p.by === "person" ? b("back", p.by === "person" ? "Take out" : "Leave to program", () => act.drop(p.name, false)) : null));
}

// -- by hand -------------------------------------------------------------------------------------------------

export function handsPage({ hands, remarks }, act) {
  const groups = [["Only hand and eye can tell", hands.items.filter((i) => !i.photo)], ["Photos show it too; your own look counts beside them", hands.items.filter((i) => i.photo)]];
  return [
    h("p", {}, "What you found with the doll in hand. It is kept as your word, with its own source, and never as a measurement."),
    h("p.caution", {}, "Keep solvents, heat and abrasives away from old vinyl. If it is sticky, smells or shows green: nitrile gloves and an open window."),
    h("div.field", {}, h("label", { for: "who" }, "Who looked"),
      h("input", { id: "who", type: "text", maxLength: 80, autocomplete: "off", "data-key": "who", value: hands.who, onchange: (e) => act.who(e.target.value) })),
    remarks.map((r) => h("p.soft", {}, r)),
    groups.map(([words, items], n) => items.length
      ? h("details.group", { open: n === 0 || items.some((i) => i.value), id: n ? "seen-too" : undefined },
        h("summary", { "data-key": `group-${n}` }, h("h3", {}, words)), items.map((i) => hand(i, hands.sure, act))) : null),
  ];
}

function hand(item, sures, act) {
  const value = item.value || {};
  const id = `hand-${item.trait}`;
  const send = (more) => act.finding(item.trait, { ...value, ...more });
  const known = item.value !== null;
  const input = item.kind === "choice" ? item.states.map((state) => h("label.choice", {},
    h("input", { type: "radio", name: id, value: state.id, checked: value.state === state.id, "data-key": `${id}-${state.id}`, onchange: () => send({ state: state.id, lines: undefined }) }),
    h("span", {}, state.words)))
    : item.kind === "number" ? h("label.inline", {}, h("span", {}, `${item.label} in ${item.unit}`),
      h("input", { type: "number", min: "0", max: "100000", step: "any", value: value.value ?? "", "data-key": id,
        onchange: (e) => e.target.value === "" ? act.finding(item.trait, null) : send({ value: Number(e.target.value) }) }))
    : [h("label.block", { for: id }, "What it says, line by line"),
      h("textarea", { id, rows: 4, "data-key": id, spellcheck: "false", onchange: (e) => {
        const lines = e.target.value.split("\n").map((l) => l.trim()).filter((l) => l);
        act.finding(item.trait, lines.length ? { sure: value.sure, note: value.note, lines } : null);
      } }, (value.lines || []).join("\n")),
      h("p.soft", {}, "Write ®, ™ and © as they stand. Leave the field to keep it.")];
  return h("fieldset", { class: known ? "hand known" : "hand" },
    h("legend", {}, h("span", { "aria-hidden": "true" }, known ? "✓ " : ""), item.label, known && h("span.unseen", {}, " (kept)")),
    h("p", {}, item.question),
    h("p.care", {}, h("strong", {}, "Safely: "), item.care),
    h("div.choices", {}, input),
    known && h("div.row", {},
      h("label.inline", {}, h("span", {}, "How sure"),
        h("select", { "data-key": `${id}-sure`, "aria-label": `How sure: ${item.label}`, onchange: (e) => send({ sure: e.target.value }) },
          sures.map((s) => h("option", { value: s, selected: s === (value.sure || "sure") }, s)))),
      h("label.inline.grow", {}, h("span", {}, "Note"),
        h("input", { type: "text", maxLength: 300, value: value.note || "", "data-key": `${id}-note`, "aria-label": `Note: ${item.label}`, onchange: (e) => send({ note: e.target.value }) })),
      h("button.plain", { type: "button", "data-key": `${id}-none`, "aria-label": `Take back: ${item.label}`, onclick: () => act.finding(item.trait, null) }, "Take back")));
}

// -- ask ---------------------------------------------------------------------------------------------------------

export function askPage({ verdict }, act) {
  if (!verdict) return h("p", {}, "Questions appear with the first reading.");
  return [
    h("p", {}, "What to ask the seller for, most telling first. Paste it as it is, or change it where you paste it."),
    h("label.block", { for: "questions" }, "Text for the seller"),
    h("textarea", { id: "questions", readOnly: true, rows: 16, "data-key": "questions" }, verdict.questions),
    h("div.row", {}, h("button.strong", { type: "button", "data-key": "copy", onclick: act.copy }, icon("copy"), "Copy the questions")),
  ];
}

// -- a lot ---------------------------------------------------------------------------------------------------------

export function lotPage(room, act) {
  const rows = room.dolls;
  const done = rows.reduce((n, r) => n + r.done, 0);
  const total = rows.reduce((n, r) => n + r.total, 0);
  return [
    h("h2", {}, `${rows.length} dolls`),
    h("p.soft", {}, done < total ? `${done} of ${total} photos read ` : `All ${total} photos read.`,
      done < total && h("progress", { max: String(total), value: String(done), "aria-label": "Photos read" })),
    h("table", {}, h("thead", {}, h("tr", {}, ["Doll", "Photos", "Verdict", "Likeliest", "Ask for first"].map((t) => h("th", { scope: "col" }, t)))),
      h("tbody", {}, rows.map((r) => h("tr", {},
        h("th", { scope: "row" }, r.thumb && h("img", { src: act.thumb(r), alt: "", width: 72, height: 72, loading: "lazy" }),
          h("a", { href: `#${r.id}`, "data-key": `doll-${r.id}` }, r.name)),
        h("td", { "data-name": "Photos" }, `${r.done} of ${r.total}`, r.failed ? h("span.trouble", {}, `, ${r.failed} failed`) : null),
        h("td", { "data-name": "Verdict" }, r.headline, r.flags.length ? h("p.warn", {}, `Signs of alteration: ${r.flags.join("; ")}`) : null),
        h("td", { "data-name": "Likeliest" }, r.top ? `${r.top} (${r.percent})` : "–"),
        h("td", { "data-name": "Ask for first" }, r.ask || "–"))))),
  ];
}
