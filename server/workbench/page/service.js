// Draws a service under way: alarms, clocks and the buttons for what happens.
import { make, words } from "./form.js";
import { time } from "./server.js";

const clock = (text) => (text ? new Date(text).toLocaleTimeString("en-GB") : "");
// A limit in hours and minutes; the seconds that are left out make it earlier, never later.
const minute = (text) => clock(text).slice(0, 5);
const since = (text) => {
  const seconds = Math.max(0, Math.floor((time.now() - Date.parse(text)) / 1000));
  return `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
};

// The urgency of an alarm; one of a newer server is taken for the most urgent.
const urgency = {
  ALARM_KIND_WATER_OFF_TOO_SOON: 95, ALARM_KIND_FLUSH: 90, ALARM_KIND_RINSE_DUE: 70, ALARM_KIND_CONFIRM_PRODUCT: 60,
  ALARM_KIND_STRAND_TEST_DUE: 50, ALARM_KIND_TARGET_NEAR: 40, ALARM_KIND_NOT_NEUTRALIZED: 30,
};
export const urgent = (alarm) => (urgency[alarm.kind] ?? 100) >= 70;

const places = { PLACE_HEAD: "head", PLACE_EYE_LEFT: "left eye", PLACE_EYE_RIGHT: "right eye", PLACE_SKIN: "skin" };

// buttons are what can happen, in groups, each for a phase of the service.
function buttons(service) {
  const { product, lotCode, conditions } = service;
  const missing = (conditions ?? []).filter((c) => c.beforeContact && !c.metTime);
  const base = { baseApplied: { wholeScalp: true } }, asked = (c) => c.ruleId === "directions.base";
  return [
    { phases: ["PREPARING"], title: "Before the first contact", taps: [
      ["Consent repeated", { consentConfirmed: {} }],
      ["Product and lot checked", { productConfirmed: { product, lotCode, scanned: false } }],
      ...(missing.some(asked) ? [] : [["Base on the whole scalp", base]]),
      ...missing.map((c) => [c.text, ...(asked(c) ? [base] : []), { conditionMet: { ruleId: c.ruleId, subject: c.subject } }]),
    ] },
    { phases: ["PREPARING", "PROCESSING"], title: "Product on the hair", taps: [
      ["Product is on: mid-strand", { stageApplied: { part: "SECTION_PART_MID_STRAND" } }],
      ["Product is on: by the scalp", { stageApplied: { part: "SECTION_PART_SCALP" } }],
      ["Product is on: ends", { stageApplied: { part: "SECTION_PART_ENDS" } }],
    ] },
    { phases: ["PROCESSING"], title: "Strand test", taps: [
      ["Springs back", { strandTest: { reading: "CURL_READING_SPRINGS_BACK" } }],
      ["Springs back partly", { strandTest: { reading: "CURL_READING_PARTLY" } }],
      ["Stays smooth", { strandTest: { reading: "CURL_READING_STAYS_SMOOTH" } }],
      ["Hair gives way or turns gummy", { strandTest: { distressed: true } }],
      ["Client is comfortable", { comfortCheck: { comfort: "COMFORT_COMFORTABLE" } }],
    ] },
    { phases: ["PROCESSING", "RINSING", "NEUTRALIZING"], title: "Water", taps: [
      ["Water is on the head", { waterOn: { place: "PLACE_HEAD" } }],
      ["Rinsed until clear", { rinseFinished: {} }],
      ["Normalizer is on", { normalizerOn: {} }],
      ["Normalizer is rinsed out", { normalizerOff: {} }],
    ] },
    { phases: ["NEUTRALIZING"], title: "Shampoo", taps: [
      ["Lather shows colour", { shampoo: { indicator: "INDICATOR_COLOUR_ALKALI" } }],
      ["Lather stays clear", { shampoo: { indicator: "INDICATOR_COLOUR_CLEAR" } }],
      ["Conditioner is on", { conditioned: {} }],
    ] },
    { phases: ["NEUTRALIZING", "NEUTRAL", "STOPPED"], title: "At the end", taps: [
      ["Scalp checked: as before", { scalpChecked: { changed: false } }],
      ["Scalp checked: changed", { scalpChecked: { changed: true } }],
    ] },
  ];
}

// Service is the screen of one service.
export class Service {
  // kept is what the browser has stored of it: session, identity, sheet, product.
  constructor(kept, tap, close) {
    this.kept = kept;
    this.alarms = make("div", { class: "alarms", role: "alert", "aria-live": "assertive" });
    this.phase = make("p", { class: "phase" });
    this.water = make("div");
    this.sections = make("tbody");
    this.groups = buttons(kept).map((group) => ({ ...group, box: make("details", { class: "taps" }, make("summary", {}, group.title),
      make("div", {}, ...group.taps.map(([label, ...facts]) => make("button", { type: "button", onclick: (e) => { facts.forEach((fact) => tap(fact)); this.done(e.target, label); } }, label)))) }));
    this.last = make("p", { class: "last", role: "status" });
    this.element = make("div", { class: "service" },
      make("section", { "aria-label": "Clocks" }, this.alarms, this.water, this.phase,
        make("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Times of the sections" },
          make("table", {}, make("thead", {}, make("tr", {}, ...["Section", "On the hair", "Test from", "Rinse by", "Never after"].map((h) => make("th", { scope: "col" }, h)))), this.sections)),
        make("details", { class: "sheet" }, make("summary", {}, "Time sheet, as given at the start"),
          make("ul", {}, ...(kept.sheet.sections ?? []).map((s) => make("li", {}, s.text))))),
      make("section", { "aria-label": "What happens" }, this.last, ...this.groups.map((g) => g.box),
        make("button", { type: "button", class: "next", onclick: close }, "Close the record")));
    this.show(kept.state);
  }

  done(button, label) {
    button.classList.add("noted");
    this.last.textContent = `Noted at ${clock(time.now())}: ${label}`;
  }

  // show draws a state. Times that a state does not have stay those of the time sheet.
  show(state) {
    if (!state || (this.state && state.time < this.state.time)) return;
    this.state = state;
    const phase = (state.phase ?? "SESSION_PHASE_PREPARING").replace("SESSION_PHASE_", "");
    this.phase.textContent = { PREPARING: "Prepare", PROCESSING: "Product is on", RINSING: "Rinse", NEUTRALIZING: "Neutralize", NEUTRAL: "Neutral", STOPPED: "Stopped", CLOSED: "Closed" }[phase] ?? words(phase, "");
    if (phase !== this.opened) {
      this.opened = phase;
      for (const g of this.groups) g.box.open = g.phases.includes(phase);
    }
    const alarms = (state.alarms ?? []).map((a) => make("p", { class: urgent(a) ? "alarm urgent" : "alarm" }, a.message));
    if (this.alarms.textContent !== alarms.map((a) => a.textContent).join("")) this.alarms.replaceChildren(...alarms);
    const flushes = (state.flushes ?? []).filter((f) => f.leastMinutes && !f.helpTookOver);
    this.water.replaceChildren(...flushes.map((f) => make("p", { class: "water", "data-place": places[f.place] ?? words(f.place, "PLACE_"),
      "data-least": f.leastMinutes, "data-minutes": f.flushedMinutes ?? 0, "data-counted": f.waterOnTime ? state.time : null })));
    this.showTimes(state);
    this.tick();
  }

  // rinse says it before the server does, and until it does.
  rinse() {
    this.alarms.replaceChildren(make("p", { class: "alarm urgent" }, "It burns: rinse now, and keep the water running."));
  }

  showTimes(state) {
    const sheet = new Map((this.kept.sheet.sections ?? []).map((s) => [s.sectionId, s]));
    const running = (state.sections ?? []).map((s) => s.sectionId);
    const rows = [...(state.sections ?? []), ...[...sheet.values()].filter((s) => !running.includes(s.sectionId))];
    this.sections.replaceChildren(...rows.map((s) => make("tr", {}, make("th", { scope: "row" }, s.sectionId),
      make("td", { class: "elapsed", "data-since": s.firstContactTime, "data-until": s.rinseTime }, s.firstContactTime ? "" : "not yet"),
      ...[s.nextStrandTestTime ?? sheet.get(s.sectionId)?.testTime, s.latestRinseTime ?? sheet.get(s.sectionId)?.latestRinseTime, s.hardLimitTime ?? sheet.get(s.sectionId)?.hardLimitTime]
        .map((t) => make("td", { class: "due", "data-due": s.rinseTime ? null : t }, s.rinseTime ? "–" : minute(t) || "–")))));
  }

  // tick counts on, also without the network.
  tick() {
    for (const line of this.water.children) {
      const { dataset } = line;
      const more = dataset.counted ? Math.max(0, time.now() - Date.parse(dataset.counted)) / 60000 : 0;
      line.textContent = `Water on the ${dataset.place}: ${Math.floor(Number(dataset.minutes) + more)} of at least ${dataset.least} min${dataset.counted ? "" : ", stopped"}`;
    }
    for (const cell of this.sections.querySelectorAll("[data-since]")) {
      cell.textContent = cell.dataset.until ? `rinsed ${clock(cell.dataset.until)}` : since(cell.dataset.since);
    }
    for (const cell of this.sections.querySelectorAll("[data-due]")) {
      cell.classList.toggle("over", Date.parse(cell.dataset.due) <= time.now());
    }
  }
}
